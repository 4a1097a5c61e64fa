import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  ASKED_BOTH_SIDES,
  ASKED_IN_LINE,
  ASKED_ONE_SIDED,
  quantileMs,
  roundTripClass,
} from "../../src/ledger/downlink-timing.ts";
import { openStore } from "../../src/store/open.ts";
import { rebuild } from "../../src/store/rebuild.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { downFrame, handOut, joinAccept, pullAck, pushAck, txAck } from "./down-traffic.ts";
import { joinRequest, phy, pull, push, SHED, START_US, TOWER } from "./traffic.ts";

const NODE = "01A2B3C4";

function setUp() {
  const db = openStore(":memory:");
  const recorder = new Recorder(db);
  const record = (...items: (DecodedArrival | DownlinkArrival)[]) => recorder.record(items);
  const rows = () =>
    db
      .prepare(
        `SELECT g.eui AS gateway, receive_window AS window, delay_us AS delayUs, lead_us AS leadUs, outcome, outcome_word AS word,
         airtime_us AS airtimeUs, power_tenths AS powerTenths, dev_addr AS devAddr, moment FROM downlink d
         LEFT JOIN gateway g ON g.id = d.gateway_id ORDER BY d.at_us, d.id`,
      )
      .all() as Record<string, unknown>[];
  return { db, recorder, record, rows };
}

describe("a downlink that passed", () => {
  it("is kept with its uplink, its window, its lead, its airtime and the gateway's word", () => {
    const { record, rows } = setUp();
    record(pull(SHED, 0), push(SHED, 10, [{ payload: phy(NODE, 1) }]));
    record(handOut(10.4, 11, downFrame(NODE, 1)));
    record(txAck(SHED, 10.41));
    expect(rows()).toEqual([
      {
        gateway: SHED,
        window: "rx1",
        delayUs: 1_000_000,
        leadUs: 600_000,
        outcome: "accepted",
        word: null,
        // 12 octets at SF9, no CRC: 12.25 + 23 symbols of 4.096 ms (SX1276 data sheet, 4.1.1.7)
        airtimeUs: 144_384,
        powerTenths: 140,
        devAddr: 0x01a2b3c4,
        moment: "counter",
      },
    ]);
  });

  it.each([
    ["rx1", 1, 868_300_000, 125_000],
    ["rx1", 5, 868_300_000, 125_000],
    ["rx2", 2, 869_525_000, 125_000],
    ["rx2", 6, 869_525_000, 125_000],
    ["rx1", 5, 926_900_000, 500_000],
    ["rx", 6, 923_300_000, 500_000],
    ["rx2", 2, 923_300_000, 500_000],
    // A millisecond of rounding either way, and no more, up to sixteen seconds.
    ["rx1", 0.999, 868_300_000, 125_000],
    ["rx1", 1.001, 868_300_000, 125_000],
    ["none", 0.9985, 868_300_000, 125_000],
    ["none", 1.0015, 868_300_000, 125_000],
    ["rx2", 16.001, 869_525_000, 125_000],
    ["none", 16.0015, 869_525_000, 125_000],
    ["none", 1.5, 868_300_000, 125_000],
    ["none", 17, 868_300_000, 125_000],
  ] as const)(
    "stands in %s, sent %s s after the uplink on %s Hz",
    (window, delayS, frequencyHz, bandwidthHz) => {
      const { record, rows } = setUp();
      record(pull(SHED, 0), push(SHED, 10, [{ payload: phy(NODE, 1) }]));
      record(handOut(10.4, 10 + delayS, downFrame(NODE, 1), { frequencyHz, bandwidthHz }));
      expect(rows()[0]?.window).toBe(window);
    },
  );

  it("goes to the gateway that called last from its address, where another one called from there before", () => {
    const { record, rows, db } = setUp();
    record(pull(SHED, 0), push(SHED, 10, [{ payload: phy(NODE, 1) }]));
    record(pull(TOWER, 3_600), push(TOWER, 3_610, [{ payload: phy(NODE, 2) }]));
    record(handOut(3_610.4, 3_611, downFrame(NODE, 1)));
    // Also after a restart, when nothing is in memory.
    new Recorder(db).record([handOut(3_611.4, 3_612, downFrame(NODE, 2))]);
    expect(rows().map(({ gateway }) => gateway)).toEqual([TOWER, TOWER]);
  });

  it("answers a join-request only when it is a join-accept, five or six seconds after it", () => {
    const { record, rows } = setUp();
    record(
      pull(SHED, 0),
      push(SHED, 10, [{ payload: joinRequest("02005E1000000A01", 1) }]),
      push(SHED, 10.5, [{ payload: phy(NODE, 1) }]),
      handOut(11, 15, joinAccept(), { token: 1 }),
      handOut(11, 16, joinAccept(), { token: 2, frequencyHz: 869_525_000 }),
      handOut(11, 11.5, joinAccept(), { token: 3 }),
      handOut(11, 15, downFrame(NODE, 1), { token: 4 }),
      handOut(11, 11.5, downFrame("01A2B3C5", 1), { token: 5 }),
    );
    expect(rows().map(({ window }) => window)).toEqual(["join-rx1", "join-rx2", "none", "none", "none"]);
  });

  it("has its lead told by the counter when no uplink is known, and none when it is sent at once", () => {
    const { record, rows } = setUp();
    record(pull(SHED, 0), push(SHED, 10, [{ payload: phy("01A2B3C5", 1) }]));
    record(handOut(20, 21.5, downFrame(NODE, 1)));
    record(handOut(21, 0, downFrame(NODE, 2), { moment: { kind: "immediate" } }));
    record(handOut(22, 0, downFrame(NODE, 3), { moment: { kind: "gps", gpsTimeMs: 1_000_000 } }));
    expect(rows().map(({ window, leadUs }) => [window, leadUs])).toEqual([
      ["none", 1_500_000],
      ["immediate", null],
      ["gps", null],
    ]);
  });

  it("is linked across the wrap of the gateway's counter", () => {
    const { record, rows } = setUp();
    const tmstUs = 2 ** 32 - 400_000;
    record(pull(SHED, 0), push(SHED, 10, [{ payload: phy(NODE, 1), tmstUs }]));
    record(handOut(10.3, 0, downFrame(NODE, 1), { moment: { kind: "counter", tmstUs: 600_000 } }));
    expect(rows()[0]).toMatchObject({ window: "rx1", delayUs: 1_000_000, leadUs: 700_000 });
  });

  it("is linked when its uplink comes in after it", () => {
    const { record, rows } = setUp();
    record(pull(SHED, 0));
    record(handOut(10.4, 11, downFrame(NODE, 1)));
    expect(rows()[0]?.window).toBe("none");
    record(push(SHED, 10, [{ payload: phy(NODE, 1) }]));
    record(pull(SHED, 12));
    expect(rows()[0]).toMatchObject({ window: "rx1", leadUs: 600_000 });
  });

  it("gets the answers to one token in order, and the answer also when that stands first", () => {
    const { record, rows } = setUp();
    record(pull(SHED, 0));
    record(handOut(1, 2, downFrame(NODE, 1)), handOut(1.5, 3, downFrame(NODE, 2)));
    record(txAck(SHED, 1.6, 77, { result: "refused", word: "TOO_LATE" }), txAck(SHED, 1.61, 77));
    record(txAck(SHED, 9.02, 5, { result: "refused", word: "COLLISION_PACKET" }));
    record(handOut(9, 10, downFrame(NODE, 3), { token: 5 }));
    expect(rows().map(({ outcome, word }) => [outcome, word])).toEqual([
      ["refused", "TOO_LATE"],
      ["accepted", null],
      ["refused", "COLLISION_PACKET"],
    ]);
  });

  it("is found to be a gateway's by its answer when it was not heard calling before", () => {
    const { record, rows } = setUp();
    record(handOut(1, 2, downFrame(NODE, 1)));
    expect(rows()[0]?.gateway).toBeNull();
    record(txAck(SHED, 1.02));
    expect(rows()[0]).toMatchObject({ gateway: SHED, outcome: "accepted" });
  });

  it("belongs to whom the relay says, whoever called from there before", () => {
    const { record, rows } = setUp();
    record(pull(SHED, 0));
    record({ ...handOut(1, 2, downFrame(NODE, 1), { door: "relay" }), gatewayEui: TOWER });
    expect(rows()[0]?.gateway).toBe(TOWER);
  });

  it("gets its answer again when everything is derived anew, whatever the order in which all came", () => {
    const said = fc.record({ token: fc.integer({ min: 1, max: 2 }), isAnswer: fc.boolean() });
    fc.assert(
      fc.property(fc.array(said, { maxLength: 24 }), fc.integer({ min: 1, max: 999 }), (all, seed) => {
        const items = all.map(({ token, isAnswer }, i) =>
          isAnswer
            ? txAck(SHED, 10 + i * 2.1, token, { powerDbm: i })
            : handOut(10 + i * 2.1, 12 + 2 * i, downFrame(NODE, i), { token }),
        );
        const outcomes = ({ db }: ReturnType<typeof setUp>) =>
          db
            .prepare(
              `SELECT at_us, token, outcome, outcome_word, outcome_at_us, sent_power_tenths, receive_window, lead_us
               FROM downlink ORDER BY at_us`,
            )
            .all();
        const live = setUp();
        live.record(pull(SHED, 0));
        for (const item of items) live.record(item);
        const expected = outcomes(live);
        rebuild(live.db, () => undefined);
        expect(outcomes(live)).toEqual(expected);

        const shuffled = setUp();
        shuffled.record(pull(SHED, 0));
        const inAnyOrder = items.map((item, i) => ({ item, place: (seed * (i + 7) * 7919) % 1009 }));
        for (const { item } of inAnyOrder.sort((a, b) => a.place - b.place)) shuffled.record(item);
        rebuild(shuffled.db, () => undefined);
        expect(outcomes(shuffled)).toEqual(expected);
      }),
      { numRuns: 24 },
    );
  });

  it("counts once, however often the capture is read, and is the same after everything is derived anew", () => {
    const { db, record, rows } = setUp();
    const items = [
      pull(SHED, 0),
      push(SHED, 10, [{ payload: phy(NODE, 1) }]),
      pushAck(10.02, 7),
      handOut(10.4, 11, downFrame(NODE, 1)),
      txAck(SHED, 10.41),
    ];
    record(...items);
    const once = rows();
    const trips = () => db.prepare("SELECT * FROM round_trip_minute ORDER BY 1, 2, 3, 4").all();
    const tripsOnce = trips();
    record(...items);
    expect(rows()).toEqual(once);
    expect(trips()).toEqual(tripsOnce);
    rebuild(db, () => undefined);
    expect(rows()).toEqual(once);
  });
});

describe("round trips to the server", () => {
  it("are paired by token and kind, counted by class, and missing ones after two seconds", () => {
    const { db, record, recorder } = setUp();
    const relay = (item: DecodedArrival): DecodedArrival => ({
      ...item,
      arrival: { ...item.arrival, door: "relay" },
    });
    record(
      relay(push(SHED, 0, [{ payload: phy(NODE, 1) }], 1)),
      pullAck(0.005, 1, "relay"),
      pushAck(0.02, 1, "relay"),
      relay(pull(SHED, 1, 2)),
      pullAck(1.04, 2, "relay"),
      relay(push(SHED, 2, [{ payload: phy(NODE, 2) }], 3)),
      relay(pull(SHED, 5, 4)),
    );
    recorder.settle();
    const minute = Math.floor(START_US / 60e6);
    const rows = db.prepare("SELECT minute, kind, class, count FROM round_trip_minute ORDER BY 2, 3").all();
    expect(rows).toEqual([
      { minute, kind: 0, class: ASKED_IN_LINE, count: 2 },
      { minute, kind: 0, class: 31, count: 1 },
      { minute, kind: 2, class: ASKED_IN_LINE, count: 1 },
      { minute, kind: 2, class: 35, count: 1 },
    ]);
    expect(quantileMs(new Map([[31, 1]]), 0.5)).toBeCloseTo(21.5, 1);
  });

  it("that stay unanswered are counted once each, with two under way and the same token again", () => {
    const { db, record } = setUp();
    const relay = (item: DecodedArrival): DecodedArrival => ({
      ...item,
      arrival: { ...item.arrival, door: "relay" },
    });
    const asked = (atS: number, token: number) =>
      relay(push(SHED, atS, [{ payload: phy(NODE, Math.round(10 * atS)) }], token));
    const counts = () => db.prepare("SELECT class, count FROM round_trip_minute ORDER BY 1").all();
    // Two are under way; 1 is asked once more while it waits: its first datagram stays unanswered.
    record(asked(0, 1), asked(0.5, 2), asked(1, 1));
    expect(counts()).toEqual([{ class: ASKED_IN_LINE, count: 1 }]);
    record(pushAck(1.02, 1, "relay"));
    expect(counts()).toEqual(
      [
        { class: ASKED_IN_LINE, count: 2 },
        { class: 31, count: 1 },
      ].sort((a, b) => a.class - b.class),
    );
    // 2 has waited for more than two seconds, also at each of the next.
    record(asked(5, 3), pushAck(5.02, 3, "relay"), asked(9, 4), pushAck(9.02, 4, "relay"));
    expect(counts()).toEqual(
      [
        { class: ASKED_IN_LINE, count: 5 },
        { class: 31, count: 3 },
      ].sort((a, b) => a.class - b.class),
    );
  });

  it("are counted though another program writes to the store, or holds it, in between", () => {
    const folder = mkdtempSync(join(tmpdir(), "mastlog-round-trips-"));
    const path = join(folder, "site.db");
    const db = openStore(path);
    const other = openStore(path);
    const recorder = new Recorder(db);
    db.pragma("busy_timeout = 1");
    const captured = (atS: number, token: number) => push(SHED, atS, [{ payload: phy(NODE, token) }], token);
    const relay = (item: DecodedArrival): DecodedArrival => ({
      ...item,
      arrival: { ...item.arrival, door: "relay" },
    });
    const otherWrites = () => other.prepare("UPDATE gateway SET eui = eui").run();
    // In line: 1 is answered after another's commit, 2 after a commit that could not begin, 3 never.
    recorder.record([relay(pull(SHED, 0, 1)), relay(pull(SHED, 0.1, 2)), relay(pull(SHED, 0.2, 3))]);
    otherWrites();
    recorder.record([pullAck(0.5, 1, "relay")]);
    other.exec("BEGIN IMMEDIATE");
    expect(() => recorder.record([pullAck(0.6, 2, "relay")])).toThrow("locked");
    other.exec("COMMIT");
    recorder.record([pullAck(0.6, 2, "relay"), relay(pull(SHED, 5, 4))]);
    const counts = (kind: number) =>
      db.prepare("SELECT class, count FROM round_trip_minute WHERE kind = ? ORDER BY 1").all(kind);
    expect(counts(2)).toEqual([
      { class: ASKED_IN_LINE, count: 3 },
      { class: roundTripClass(500_000), count: 2 },
    ]);
    // A capture with both sides: 6 is answered after another's commit, 7 never.
    recorder.record([captured(10, 5), pushAck(10.03, 5), captured(11, 6), captured(12, 7)]);
    otherWrites();
    recorder.record([pushAck(11.03, 6)]);
    otherWrites();
    recorder.settle();
    expect(counts(0)).toEqual([
      { class: ASKED_BOTH_SIDES, count: 3 },
      { class: roundTripClass(30_000), count: 2 },
    ]);
    db.close();
    other.close();
    rmSync(folder, { recursive: true });
  });

  it("of a capture are marked as such, and its end is the end of waiting", () => {
    const { db, record, recorder } = setUp();
    record(push(SHED, 0, [{ payload: phy(NODE, 1) }], 1));
    expect(db.prepare("SELECT count(*) FROM round_trip_minute").pluck().get()).toBe(0);
    recorder.settle();
    expect(db.prepare("SELECT class, count FROM round_trip_minute").all()).toEqual([
      { class: ASKED_ONE_SIDED, count: 1 },
    ]);
  });

  it("of a capture that is one-sided are counted once each, however many wait at once", () => {
    const { db, record, recorder } = setUp();
    // More than may wait: the oldest leave while others come. A datagram each 10 ms, 12,500 in 125 s.
    const all = 12_500;
    for (let from = 0; from < all; from += 500)
      record(...Array.from({ length: 500 }, (_, i) => pull(SHED, (from + i) / 100, (from + i) % 65_536)));
    const stored = () => db.prepare("SELECT class, sum(count) AS count FROM round_trip_minute").all();
    // The first 10,001st made 1,000 leave, and so on: 10,000 wait at most, 9,001 at least.
    expect(stored()).toEqual([{ class: ASKED_ONE_SIDED, count: 3_000 }]);
    recorder.settle();
    expect(stored()).toEqual([{ class: ASKED_ONE_SIDED, count: all }]);
  });
});
