import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { type FieldView, FrameView, ReceptionPage } from "../../src/contract/index.ts";
import type { Store } from "../../src/store/open.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { frameView, type ReceptionQuery, receptionPage, rowsAfter } from "../../src/views/receptions.ts";
import { joinRequest, phy, push, SHED, TOWER } from "../store/traffic.ts";
import { moment, siteOf, windowOf } from "./a-site.ts";

const PROBE = "01A2B3C4";
const PUMP = "01000001";

/** All pages of a question; how many rows each had. */
function allPages(store: Store, question: Omit<ReceptionQuery, "before">) {
  const rows: { id: number; at: string }[] = [];
  const sizes: number[] = [];
  let before: string | undefined;
  do {
    const page = receptionPage(store, { ...question, before });
    if (page === null) throw new Error("no page");
    rows.push(...page.receptions);
    sizes.push(page.receptions.length);
    before = page.next ?? undefined;
  } while (before !== undefined);
  return { rows, sizes };
}

function page(store: Store, question: Partial<ReceptionQuery> = {}) {
  const answer = receptionPage(store, { window: windowOf(0, 1000), limit: 100, ...question });
  if (answer !== null) expect(ReceptionPage.parse(answer)).toEqual(answer);
  return answer;
}

describe("paging through receptions", () => {
  it("shows each once, newest first, whatever the page's size and however many share a moment", () => {
    fc.assert(
      fc.property(
        fc.array(fc.tuple(fc.integer({ min: 0, max: 12 }), fc.integer({ min: 1, max: 4 })), {
          minLength: 1,
          maxLength: 12,
        }),
        fc.integer({ min: 1, max: 9 }),
        (datagrams, limit) => {
          let counter = 0;
          const db = siteOf(
            datagrams.map(([atS, packets], token) =>
              push(
                SHED,
                atS,
                Array.from({ length: packets }, () => ({
                  payload: phy(PROBE, counter++),
                  frequencyHz: 868_100_000 + 200_000 * (counter % 4),
                })),
                token,
              ),
            ),
          );
          const stored = db.prepare("SELECT id FROM reception ORDER BY at_us DESC, id DESC").pluck().all();
          const { rows, sizes } = allPages(db, { window: windowOf(-1, 100), limit });
          expect(rows.map(({ id }) => id)).toEqual(stored);
          for (const size of sizes.slice(0, -1)) expect(size).toBe(limit);
          db.close();
        },
      ),
      { numRuns: 40 },
    );
  });

  it("keeps to the window: its begin belongs to it, its end does not", () => {
    const db = siteOf([10, 20, 30].map((atS, n) => push(SHED, atS, [{ payload: phy(PROBE, n) }])));
    const at = page(db, { window: windowOf(10, 30) })?.receptions.map((row) => row.at);
    expect(at).toEqual([moment(20), moment(10)]);
  });

  it("goes on where it stood when newer receptions come in between", () => {
    const db = siteOf([1, 2, 3, 4].map((atS, n) => push(SHED, atS, [{ payload: phy(PROBE, n) }])));
    const first = page(db, { limit: 2 });
    const before = first?.next ?? "";
    db.prepare(
      `INSERT INTO reception (gateway_id, at_us, tmst_key, crc, data_rate, coding_rate, antenna, airtime_us)
       SELECT gateway_id, max(at_us) + 5000000, 1, 1, data_rate, coding_rate, 0, 1000 FROM reception`,
    ).run();
    expect(page(db, { limit: 2, before })?.receptions.map((row) => row.at)).toEqual([moment(2), moment(1)]);
  });

  it("can be narrowed to a gateway, and to a life of a node", () => {
    const db = siteOf([
      push(SHED, 1, [{ payload: phy(PROBE, 0) }]),
      push(TOWER, 1.05, [{ payload: phy(PROBE, 0), tmstUs: 3 }]),
      push(SHED, 2, [{ payload: phy(PUMP, 0) }]),
      push(SHED, 3, [{ payload: phy(PUMP, 1) }]),
    ]);
    expect(page(db, { gatewayEui: TOWER })?.receptions.map(({ gatewayEui }) => gatewayEui)).toEqual([TOWER]);
    expect(page(db, { devAddr: PUMP, life: 1 })?.receptions.map(({ devAddr }) => devAddr)).toEqual([
      PUMP,
      PUMP,
    ]);
    expect(page(db, { devAddr: PROBE, gatewayEui: SHED })?.receptions).toHaveLength(1);
  });

  it("has no answer for an unknown life or a cursor that is none", () => {
    const db = siteOf([push(SHED, 1, [{ payload: phy(PROBE, 0) }])]);
    expect(page(db, { devAddr: PUMP })).toBeNull();
    expect(page(db, { devAddr: PROBE, life: 2 })).toBeNull();
    for (const before of ["", "now", "12-", "-3", "1e9-1", "1-1-1"]) expect(page(db, { before })).toBeNull();
  });
});

describe("one reception", () => {
  it("says what was heard, where, how well, and by whose node", () => {
    const db = siteOf([push(SHED, 5, [{ payload: phy(PROBE, 7), snrDb: -3.5, rssiDbm: -117 }])]);
    writeLabel(db, { kind: "gateway", id: SHED, name: "Packing shed" });
    writeLabel(db, { kind: "node", id: PROBE, name: "Frost probe row 12" });
    expect(page(db)?.receptions[0]).toMatchObject({
      at: moment(5),
      gatewayEui: SHED,
      gatewayName: "Packing shed",
      devAddr: PROBE,
      nodeName: "Frost probe row 12",
      life: 1,
      messageType: "UnconfirmedDataUp",
      counter: 7,
      port: 2,
      repeat: false,
      ghost: false,
      crc: "ok",
      frequencyHz: 868_300_000,
      dataRate: "SF9BW125",
      codingRate: "4/5",
      rssiDbm: -117,
      signalRssiDbm: null,
      snrDb: -3.5,
      marginDb: 9,
      size: 17,
    });
  });

  it("is named for what it is instead of a frame", () => {
    const db = siteOf([
      push(SHED, 1, [{ payload: phy(PROBE, 0), crc: "bad" }]),
      push(SHED, 2, [{ payload: phy(PROBE, 1), crc: "none" }]),
      push(SHED, 3, [{ payload: Uint8Array.from([0x40, 1]) }]),
      push(SHED, 4, [{ payload: joinRequest("02005E10000000B1", 3) }]),
    ]);
    const rows = page(db)?.receptions ?? [];
    expect(rows.map(({ messageType, devAddr }) => [messageType, devAddr])).toEqual([
      ["JoinRequest", null],
      ["not LoRaWAN", null],
      ["no CRC", null],
      ["CRC failed", null],
    ]);
  });

  it("is told as a ghost when a far stronger copy on another channel proves it one", () => {
    const payload = phy(PROBE, 0);
    const db = siteOf([
      push(SHED, 1, [
        { payload, snrDb: 9, rssiDbm: -60 },
        { payload, snrDb: -12, rssiDbm: -115, frequencyHz: 868_500_000 },
      ]),
    ]);
    expect(page(db)?.receptions.map(({ ghost, messageType }) => [ghost, messageType])).toContainEqual([
      true,
      "ghost",
    ]);
  });

  it("is read after another with its frame, in the order in which they were stored, as far as frames may be told", () => {
    const db = siteOf([1, 2, 3].map((atS, n) => push(SHED, atS, [{ payload: phy(PROBE, n) }])));
    const all = rowsAfter(db, { receptionId: 0, frameId: 0, frameUpTo: 2, most: 100 });
    expect(all.receptions.map(({ id, counter }) => [id, counter])).toEqual([
      [1, 0],
      [2, 1],
      [3, 2],
    ]);
    expect(all.frames.map(({ id, counter }) => [id, counter])).toEqual([
      [1, 0],
      [2, 1],
    ]);
    expect(all.newest).toEqual({ receptionId: 3, frameId: 3 });
    const rest = rowsAfter(db, { receptionId: 1, frameId: 2, frameUpTo: 3, most: 1 });
    expect([rest.receptions.map(({ id }) => id), rest.frames.map(({ id }) => id)]).toEqual([[2], [3]]);
  });
});

describe("one frame opened", () => {
  const frameIds = (db: Store) => db.prepare("SELECT id FROM frame ORDER BY id").pluck().all() as number[];

  /** Fields beside each other leave no octet out and overlap nowhere; those beneath a field lie in it. */
  function expectCover(fields: readonly FieldView[], from: number, size: number): void {
    let at = from;
    for (const field of fields) {
      expect(field.at).toBe(at);
      at += field.size;
    }
    expect(at).toBe(from + size);
  }

  it.each([
    ["a data frame", phy(PROBE, 300)],
    ["a join-request", joinRequest("02005E10000000B1", 300)],
  ])("names every octet of %s", (_, payload) => {
    const db = siteOf([push(SHED, 1, [{ payload }])]);
    const [id] = frameIds(db);
    const view = frameView(db, id ?? 0);
    if (view === null) throw new Error("no frame");
    expect(FrameView.parse(view)).toEqual(view);
    expect(view.hex).toBe(Buffer.from(payload).toString("hex").toUpperCase());
    expect(Buffer.from(view.base64, "base64")).toEqual(Buffer.from(payload));
    expect(view.fault).toBeNull();
    expectCover(view.fields, 0, payload.length);
  });

  it("shows who heard it, the best first", () => {
    const db = siteOf([
      push(SHED, 1, [{ payload: phy(PROBE, 0), snrDb: -4 }]),
      push(TOWER, 1.05, [{ payload: phy(PROBE, 0), snrDb: 6, tmstUs: 3 }]),
    ]);
    const [id] = frameIds(db);
    const view = frameView(db, id ?? 0);
    expect(view?.receptions.map(({ gatewayEui }) => gatewayEui)).toEqual([TOWER, SHED]);
    expect(view?.at).toBe(moment(1));
  });

  it("has no answer for an id that is none", () => {
    const db = siteOf([push(SHED, 1, [{ payload: phy(PROBE, 0) }])]);
    expect(frameView(db, 4711)).toBeNull();
    expect(frameView(db, -1)).toBeNull();
  });
});
