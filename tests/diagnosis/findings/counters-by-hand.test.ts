/** What the counters, the joins and a shared address weigh, each piece whole, both sides of each limit. Counted by hand. */
import { describe, expect, it } from "vitest";
import { counterEvidence, joinsOfDevice, sharedEvidence } from "../../../src/diagnosis/findings/counters.ts";
import type { EvidencePiece } from "../../../src/diagnosis/findings/evidence.ts";
import { sightOf } from "../../../src/diagnosis/findings/observations.ts";
import type { NextLife, Scene, SceneGap, SceneReception } from "../../../src/model/gap.ts";
import { every, gateway, heard, MINUTE, said, scene } from "./by-minutes.ts";

/** A node each minute up to the gap at 100 and from 200 on: its counter stood still. */
const silent = [...every(1, 40, 100), ...every(1, 200, 260).map((one, i) => ({ ...one, counter: 101 + i }))];
const SILENCE = { kind: "silence", missed: 0, heard: 0 } as const;
const pieces = (
  receptions: readonly SceneReception[],
  gap: Partial<SceneGap> = {},
  more: Partial<Scene> = {},
): EvidencePiece[] => counterEvidence(sightOf(scene(receptions, gap, more)));
const only = (all: readonly EvidencePiece[]) => {
  const [piece, ...others] = all;
  if (piece === undefined || others.length > 0) throw new Error(`${all.length} pieces`);
  return { ...piece, sentence: said(piece) };
};
const restsOn = { fromUs: 100 * MINUTE, toUs: 200 * MINUTE, ofNode: true, gatewayEui: null };
const of = (weight: number, ...causes: string[]) =>
  Object.fromEntries(causes.map((cause) => [cause, weight]));
const LOST = [
  "gateway-unreachable",
  "gateway-restarted",
  "weak-link",
  "interference",
  "congestion",
  "channel-mismatch",
  "gateway-transmitting",
];

describe("a counter that went on", () => {
  const tenOf = every(1, 40, 260, [110, 111, 112, 120, 121, 130, 140, 150, 160, 170]);

  it("says how far, how much was due, and which share was lost", () => {
    expect(only(pieces(tenOf, { heard: 89 }))).toEqual({
      sentence:
        "It continued to send: its counter advanced by 100, 100 were due by its rhythm, and 10 % of them were lost.",
      lane: "counters",
      restsOn,
      weights: of(-5, "node-silent", "node-restarted", "rejoin-loop"),
    });
    expect(only(pieces(tenOf, { heard: 89, expectedByRhythm: null })).sentence).toBe(
      "It continued to send: its counter advanced by 100, and 10 % of them were lost.",
    );
  });

  it("says less against a silence where it advanced by less than six tenths of what was due", () => {
    const silence = (expectedByRhythm: number | null) =>
      only(pieces(tenOf, { heard: 89, expectedByRhythm })).weights["node-silent"];
    expect([166, 167, 0, null].map(silence)).toEqual([-5, -2, -5, -5]);
  });

  it("speaks for the link where all was lost: a quarter a counter, up to 1.3; five are no collision", () => {
    const weights = (missed: number) => {
      const gone = every(
        1,
        40,
        260,
        Array.from({ length: 99 }, (_, i) => 101 + i),
      );
      return only(pieces(gone, { missed, heard: 0 })).weights;
    };
    const rest = { ...of(-2, "node-silent", "node-restarted", "rejoin-loop"), "channel-mismatch": -0.5 };
    expect(weights(3)).toEqual({ ...rest, "weak-link": 0.75, congestion: 0 });
    expect(weights(4).congestion).toBe(0);
    expect(weights(5)).toEqual({ ...rest, "weak-link": 1.25, congestion: -2 });
    expect(weights(6)["weak-link"]).toBe(1.3);
  });
});

describe("a silence that ended with the next counter", () => {
  it("is the node's own, and proved where its intervals do not explain it", () => {
    // 61 frames before, a minute apart: of a hundred minutes by rank (1/100)² / 61, and (1 + 100/60) to the power of -60.
    expect(only(pieces(silent, SILENCE))).toMatchObject({
      sentence: expect.stringMatching(
        /^Its counter did not advance over 1 h 40 min, 100 were due by its rhythm: nothing was lost, for longer than its own intervals explain \(its 61 frames before; chance 1 in /,
      ),
      lane: "counters",
      restsOn,
      weights: { ...of(-5, ...LOST), "node-silent": 5 },
      proves: "node-silent",
    });
  });

  it("is so with one counter missed, and less with two", () => {
    const one = only(pieces(silent, { ...SILENCE, missed: 1 }));
    expect(one.sentence).toContain(
      "advanced by only 2 over 1 h 40 min, 100 were due by its rhythm: it did not send",
    );
    expect(one.weights).toEqual({ ...of(-5, ...LOST), "node-silent": 5 });
    expect(one.proves).toBe("node-silent");
    const two = only(pieces(silent, { ...SILENCE, missed: 2 }));
    expect(two.weights).toEqual({ ...of(-3, ...LOST), "node-silent": 3.5 });
    expect(two.proves).toBeUndefined();
  });

  it("may be a pause of the node's own, by the intervals before it", () => {
    // Intervals of 1, 2, 3 and 4 min before a silence of 100: by rank (4/100)² / 5 = 0.00032; (1 + 100/10)^-4 is less.
    const few = [90, 91, 93, 96, 100].map((minute, i) => heard(1, minute, i));
    const after = heard(1, 200, 5);
    const piece = only(pieces([...few, after], SILENCE));
    expect(piece.sentence).toContain("(its 5 frames before; chance 1 in 14 641)");
    expect(piece.weights["node-silent"]).toBe(5);
    // Two intervals, of 10 and 50 min: by rank (50/100)² / 3 = 1/12; (1 + 100/60)^-2 = 0.1406 is more.
    const long = [40, 90, 100].map((minute, i) => heard(1, minute, i));
    const paused = only(pieces([...long, heard(1, 200, 3)], SILENCE));
    expect(paused.sentence).toContain("and its own intervals reach so far (its 3 frames before)");
    expect(paused.weights["node-silent"]).toBeCloseTo(Math.log(0.05 / (1 / 12)), 9);
    expect(paused.proves).toBeUndefined();
    // An interval over three counters counts as three, and a repeat as none: 10 min each.
    const skipped = [heard(1, 60, 0), heard(1, 90, 3), heard(1, 95, 3), heard(1, 100, 4), heard(1, 200, 5)];
    expect(only(pieces(skipped, SILENCE)).sentence).toContain("(its 3 frames before");
  });
});

describe("a silence that goes on", () => {
  const open = (more: Partial<SceneGap> = {}, receptions: readonly SceneReception[] = every(1, 40, 100)) =>
    only(pieces(receptions, { ...SILENCE, open: true, ...more }));

  it("is more likely the node's the longer it lasts, up to 1.7", () => {
    expect(open()).toEqual({
      sentence:
        "Nothing has come from it for 1 h 40 min, 100 were due by its rhythm; only its counter will tell whether it sent.",
      lane: "counters",
      restsOn,
      weights: {
        "node-silent": 0.9 + 0.8,
        "weak-link": -0.5,
        "channel-mismatch": -2,
        congestion: -3,
        interference: -1.5,
        "gateway-transmitting": -3,
        "node-restarted": -1.5,
        "rejoin-loop": -1,
      },
    });
    const silence = (expectedByRhythm: number | null) => open({ expectedByRhythm }).weights["node-silent"];
    expect(silence(10)).toBeCloseTo(0.9 + 0.4, 9);
    expect(silence(19)).toBeCloseTo(0.9 + 0.76, 9);
    expect(silence(null)).toBe(0.9);
  });

  it("is no more likely than that its own intervals do not reach so far", () => {
    const long = [40, 90, 100].map((minute, i) => heard(1, minute, i));
    expect(open({}, long).weights["node-silent"]).toBeCloseTo(Math.log(0.05 / (1 / 12)), 9);
    // Without any interval the chance is 1.
    expect(open({}, [heard(1, 100, 0)]).weights["node-silent"]).toBeCloseTo(Math.log(0.05), 9);
  });
});

describe("a counter that began anew", () => {
  const next: NextLife = { number: 2, begunBy: "counter-reset", firstAtUs: 150 * MINUTE, firstCounter: 3 };
  const restarted = (nextLife: Partial<NextLife>, gap: Partial<SceneGap> = {}) =>
    pieces(every(1, 40, 100), { ...SILENCE, ...gap }, { nextLife: { ...next, ...nextLife } });

  it("proves a restart; after more than ten intervals something else came first", () => {
    const common = {
      lane: "counters",
      restsOn,
      proves: "node-restarted",
    };
    expect(only(restarted({}))).toEqual({
      ...common,
      sentence: "Its counter restarted at 3 without a join, 50 min after its last frame.",
      weights: { ...of(-4, ...LOST), "node-restarted": 5.5, "node-silent": 1, "shared-address": -1 },
    });
    expect(only(restarted({ begunBy: "join" }, { expectedByRhythm: 10 }))).toEqual({
      ...common,
      sentence: "Its counter restarted at 3 after a join-request, 50 min after its last frame.",
      weights: { ...of(-4, ...LOST), "node-restarted": 6, "node-silent": -2, "shared-address": -1 },
    });
    expect(only(restarted({}, { expectedByRhythm: 10.1 })).weights["node-silent"]).toBe(1);
    expect(only(restarted({}, { expectedByRhythm: null })).weights["node-silent"]).toBe(-2);
  });

  it("does so within the gap, its ends among them, and not where the new life has another reason", () => {
    const proves = (nextLife: Partial<NextLife>) => only(restarted(nextLife, { open: true })).proves;
    expect([100, 200].map((minute) => proves({ firstAtUs: minute * MINUTE }))).toEqual([
      "node-restarted",
      "node-restarted",
    ]);
    expect([100 * MINUTE - 1, 200 * MINUTE + 1].map((firstAtUs) => proves({ firstAtUs }))).toEqual([
      undefined,
      undefined,
    ]);
    expect(proves({ begunBy: "second-device" })).toBeUndefined();
  });

  it("is likely one at an unknown moment where the silence ends in time that was not recorded", () => {
    const away = (fromMinute: number, toMinute: number) => ({
      homes: [gateway({ notRecorded: [{ fromUs: fromMinute * MINUTE, toUs: toMinute * MINUTE }] })],
    });
    const unrecorded = (from: number, to: number, gap: Partial<SceneGap> = {}, also: SceneReception[] = []) =>
      only(pieces([...every(1, 40, 100), ...also], { ...SILENCE, ...gap }, away(from, to)));
    expect(unrecorded(200, 300)).toEqual({
      sentence:
        "Nothing came from it for 1 h 40 min, 100 were due by its rhythm, until nothing was recorded. When it was heard again, its counter had restarted.",
      lane: "counters",
      restsOn,
      weights: { ...of(-3, ...LOST), "node-restarted": 4, "node-silent": 1.5, "shared-address": -1 },
    });
    expect(unrecorded(150, 201, { expectedByRhythm: 10 }).weights).toMatchObject({
      "node-restarted": 5,
      "node-silent": 0,
    });
    // Recorded again at its end, or not yet away, or heard there: then its counter stood still.
    for (const [from, to, also] of [
      [150, 200, []],
      [200.01, 300, []],
      [200, 300, [heard(1, 200, 101)]],
    ] as const)
      expect(unrecorded(from, to, {}, [...also]).sentence).toMatch(/^Its counter did not advance/);
  });
});

describe("a device that joined under another address", () => {
  it("is most likely the silent node", () => {
    const successor = {
      devAddr: 0x01a2b3f1,
      life: 1,
      firstAtUs: 130 * MINUTE,
      joinEui: "02005E1000000031",
      joinAtUs: 129 * MINUTE,
    };
    const [, piece] = pieces(every(1, 40, 100), { ...SILENCE, open: true }, { successor });
    expect(piece).toEqual({
      sentence: [
        "A device joined (02005E1000000031) 29\u202Fmin after its last frame, and ",
        { node: "01A2B3F1" },
        " began at a low counter, in the same rhythm and as strong: most likely the same device under a new address.",
      ],
      lane: "joins",
      restsOn: { fromUs: 129 * MINUTE - 1, toUs: 130 * MINUTE + 1, ofNode: false, gatewayEui: null },
      weights: { "node-restarted": 6, "node-silent": -2, "weak-link": -2 },
    });
  });
});

describe("join-requests", () => {
  const EUI = "02005E1000000031";
  const asks = (minute: number, joinEui = EUI, more: Partial<SceneReception> = {}) =>
    heard(0, minute, 0, { lifeId: null, counter: null, devAddr: null, joinEui, ...more });
  const loop = (requests: readonly SceneReception[], more: Partial<Scene> = {}) =>
    pieces([...every(1, 40, 100), ...requests], { ...SILENCE, open: true }, more).slice(1);
  const times = (requests: readonly SceneReception[], more: Partial<Scene> = {}, own = every(1, 40, 100)) =>
    joinsOfDevice(sightOf(scene([...own, ...requests], SILENCE, more))).map(({ atUs }) => atUs / MINUTE);

  it("are a loop from three within an hour on", () => {
    expect(only(loop([asks(110), asks(125), asks(170)]))).toEqual({
      sentence: `3 join-requests of ${EUI} were heard in 1 h, 3 of them within an hour, and no lasting session followed.`,
      lane: "joins",
      restsOn: { fromUs: 110 * MINUTE - 1, toUs: 170 * MINUTE + 1, ofNode: false, gatewayEui: null },
      weights: { "rejoin-loop": 6.5 * 0.8, "node-silent": -2.5, "node-restarted": -3, "weak-link": -1.5 },
    });
    expect(loop([asks(110), asks(125), asks(170.1)])).toEqual([]);
    expect(only(loop([asks(110), asks(125), asks(170.1), asks(171)])).sentence).toMatch(
      /^4 join-requests .* in 1 h 1 min, 3 of them within an hour/,
    );
    expect(only(loop([asks(110), asks(111), asks(112)], { devEui: EUI })).weights["rejoin-loop"]).toBe(6.5);
    expect(loop([asks(110), asks(111)])).toEqual([]);
  });

  it("at several gateways are one, as within two and a half seconds", () => {
    const at = (second: number) => asks(110 + second / 60, EUI, { gatewayId: 2 });
    expect(times([asks(110), at(2.4), asks(110.5)])).toEqual([110, 110.5]);
    expect(times([asks(110), at(2.5)])).toHaveLength(2);
    // Each within two and a half seconds of the one that was counted.
    expect(times([asks(110), at(2), at(4)])).toHaveLength(2);
  });

  it("count from the last frame to the end of what is known of after", () => {
    const all = [99, 100, 150, 259, 260, 261].map((minute) => asks(minute));
    expect(times(all, { devEui: EUI })).toEqual([100, 150, 259, 260]);
  });

  it("are the device's own where its DevEUI is known, or a new life followed within ten minutes", () => {
    const other = "02005E1000000032";
    const both = [asks(90, other), asks(120), asks(130, other), asks(140, other)];
    expect(times(both, { devEui: other })).toEqual([130, 140]);
    const followed = (firstAtUs: number, begunBy = "join") =>
      times(both, { nextLife: { number: 2, begunBy, firstAtUs, firstCounter: 0 } });
    expect(followed(149.9 * MINUTE)).toEqual([130, 140]);
    expect(followed(140 * MINUTE)).toEqual([130, 140]);
    // A request after the new life's first frame was no cause of it.
    expect(followed(125 * MINUTE)).toEqual([120]);
    // Ten minutes later, or by another reason, it is the device that began to ask when the node fell silent.
    expect(followed(150 * MINUTE)).toEqual([120]);
    expect(followed(149 * MINUTE, "counter-reset")).toEqual([120]);
  });

  it("of two devices that ask at once are those of the one nearest in level, if it is near and the other far", () => {
    const other = "02005E1000000032";
    const at = (one: number, two: number, ownDbm = -100) =>
      times(
        [asks(120, EUI, { rssiDbm: one }), asks(130, other, { rssiDbm: two })],
        {},
        every(1, 40, 100, [], { rssiDbm: ownDbm }),
      );
    expect(at(-95, -91)).toEqual([120]);
    // The node's newest forty frames tell its level: -110 since it was moved, not the mean with twenty-one of -70.
    const moved = every(1, 40, 100).map((one, i) => ({ ...one, rssiDbm: i < 21 ? -70 : -110 }));
    expect(times([asks(120, EUI, { rssiDbm: -96 }), asks(130, other, { rssiDbm: -110 })], {}, moved)).toEqual(
      [130],
    );
    expect(at(-91, -105)).toEqual([130]);
    expect(at(-94.9, -91)).toEqual([]);
    expect(at(-95, -92)).toEqual([]);
    expect(at(-110, -120)).toEqual([]);
    expect(
      times([asks(120, EUI, { rssiDbm: null }), asks(130, other, { rssiDbm: -101 })], {}, [
        heard(1, 100, 0, { rssiDbm: -100 }),
      ]),
    ).toEqual([130]);
    expect(times([asks(120), asks(130, other)], {}, [heard(1, 100, 0, { rssiDbm: null })])).toEqual([]);
  });
});

describe("two lives that take turns", () => {
  const shared = (alternations: number, kind: SceneGap["kind"] = "steady") =>
    sharedEvidence(
      sightOf(scene([], { kind }, { shared: { otherLife: 2, alternations, fromUs: 0, toUs: 150 * MINUTE } })),
    );

  it("are two devices on one address from three turns on, and proved from six", () => {
    expect(shared(2)).toEqual([]);
    expect(only(shared(3))).toEqual({
      sentence:
        "Two series of counters run side by side under this address: life 1 and life 2 took turns 3 times.",
      lane: "counters",
      restsOn,
      weights: {
        ...of(-2, "weak-link", "interference", "congestion", "channel-mismatch", "gateway-transmitting"),
        "node-silent": -2,
        "shared-address": 4.5,
        "node-restarted": -4,
      },
    });
    expect([5, 6].map((turns) => only(shared(turns)).proves)).toEqual([undefined, "shared-address"]);
    expect([6, 9, 12].map((turns) => only(shared(turns)).weights["shared-address"])).toEqual([5.5, 6.5, 6.5]);
    expect(only(shared(3, "silence")).weights["node-silent"]).toBe(-3.5);
  });

  it("are none where no other life is known", () => {
    expect(sharedEvidence(sightOf(scene([])))).toEqual([]);
  });
});
