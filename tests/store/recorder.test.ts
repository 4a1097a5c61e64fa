import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import fc from "fast-check";
import { beforeEach, describe, expect, it, onTestFinished } from "vitest";
import { openStore, type Store } from "../../src/store/open.ts";
import { rebuild } from "../../src/store/rebuild.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { arrivalOf, decoded, joinRequest, phy, pull, push, SHED, START_US, TOWER } from "./traffic.ts";

const NODE = "01A2B3C4";

let db: Store;
let recorder: Recorder;
beforeEach(() => {
  db = openStore(":memory:");
  recorder = new Recorder(db);
});

function rows(sql: string, store = db): unknown[] {
  return store.prepare(sql).all();
}

/** Everything derived, without row numbers: what order and repetition must not change. */
function derived(store: Store): unknown {
  return {
    frames: rows(
      `SELECT printf('%08X', f.dev_addr) AS addr, f.dev_eui, f.at_us, f.fcnt, f.counter, f.repeat, l.number AS life,
       f.airtime_us, (SELECT count(*) FROM reception r WHERE r.frame_id = f.id) AS receptions
       FROM frame f LEFT JOIN life l ON l.id = f.life_id ORDER BY f.dev_addr, f.at_us, f.content, f.frequency_hz`,
      store,
    ),
    lives: rows(
      `SELECT dev_addr, number, begun_by, reason, first_at_us, last_at_us, first_counter, last_counter, heard
       FROM life ORDER BY dev_addr, number`,
      store,
    ),
    channelMinutes: rows(
      `SELECT g.eui, c.frequency_hz, c.minute, c.receptions, c.crc_bad, c.airtime_us, c.busy_us
       FROM channel_minute c JOIN gateway g ON g.id = c.gateway_id WHERE c.receptions + c.airtime_us > 0
       ORDER BY 1, 2, 3`,
      store,
    ),
    gatewayMinutes: rows(
      `SELECT g.eui, m.minute, m.crc_ok, m.crc_bad, m.crc_none, m.keepalives
       FROM gateway_minute m JOIN gateway g ON g.id = m.gateway_id
       WHERE m.crc_ok + m.crc_bad + m.crc_none + m.keepalives > 0 ORDER BY 1, 2`,
      store,
    ),
  };
}

describe("recording datagrams", () => {
  it("makes one frame of what two gateways heard, with a reception each", () => {
    recorder.record([
      push(SHED, 1, [{ payload: phy(NODE, 5) }]),
      push(TOWER, 1.08, [{ payload: phy(NODE, 5), tmstUs: 777 }]),
    ]);
    expect(rows("SELECT fcnt, counter, repeat FROM frame")).toEqual([{ fcnt: 5, counter: 5, repeat: 0 }]);
    expect(rows("SELECT count(*) AS n FROM reception")).toEqual([{ n: 2 }]);
  });

  it("counts a transmission on another channel a few seconds later as a repeat", () => {
    recorder.record([
      push(SHED, 1, [{ payload: phy(NODE, 5) }]),
      push(SHED, 4, [{ payload: phy(NODE, 5), frequencyHz: 868_100_000 }]),
      push(SHED, 60, [{ payload: phy(NODE, 6) }]),
    ]);
    expect(rows("SELECT counter, repeat FROM frame ORDER BY at_us")).toEqual([
      { counter: 5, repeat: 0 },
      { counter: 5, repeat: 1 },
      { counter: 6, repeat: 0 },
    ]);
    expect(rows("SELECT heard, first_counter, last_counter FROM life")).toEqual([
      { heard: 2, first_counter: 5, last_counter: 6 },
    ]);
  });

  it("keeps a gateway's two antennas as two receptions of one frame, and its airtime once", () => {
    const antenna = (antenna: number, snrDb: number) => ({
      antenna,
      ifChannel: 1,
      rssiDbm: -100 - antenna,
      signalRssiDbm: -101,
      snrDb,
      frequencyOffsetHz: 12,
    });
    recorder.record([push(SHED, 1, [{ payload: phy(NODE, 1), signals: [antenna(0, 5), antenna(1, 2)] }])]);
    expect(rows("SELECT count(*) AS n FROM frame")).toEqual([{ n: 1 }]);
    const receptions = rows(
      "SELECT antenna, snr_tenths, airtime_us > 0 AS air FROM reception ORDER BY antenna",
    );
    expect(receptions).toEqual([
      { antenna: 0, snr_tenths: 50, air: 1 },
      { antenna: 1, snr_tenths: 20, air: 0 },
    ]);
    expect(rows("SELECT sum(airtime_us) = sum(busy_us) AS same FROM channel_minute")).toEqual([{ same: 1 }]);
  });

  it("changes nothing when the same traffic is recorded a second time", () => {
    const traffic = [
      pull(SHED, 0),
      push(SHED, 1, [{ payload: phy(NODE, 5) }, { payload: phy("01000001", 9), frequencyHz: 868_100_000 }]),
      push(SHED, 61, [{ payload: phy(NODE, 6) }]),
      decoded(arrivalOf(Uint8Array.from([9, 9, 9]), START_US)),
    ];
    recorder.record(traffic);
    const dump = () =>
      [
        "gateway",
        "datagram",
        "reception",
        "frame",
        "life",
        "refusal",
        "refusal_sample",
        "channel_minute",
      ].map((table) => rows(`SELECT * FROM ${table}`));
    const before = dump();
    const again = recorder.record(traffic);
    expect(dump()).toEqual(before);
    expect(again.knownAlready).toBe(4);
    // and the same from a process that has it all from the file
    new Recorder(db).record(traffic);
    expect(dump()).toEqual(before);
  });

  it("takes a byte-identical datagram within two seconds for one, and counts it as a duplicate", () => {
    recorder.record([push(SHED, 1, [{ payload: phy(NODE, 5) }])]);
    const late = push(SHED, 1, [{ payload: phy(NODE, 5) }]);
    recorder.record([{ ...late, arrival: { ...late.arrival, atUs: late.arrival.atUs + 400_000 } }]);
    expect(rows("SELECT count(*) AS n FROM reception")).toEqual([{ n: 1 }]);
    expect(rows("SELECT reason, count FROM refusal")).toEqual([{ reason: "duplicate", count: 1 }]);
  });

  it("takes a reception that a gateway delivers twice under two tokens for one", () => {
    recorder.record([
      push(SHED, 1, [{ payload: phy(NODE, 5) }], 1),
      decoded({ ...push(SHED, 1, [{ payload: phy(NODE, 5) }], 2).arrival, atUs: START_US + 1_030_000 }),
    ]);
    expect(rows("SELECT count(*) AS n FROM reception")).toEqual([{ n: 1 }]);
    expect(rows("SELECT count(*) AS n FROM frame")).toEqual([{ n: 1 }]);
  });

  it("sets a ghost aside, whichever of the two comes first", () => {
    const strong = { payload: phy(NODE, 5), frequencyHz: 868_300_000, rssiDbm: -35, tmstUs: 1_000_000 };
    const weak = { payload: phy(NODE, 5), frequencyHz: 867_300_000, rssiDbm: -100, tmstUs: 1_000_002 };
    for (const pair of [
      [strong, weak],
      [weak, strong],
    ]) {
      const store = openStore(":memory:");
      new Recorder(store).record([push(SHED, 1, pair)]);
      expect(rows("SELECT frequency_hz, repeat FROM frame", store)).toEqual([
        { frequency_hz: 868_300_000, repeat: 0 },
      ]);
      expect(rows("SELECT sum(ghost) AS n FROM reception", store)).toEqual([{ n: 1 }]);
      expect(
        rows("SELECT frequency_hz FROM channel_minute WHERE airtime_us > 0 AND receptions > 0", store),
      ).toEqual([{ frequency_hz: 868_300_000 }]);
      expect(rows("SELECT crc_ok FROM gateway_minute", store)).toEqual([{ crc_ok: 1 }]);
    }
  });

  it("never lets a packet with a wrong CRC touch a node, but counts its airtime", () => {
    recorder.record([push(SHED, 1, [{ payload: phy(NODE, 5), crc: "bad" }])]);
    expect(rows("SELECT * FROM frame")).toEqual([]);
    expect(rows("SELECT receptions, crc_bad, airtime_us > 0 AS air FROM channel_minute")).toEqual([
      { receptions: 1, crc_bad: 1, air: 1 },
    ]);
  });

  it("dates a restart of the concentrator where its counter stood at zero, and none when the counter runs on", () => {
    recorder.record([
      push(SHED, 100, [{ payload: phy(NODE, 1), tmstUs: 900_000_000 }]),
      push(SHED, 200, [{ payload: phy(NODE, 2), tmstUs: 1_000_000_000 }]),
      push(SHED, 400, [{ payload: phy(NODE, 3), tmstUs: 35_000_000 }]),
      push(SHED, 500, [{ payload: phy(NODE, 4), tmstUs: 135_000_000 }]),
    ]);
    expect(rows("SELECT at_us FROM gateway_restart")).toEqual([{ at_us: START_US + 365_000_000 }]);
  });

  it("begins a life by a join when a join-request was heard before the fall", () => {
    recorder.record([
      push(SHED, 1, [{ payload: phy(NODE, 300) }]),
      push(SHED, 61, [{ payload: phy(NODE, 301) }]),
      push(SHED, 100, [{ payload: joinRequest("02005E10000000FE", 4) }]),
      push(SHED, 110, [{ payload: phy(NODE, 0, 9) }]),
    ]);
    expect(rows("SELECT number, begun_by, reason FROM life ORDER BY number")).toEqual([
      { number: 1, begun_by: "first-heard", reason: "first heard with counter 300" },
      {
        number: 2,
        begun_by: "join",
        reason: "counter fell from 301 to 0 after a join-request of 02005E10000000FE",
      },
    ]);
  });

  it("counts every refusal and keeps the newest twenty samples of a reason", () => {
    for (let i = 0; i < 60; i++) recorder.record([decoded(arrivalOf(Uint8Array.from([2, i]), START_US + i))]);
    expect(rows("SELECT reason, count, refused FROM refusal")).toEqual([
      { reason: "short", count: 60, refused: 1 },
    ]);
    expect(rows("SELECT count(*) AS n, min(at_us) AS oldest FROM refusal_sample")).toEqual([
      { n: 20, oldest: START_US + 40 },
    ]);
  });

  it("notices another connection's writing and takes up from there", () => {
    const folder = mkdtempSync(join(tmpdir(), "mastlog-"));
    onTestFinished(() => rmSync(folder, { recursive: true }));
    db = openStore(join(folder, "site.db"));
    recorder = new Recorder(db);
    const other = new Recorder(openStore(join(folder, "site.db")));
    recorder.record([push(SHED, 1, [{ payload: phy(NODE, 1) }])]);
    other.record([push(SHED, 61, [{ payload: phy(NODE, 2) }])]);
    recorder.record([push(SHED, 121, [{ payload: phy(NODE, 3) }])]);
    expect(rows("SELECT number, heard, last_counter FROM life")).toEqual([
      { number: 1, heard: 3, last_counter: 3 },
    ]);
  });

  it("rolls back a failed batch whole and counts on from what is stored", () => {
    recorder.record([push(SHED, 1, [{ payload: phy(NODE, 1) }])]);
    db.exec("CREATE TRIGGER full BEFORE INSERT ON frame BEGIN SELECT raise(ABORT, 'disk full'); END");
    expect(() => recorder.record([push(SHED, 61, [{ payload: phy(NODE, 2) }])])).toThrow("disk full");
    db.exec("DROP TRIGGER full");
    recorder.record([push(SHED, 61, [{ payload: phy(NODE, 2) }])]);
    expect(rows("SELECT heard, last_counter FROM life")).toEqual([{ heard: 2, last_counter: 2 }]);
    expect(rows("SELECT sum(receptions) AS n FROM channel_minute")).toEqual([{ n: 2 }]);
  });
});

describe("the frames of the last seconds", () => {
  const frame = phy("01F2B110", 5);
  const frames = () =>
    rows(
      "SELECT f.id, count(r.id) AS hearings FROM frame f JOIN reception r ON r.frame_id = f.id GROUP BY 1",
    );
  const astray = () =>
    rows("SELECT id FROM reception WHERE frame_id IS NULL OR frame_id NOT IN (SELECT id FROM frame)");

  it("are not joined when their commit was taken back", () => {
    recorder.record([push(SHED, 0, [{ payload: phy("01F2B111", 1) }])]);
    const batch = [
      push(SHED, 60, [{ payload: frame }]),
      push(SHED, 60.2, [{ payload: phy("01F2B111", 2) }], 8),
    ];
    const isEnough = () => {
      throw new Error("the disk is gone");
    };
    expect(() => recorder.record(batch, { isEnough })).toThrow("the disk is gone");
    recorder.record([push(TOWER, 60.1, [{ payload: frame, tmstUs: 1_000 }])]);
    expect(astray()).toEqual([]);
    expect(frames()).toMatchObject([{ hearings: 1 }, { hearings: 1 }]);
    recorder.record([push(SHED, 60.3, [{ payload: frame }])]);
    expect(frames()).toMatchObject([{ hearings: 1 }, { hearings: 2 }]);
  });

  it("are joined when another program wrote them meanwhile", () => {
    const folder = mkdtempSync(join(tmpdir(), "mastlog-frames-"));
    onTestFinished(() => rmSync(folder, { recursive: true, force: true }));
    db = openStore(join(folder, "site.db"));
    recorder = new Recorder(db);
    const other = new Recorder(openStore(join(folder, "site.db")));
    recorder.record([push(SHED, 0, [{ payload: phy("01F2B111", 1) }])]);
    other.record([push(SHED, 60, [{ payload: frame }])]);
    recorder.record([push(TOWER, 60.1, [{ payload: frame, tmstUs: 1_000 }])]);
    expect(astray()).toEqual([]);
    expect(frames()).toMatchObject([{ hearings: 1 }, { hearings: 2 }]);
  });

  it("are found in the tables when a clock ran an hour ahead in between", () => {
    recorder.record([push(SHED, 0, [{ payload: frame }])]);
    recorder.record([push(SHED, 3600, [{ payload: phy("01F2B111", 1) }])]);
    recorder.record([push(TOWER, 0.1, [{ payload: frame, tmstUs: 1_000 }])]);
    expect(frames()).toMatchObject([{ hearings: 2 }, { hearings: 1 }]);
  });
});

describe("order, repetition and division of the traffic", () => {
  /** Twelve minutes of three nodes at two gateways with losses, repeats, a reset and CRC failures. */
  function traffic(losses: readonly boolean[]): DecodedArrival[] {
    const all: DecodedArrival[] = [];
    let draw = 0;
    const lost = () => losses[draw++ % losses.length] ?? false;
    for (let minute = 0; minute < 12; minute++) {
      all.push(pull(SHED, minute * 60, minute), pull(TOWER, minute * 60 + 5, minute));
      for (const [index, node] of [NODE, "01000001", "02000002"].entries()) {
        const atS = minute * 60 + 7 + index * 0.15;
        const counter = index === 1 && minute >= 6 ? minute - 6 : 65_530 + minute;
        const body = index === 1 && minute >= 6 ? 1 : 2;
        const payload = phy(node, counter, body);
        const heardBy = [SHED, TOWER].filter(() => !lost());
        for (const gateway of heardBy)
          all.push(push(gateway, atS + (gateway === TOWER ? 0.3 : 0), [{ payload }], minute));
        if (index === 2 && heardBy.length > 0 && !lost()) {
          all.push(push(SHED, atS + 3, [{ payload, frequencyHz: 868_500_000 }], 100 + minute));
        }
      }
      all.push(push(SHED, minute * 60 + 30, [{ payload: phy(NODE, 1), crc: "bad" }], 200 + minute));
    }
    return all;
  }

  it("never shows in what is derived, nor does deriving it all again", () => {
    const arbitrary = fc.record({
      losses: fc.array(fc.boolean(), { minLength: 5, maxLength: 17 }),
      order: fc.array(fc.nat(), { minLength: 120, maxLength: 120 }),
      doubled: fc.array(fc.nat(100), { maxLength: 20 }),
      batch: fc.integer({ min: 1, max: 40 }),
    });
    fc.assert(
      fc.property(arbitrary, ({ losses, order, doubled, batch }) => {
        const inOrder = traffic(losses);
        const one = openStore(":memory:");
        new Recorder(one).record(inOrder);

        const shuffled = inOrder
          .map((item, i) => ({ item, by: order[i % order.length] ?? 0, i }))
          .sort((a, b) => a.by - b.by || a.i - b.i)
          .map(({ item }) => item);
        for (const at of doubled) {
          const item = shuffled[at % shuffled.length];
          if (item !== undefined) shuffled.push(item);
        }
        const two = openStore(":memory:");
        const second = new Recorder(two);
        for (let i = 0; i < shuffled.length; i += batch) second.record(shuffled.slice(i, i + batch));

        expect(derived(two)).toEqual(derived(one));
        rebuild(two, () => undefined);
        expect(derived(two)).toEqual(derived(one));
        one.close();
        two.close();
      }),
      { numRuns: 40 },
    );
  });
});
