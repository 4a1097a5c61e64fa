/** What may one datagram cost? Counted in rows that the recorder reads: no clock decides. */
import { beforeEach, describe, expect, it } from "vitest";
import type { Signal } from "../../src/model/datagram.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { ReceptionWriter, soughtOf } from "../../src/store/recorder/receptions.ts";
import type { NewReception } from "../../src/store/recorder/rows.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { arrivalOf, decoded, packet, phy, push, SHED, START_US } from "./traffic.ts";

const NODE = "01A2B3C4";

let db: Store;
let recorder: Recorder;
let rowsRead = 0;
beforeEach(() => {
  db = openStore(":memory:");
  recorder = new Recorder(countingReads(db));
  rowsRead = 0;
});

/** The store, with every row that a statement gives counted. */
function countingReads(store: Store): Store {
  const prepare = store.prepare.bind(store);
  const counted = (sql: string) => {
    const statement = prepare(sql);
    const all = statement.all.bind(statement);
    statement.all = (...values: unknown[]) => {
      const rows = all(...values);
      rowsRead += rows.length;
      return rows;
    };
    return statement;
  };
  return Object.assign(store, { prepare: counted }) as Store;
}

function rows(sql: string, store = db): unknown[] {
  return store.prepare(sql).all();
}

/** Rows read while the work is done. */
function readsOf(work: () => void): number {
  const before = rowsRead;
  work();
  return rowsRead - before;
}

function manyPackets(count: number) {
  const rxpk = Array.from({ length: count }, (_, i) => ({
    tmst: 1_000 + i,
    freq: 868.1,
    stat: 1,
    modu: "LORA",
    datr: "SF7BW125",
    codr: "4/5",
    data: Buffer.from(phy((0x01000000 + i).toString(16).padStart(8, "0"), i)).toString("base64"),
  }));
  const head = Buffer.from([2, 1, 2, 0, ...Buffer.from(SHED, "hex")]);
  return decoded(arrivalOf(Buffer.concat([head, Buffer.from(JSON.stringify({ rxpk }))]), START_US));
}

describe("a datagram with more packets than a concentrator reports", () => {
  it("is stored up to 255 packets, the rest is refused by name, with the datagram as a sample", () => {
    recorder.record([manyPackets(300)]);
    expect(rows("SELECT count(*) AS n FROM reception")).toEqual([{ n: 255 }]);
    expect(rows("SELECT reason, refused, count FROM refusal WHERE refused = 1")).toEqual([
      { reason: "rxpk_many", refused: 1, count: 45 },
    ]);
    expect(rows("SELECT reason, sentence FROM refusal_sample")).toEqual([
      { reason: "rxpk_many", sentence: "300 packets" },
    ]);
  });

  it("costs no look at its own other packets", () => {
    expect(readsOf(() => recorder.record([manyPackets(255)]))).toBeLessThan(20);
  });
});

describe("more busy gateways than the memory of receptions holds", () => {
  const MOST = 100;
  const GATEWAYS = 10;

  /** Reception number `i`, and which gateway hears it: they take turns, one each 20 ms. */
  function heard(i: number): readonly [number, NewReception, Signal] {
    const one = packet({ payload: phy(NODE, i), tmstUs: 1_000 + i * 20_000 });
    const atUs = START_US + i * 20_000;
    const { payload, signals } = one;
    const tmstKey = one.tmstUs ?? 0;
    const rest = { tmstKey, packet: one, dataRate: 0, codingRate: 0, airtimeUs: 50_000, payload };
    const [signal] = signals;
    if (signal === undefined) throw new Error("A packet has a signal.");
    return [1 + (i % GATEWAYS), { gatewayId: 1 + (i % GATEWAYS), arrivedUs: atUs, atUs, ...rest }, signal];
  }

  it("are each remembered alike long, and cost no look into the tables when they are heard again", () => {
    const store = openStore(":memory:");
    for (let id = 1; id <= GATEWAYS; id++)
      store
        .prepare("INSERT INTO gateway (id, eui, first_at_us, last_at_us) VALUES (?, ?, ?, ?)")
        .run(id, `02005E10000000${id.toString(16).padStart(2, "0").toUpperCase()}`, START_US, START_US);
    const writer = new ReceptionWriter(countingReads(store), MOST);
    const keep = (i: number) => {
      const [gatewayId, reception, signal] = heard(i);
      expect(writer.deliveredBefore(gatewayId, soughtOf(reception, signal))).toBeNull();
      writer.keep(reception, signal);
    };
    expect(
      readsOf(() => {
        for (let i = 0; i < 10 * MOST; i++) keep(i);
      }),
    ).toBe(0);
    // 90 % of 100 for ten gateways: nine each at least, so all of the last 90 are recognised.
    for (let i = 10 * MOST - 90; i < 10 * MOST; i++) {
      const [gatewayId, reception, signal] = heard(i);
      expect(writer.deliveredBefore(gatewayId, soughtOf(reception, signal))).toBe(reception.arrivedUs);
    }
    const [gatewayId, reception, signal] = heard(10 * MOST - 120);
    expect(writer.deliveredBefore(gatewayId, soughtOf(reception, signal))).toBeNull();
  });
});

describe("a gateway whose counter stands still", () => {
  it.each([0, 4_711])("costs no more with every datagram: counter always %d", (tmstUs) => {
    const send = (i: number) => recorder.record([push(SHED, i / 10, [{ payload: phy(NODE, i), tmstUs }], i)]);
    for (let i = 0; i < 300; i++) send(i);
    expect(readsOf(() => send(300))).toBeLessThan(20);
    expect(rows("SELECT count(*) AS n FROM reception")).toEqual([{ n: 301 }]);
    expect(rows("SELECT heard FROM life")).toEqual([{ heard: 301 }]);
  });

  it("shows no restart when its counter is always 0", () => {
    for (let i = 0; i < 20; i++)
      recorder.record([push(SHED, i * 60, [{ payload: phy(NODE, i), tmstUs: 0 }], i)]);
    expect(rows("SELECT * FROM gateway_restart")).toEqual([]);
  });
});

/** Lives and counters, without row numbers. */
function accounted(store: Store): unknown[] {
  return [
    rows(
      `SELECT number, begun_by, reason, first_at_us, last_at_us, first_counter, last_counter, heard FROM life
       ORDER BY dev_addr, number`,
      store,
    ),
    rows(
      `SELECT f.at_us, f.counter, f.repeat, l.number FROM frame f LEFT JOIN life l ON l.id = f.life_id
       ORDER BY f.at_us, f.content`,
      store,
    ),
  ];
}

const FRAMES = 600;
const frameAt = (i: number) => push(SHED, i * 60, [{ payload: phy(NODE, i) }], i);
/** Ten years ahead. */
const fromTheFuture = () => push(SHED, 315_360_000, [{ payload: phy(NODE, FRAMES + 20) }], 1);

function inOrder(...items: ReturnType<typeof push>[]): Store {
  const store = openStore(":memory:");
  new Recorder(store).record([...items].sort((a, b) => a.arrival.atUs - b.arrival.atUs));
  return store;
}

describe("one frame far in the future", () => {
  const before = Array.from({ length: FRAMES }, (_, i) => frameAt(i));
  const after = Array.from({ length: 10 }, (_, i) => frameAt(FRAMES + i));

  it("leaves every later frame of its address as cheap as before", () => {
    recorder.record(before);
    recorder.record([fromTheFuture()]);
    recorder.record([frameAt(FRAMES)]);
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    for (const item of after.slice(1)) {
      // The frame itself, the one from the future, and the stored states of the address.
      expect(readsOf(() => recorder.record([item]))).toBeLessThan(50);
    }
    expect(accounted(db)).toEqual(accounted(inOrder(...before, ...after, fromTheFuture())));
  });
});

describe("a frame before much of its address's past", () => {
  const late = frameAt(3);
  const others = Array.from({ length: FRAMES }, (_, i) => frameAt(i)).filter((_, i) => i !== 3);

  it("is accounted in bounded steps behind the traffic, and then as if it had come in time", () => {
    recorder.record(others);
    expect(readsOf(() => recorder.record([late]))).toBeLessThan(200);
    expect(rows("SELECT count(*) AS n FROM account_due")).toEqual([{ n: 1 }]);
    let steps = 0;
    while (rows("SELECT 1 FROM account_due").length > 0 && steps < 100) {
      expect(readsOf(() => recorder.workOnGaps({ patient: true, nowUs: null }))).toBeLessThan(700);
      steps += 1;
    }
    expect(steps).toBe(2);
    expect(accounted(db)).toEqual(accounted(inOrder(...others, late)));
  });

  it("is taken up where it was left when the program starts again", () => {
    recorder.record(others);
    recorder.record([late]);
    recorder.workOnGaps({ patient: true, nowUs: null });
    recorder.close();
    const next = new Recorder(db);
    next.record([frameAt(FRAMES)]);
    while (next.workOnGaps({ patient: true, nowUs: null }));
    expect(accounted(db)).toEqual(accounted(inOrder(...others, late, frameAt(FRAMES))));
  });
});

describe("a start over many nodes", () => {
  it("takes up eight of their lives in a step of the search for gaps, the newest heard first", () => {
    recorder.record([manyPackets(20)]);
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    // Stopped without an end: the states of their lives were not stored, so that each is read again.
    const next = new Recorder(db);
    const steps: number[] = [];
    for (let isMore = true; isMore; ) {
      steps.push(
        readsOf(() => {
          isMore = next.workOnGaps({ patient: false, nowUs: null });
        }),
      );
    }
    // The list of 20 lives and a counter of each of eight; eight more; the last four, and what follows: nothing.
    expect(steps.slice(0, 2)).toEqual([28, 8]);
  });
});
