/** What the gateway's datagrams, outages and transmissions weigh, each piece whole, both sides of each limit. By hand. */
import { describe, expect, it } from "vitest";
import { CAUSES, type EvidencePiece } from "../../../src/diagnosis/findings/evidence.ts";
import { backhaulProof, gatewayEvidence } from "../../../src/diagnosis/findings/gateway.ts";
import { sightOf } from "../../../src/diagnosis/findings/observations.ts";
import { transmitEvidence } from "../../../src/diagnosis/findings/predicted-loss.ts";
import type { Scene, SceneGap, SceneGateway, SceneReception, SceneReport } from "../../../src/model/gap.ts";
import { every, gateway, heard, MINUTE, S, said, scene } from "./by-minutes.ts";

const EUI = "02005E1000000001";
const tenMissed = [110, 111, 112, 120, 121, 130, 140, 150, 160, 170];
const own = every(1, 40, 260, tenMissed);
const from = (first: number, last: number, step = 1) =>
  Array.from({ length: Math.floor((last - first) / step + 1e-9) + 1 }, (_, i) => first + step * i);
/** Keepalives each minute, 30 s after the frames. */
const minutes = (first: number, last: number, without: (minute: number) => boolean = () => false) =>
  from(first, last)
    .filter((minute) => !without(minute))
    .map((minute) => minute * MINUTE + 30 * S);
const report = (minute: number, more: Partial<SceneReport> = {}): SceneReport => ({
  atUs: minute * MINUTE,
  received: null,
  crcOk: null,
  forwarded: null,
  emitted: null,
  ackPercent: null,
  ...more,
});
const sight = (
  home: Partial<SceneGateway>,
  more: { gap?: Partial<SceneGap>; scene?: Partial<Scene>; receptions?: readonly SceneReception[] } = {},
) => sightOf(scene(more.receptions ?? own, more.gap, { homes: [gateway(home)], ...more.scene }));
const told = (all: readonly EvidencePiece[]) => all.map((piece) => ({ ...piece, sentence: said(piece) }));
const of = (weight: number, causes: readonly string[]) =>
  Object.fromEntries(causes.map((cause) => [cause, weight]));
const but = (...causes: string[]) => CAUSES.filter((cause) => !causes.includes(cause));
const WITHIN = { fromUs: 100 * MINUTE, toUs: 200 * MINUTE };
const restsOn = { ...WITHIN, ofNode: false, gatewayEui: EUI };

describe("packets that a gateway forwarded", () => {
  it("are missing as far as fewer arrived, and never fewer than none", () => {
    expect(backhaulProof([10, 5], 12)).toEqual({ missing: 3, share: 3 / 15, forwarded: 15 });
    expect(backhaulProof([10], 12)).toEqual({ missing: 0, share: 0, forwarded: 10 });
    expect(backhaulProof([], 0)).toEqual({ missing: 0, share: null, forwarded: 0 });
  });
});

describe("a gateway that was reachable", () => {
  const reach = (home: Partial<SceneGateway>, gap: Partial<SceneGap> = {}) =>
    told(gatewayEvidence(sight({ keepaliveUs: MINUTE, ...home }, { gap })));

  it("is no cause: its keepalives came as they were due", () => {
    expect(reach({ keepalivesUs: minutes(40, 260) })).toEqual([
      {
        sentence: "Its gateway was reachable throughout: 100 keepalives came, 100 were due.",
        lane: "heartbeat",
        restsOn,
        weights: { "gateway-unreachable": -5, "gateway-restarted": -5 },
      },
    ]);
    expect(reach({ keepalivesUs: minutes(40, 260) }, { kind: "steady" })[0]?.weights).toEqual({
      "gateway-unreachable": -4,
      "gateway-restarted": -4,
    });
  });

  it("owed no keepalive for time that was not recorded", () => {
    const notRecorded = [{ fromUs: 150 * MINUTE, toUs: 160 * MINUTE }];
    const keepalivesUs = minutes(40, 260, (minute) => minute >= 150 && minute < 160);
    expect(reach({ keepalivesUs, notRecorded })[0]?.sentence).toBe(
      "Its gateway was reachable throughout: 90 keepalives came, 90 were due.",
    );
  });

  it("is hardly known to be so in a gap of less than two keepalives", () => {
    const weight = (toUs: number) => {
      const within = { fromUs: 100 * MINUTE, toUs };
      const keepalivesUs = from(0, 100).map((n) => 98 * MINUTE + n * MINUTE);
      const made = sightOf(
        scene(own, within, { within, homes: [gateway({ keepaliveUs: MINUTE, keepalivesUs })] }),
      );
      return gatewayEvidence(made)[0]?.weights["gateway-unreachable"];
    };
    expect(weight(102 * MINUTE - 1)).toBe(-2);
    expect(weight(102 * MINUTE)).toBe(-5);
  });

  it("is not known to be so where less than 95 % of the gap is covered, or no keepalive interval is known", () => {
    // A keepalive each ten minutes, and no packet from 131 to 169 min: without that of 150, nothing from 140 to 160.
    const quiet = own.filter(({ atUs }) => atUs <= 130 * MINUTE || atUs >= 170 * MINUTE);
    const known = (...without: number[]) =>
      gatewayEvidence(
        sight(
          {
            keepaliveUs: 10 * MINUTE,
            keepalivesUs: from(40, 260, 10)
              .filter((minute) => !without.includes(minute))
              .map((minute) => minute * MINUTE),
          },
          { receptions: quiet },
        ),
      ).length;
    expect([known(), known(150)]).toEqual([1, 0]);
    expect(reach({ keepaliveUs: null, keepalivesUs: minutes(40, 260) })).toEqual([]);
  });

  it("is one of several", () => {
    const homes = [1, 2].map((id) =>
      gateway({
        id,
        eui: `02005E100000000${id}`,
        keepaliveUs: MINUTE,
        keepalivesUs: minutes(40, 260),
      }),
    );
    expect(told(gatewayEvidence(sightOf(scene(own, {}, { homes }))))[0]?.sentence).toBe(
      "Its gateways were reachable throughout: 200 keepalives came, 200 were due.",
    );
    expect(gatewayEvidence(sightOf(scene(own, {}, { homes: [] })))).toEqual([]);
  });
});

describe("an outage", () => {
  const outage = (
    restarted: boolean | null,
    more: Partial<{ open: boolean; fromM: number; toM: number }> = {},
  ) => ({
    fromUs: (more.fromM ?? 109) * MINUTE,
    toUs: (more.toM ?? 171) * MINUTE,
    restarted,
    open: more.open ?? false,
  });
  const NOT_ITS_OWN = but("gateway-unreachable", "gateway-restarted");

  it("is a restart where the counter restarted, a cut way where it ran on, and open where nothing tells", () => {
    const of3 = (restarted: boolean | null, open = false) =>
      told(gatewayEvidence(sight({ keepaliveUs: MINUTE, outages: [outage(restarted, { open })] })))[0];
    const common = {
      lane: "heartbeat",
      restsOn: { ...outage(null), ofNode: false, gatewayEui: EUI },
    };
    const sentence = (counter: string) =>
      `${EUI} sent nothing for 1 h 2 min; ${counter}; 100 % of what is missing falls into that time.`;
    expect(of3(true)).toMatchObject({
      sentence: sentence("its concentrator's counter restarted with it"),
      lane: "heartbeat",
      weights: { ...of(-3, NOT_ITS_OWN), "gateway-restarted": 6, "gateway-unreachable": -2 },
      proves: "gateway-restarted",
    });
    expect(of3(false)).toMatchObject({
      sentence: sentence("its concentrator's counter ran on across it"),
      weights: { ...of(-3, NOT_ITS_OWN), "gateway-restarted": -5, "gateway-unreachable": 6 },
      proves: "gateway-unreachable",
    });
    expect(of3(null)).toEqual({
      ...common,
      restsOn: { ...outage(null), ofNode: false, gatewayEui: EUI },
      sentence: sentence("its concentrator's counter cannot tell whether it restarted"),
      weights: { ...of(-3, NOT_ITS_OWN), "gateway-restarted": 4, "gateway-unreachable": 5 },
    });
    expect(of3(null, true)?.sentence).toBe(sentence("it has not come back"));
  });

  it("explains less where less of what is missing falls into it, and nothing below four tenths", () => {
    const shared = (toM: number) =>
      told(gatewayEvidence(sight({ keepaliveUs: 20 * S, outages: [outage(true, { fromM: 108, toM })] })))[0];
    // Of ten 110, 111, 112, 120 and 121; then 130; then without 121.
    expect(shared(125)?.weights["gateway-restarted"]).toBeCloseTo(5 * 0.75 + 1, 9);
    expect(shared(125)?.proves).toBeUndefined();
    expect(shared(135)?.proves).toBe("gateway-restarted");
    expect(shared(120.5)?.weights["gateway-restarted"]).toBeCloseTo(5 * 0.7 + 1, 9);
    expect(shared(113)?.sentence).toMatch(/^Datagrams were lost/);
  });

  it("of the second gateway counts three tenths", () => {
    const secondOf = (restarted: boolean | null) => {
      const homes = [1, 2].map((id) =>
        gateway({ id, eui: `02005E100000000${id}`, keepaliveUs: MINUTE, outages: [outage(restarted)] }),
      );
      return gatewayEvidence(sightOf(scene(own, {}, { homes })))[1];
    };
    const second = secondOf(false);
    expect(second?.weights["gateway-unreachable"]).toBeCloseTo(0.3 * 5 + 0.3, 9);
    expect(second?.weights["gateway-restarted"]).toBeCloseTo(-1.5, 9);
    expect(second?.weights["weak-link"]).toBeCloseTo(-0.9, 9);
    expect(second?.proves).toBeUndefined();
    const anew = secondOf(true)?.weights;
    expect(anew?.["gateway-restarted"]).toBeCloseTo(0.3 * 5 + 0.3, 9);
    expect(anew?.["gateway-unreachable"]).toBeCloseTo(-0.6, 9);
    const unknown = secondOf(null)?.weights;
    expect(unknown?.["gateway-restarted"]).toBeCloseTo(0.3 * 5 - 0.3, 9);
    expect(unknown?.["gateway-unreachable"]).toBeCloseTo(1.5, 9);
  });

  it("says a fifth of a silence that ended with the next counter: the node did not send", () => {
    const silent = every(1, 40, 100);
    const weights = (open: boolean) =>
      gatewayEvidence(
        sight(
          { keepaliveUs: MINUTE, outages: [outage(false, { fromM: 100, toM: 200 })] },
          { receptions: silent, gap: { kind: "silence", missed: 0, open } },
        ),
      )[0];
    expect(weights(false)?.weights["gateway-unreachable"]).toBeCloseTo(5 * 0.2 + 1, 9);
    expect(weights(false)?.proves).toBeUndefined();
    expect(weights(true)?.weights["gateway-unreachable"]).toBe(6);
    expect(weights(true)?.proves).toBe("gateway-unreachable");
  });
});

describe("datagrams lost in part", () => {
  /** Every third keepalive is missing; a third of the node's counters too. */
  const third = from(102, 198, 3);
  const lossy = (home: Partial<SceneGateway> = {}, missed = third, gap: Partial<SceneGap> = {}) =>
    told(
      gatewayEvidence(
        sight(
          {
            keepaliveUs: MINUTE,
            keepalivesUs: minutes(40, 260, (minute) => minute >= 100 && minute < 200 && minute % 3 === 0),
            ...home,
          },
          { receptions: every(1, 40, 260, missed), gap: { missed: missed.length, ...gap } },
        ),
      ),
    );

  it("explain a loss of their size", () => {
    // 100 were due; 34 of the minutes 100 to 199 are multiples of three (102 to 198: 33).
    expect(lossy()).toEqual([
      {
        sentence: "Datagrams were lost on the way: 67 of 100 keepalives and status reports arrived.",
        lane: "heartbeat",
        restsOn,
        weights: { ...of(-2, but("backhaul-loss")), "backhaul-loss": 7 },
      },
    ]);
  });

  it("are counted by the interval that the short spacings tell, where most are lost", () => {
    // Of every five minutes three keepalives: spacings of 2, 2 and 1, so 60 of a hundred came.
    expect(
      lossy({ keepalivesUs: minutes(40, 260, (minute) => minute % 5 === 1 || minute % 5 === 3) })[0]
        ?.sentence,
    ).toBe("Datagrams were lost on the way: 60 of 100 keepalives and status reports arrived.");
  });

  it("explain no loss that is far larger, and leave a few in a row open", () => {
    // All 99 lost against a third: not of the size.
    const all = from(101, 199);
    const [piece] = lossy({}, all);
    expect(piece?.weights).toEqual({
      "gateway-restarted": -4,
      "gateway-unreachable": -4,
      "backhaul-loss": -1,
    });
    expect(piece?.leavesOpen).toBeUndefined();
    // Four missed of four: the least that such a loss may have been is 31 %, of which 43 % on the way are more.
    const few = lossy({}, [120, 121, 122, 123], { missed: 4 });
    expect(few[0]?.weights["backhaul-loss"]).toBe(7);
  });

  it("are proved by what the gateway counts as forwarded, with the acknowledgements that it missed", () => {
    const reports = from(40, 260, 10).map((minute) =>
      report(minute, { forwarded: 10, ackPercent: minute % 20 === 0 ? 60 : 70 }),
    );
    const [piece] = lossy({ reports });
    // Reports at 100 to 190: nine intervals of 10 packets, 90 forwarded. Of the frames after 100 up to 190 a third of
    // 90 is missing: 102 to 189, 30. Keepalives 67 and reports 10 of 100 and 10. Acknowledged 65 % in the mean.
    expect(piece?.sentence).toBe(
      "Datagrams were lost on the way: 77 of 110 keepalives and status reports arrived; the gateway reports 90 packets forwarded, 30 of them never arrived; it missed 35 % of its acknowledgements.",
    );
    expect(piece?.proves).toBe("backhaul-loss");
    const full = from(40, 260, 10).map((minute) => report(minute, { forwarded: 7, ackPercent: 98.1 }));
    const unproved = lossy({ reports: full })[0];
    expect(unproved?.sentence).toContain("63 packets forwarded, 3 of them never arrived.");
    expect(unproved?.proves).toBeUndefined();
  });

  it("say nothing where they came, where too few were due, or where nothing is missing", () => {
    expect(lossy({ keepalivesUs: minutes(40, 260) })[0]?.sentence).toMatch(/^Its gateway was reachable/);
    expect(lossy({ keepaliveUs: null, keepalivesUs: [] })).toEqual([]);
    expect(lossy({}, [], { missed: 0 })[0]?.sentence).not.toMatch(/^Datagrams were lost/);
    // 19 of 20 are due in the part of the gap outside of an outage and of what was not recorded.
    const open = (toMinute: number) =>
      lossy({
        notRecorded: [{ fromUs: toMinute * MINUTE, toUs: 300 * MINUTE }],
        keepalivesUs: minutes(40, 99),
      });
    expect(open(120)[0]?.sentence).toContain("0 of 20 keepalives");
    expect(open(119.9)).toEqual([]);
  });

  it("that are not of the size take what the others lost by as much off the air", () => {
    const all = from(101, 199);
    const weights = (...othersMissed: readonly (readonly number[])[]) =>
      told(
        gatewayEvidence(
          sight(
            {
              keepaliveUs: MINUTE,
              keepalivesUs: minutes(40, 260, (minute) => minute >= 100 && minute < 200 && minute % 3 === 0),
            },
            {
              receptions: [
                ...every(1, 40, 260, all),
                ...othersMissed.flatMap((missed, i) => every(2 + i, 40, 260, missed)),
              ],
              gap: { missed: 99 },
            },
          ),
        ),
      )[0]?.weights;
    const small = { "gateway-restarted": -4, "gateway-unreachable": -4, "backhaul-loss": -1 };
    const air = { interference: -4, congestion: -4, "gateway-transmitting": -4 };
    // 33 of 100 datagrams: 25 to 43 %. The others lost a third, two thirds, nothing; or there are none.
    expect(weights(third, third)).toEqual({ ...small, ...air });
    expect(
      weights(
        from(102, 198, 3),
        from(101, 199).filter((minute) => minute % 3 !== 0),
      ),
    ).toEqual(small);
    expect(weights([], [])).toEqual({ ...small, ...air });
    expect(weights()).toEqual(small);
  });

  it("too few for four counters in a row leave open whether the link lost them", () => {
    // A gap of five minutes; of keepalives each second ten of 300 are missing: 1.8 to 6.0 %. Four of four among 221 counters
    // are met once in 40 times at a loss of 10.6 %, of which seven tenths are 7.4 %.
    const of = (missed: readonly number[]) => {
      const within = { fromUs: 119 * MINUTE, toUs: 124 * MINUTE };
      const keepalivesUs = from(40 * 60, 260 * 60)
        .map((second) => second * S + 1)
        .filter((atUs) => Math.abs(atUs - 120 * MINUTE) > 5 * S);
      const home = { keepaliveUs: S, keepalivesUs };
      const receptions = every(1, 40, 260, missed);
      const gap = { ...within, missed: missed.length };
      return told(gatewayEvidence(sight(home, { receptions, gap, scene: { within } })))[0];
    };
    const four = of([120, 121, 122, 123]);
    expect(four?.sentence).toContain("290 of 300 keepalives");
    expect(four?.leavesOpen).toEqual(["backhaul-loss", "weak-link"]);
    expect(four?.weights["backhaul-loss"]).toBe(-1);
    // One of 100 may be as few as 0.2 %: nothing is said below one percent.
    const one = { keepalivesUs: minutes(40, 260, (minute) => minute === 150) };
    expect(lossy(one, [120, 121, 122, 123], { missed: 4 })[0]?.sentence).toMatch(
      /^Its gateway was reachable/,
    );
  });

  it("are counted at the interval that the shortest spacings show", () => {
    // Of each nine minutes 0, 1 and 4: spacings of 1, 3 and 5 min, all multiples of one.
    const sparse = minutes(40, 260, (minute) => ![0, 1, 4].includes(minute % 9));
    expect(lossy({ keepaliveUs: 3 * MINUTE, keepalivesUs: sparse })[0]?.sentence).toContain(
      "34 of 100 keepalives",
    );
    // 1, 2.5 and 3.5 min are no multiples: the middle one, 2.5 min, is due 40 times, and no more can come.
    const uneven = from(0, 31).flatMap((i) => [0, 1, 3.5].map((at) => (40 + 7 * i + at) * MINUTE));
    expect(lossy({ keepaliveUs: 2.5 * MINUTE, keepalivesUs: uneven })[0]?.sentence).not.toMatch(
      /^Datagrams were lost/,
    );
    // Three alone show no interval: the one that is known.
    expect(lossy({ keepalivesUs: [110, 130, 150].map((minute) => minute * MINUTE) })[0]?.sentence).toContain(
      "3 of 100 keepalives",
    );
  });

  it("are told by what the gateway forwarded alone, and then prove nothing", () => {
    // No keepalives, ten reports: too few datagrams were due. 30 of 90 packets are missing, and a third of the counters.
    const reports = from(40, 260, 10).map((minute) => report(minute, { forwarded: 10 }));
    const [piece] = lossy({ keepaliveUs: null, keepalivesUs: [], reports });
    expect(piece?.sentence).toBe(
      "Datagrams were lost on the way: the gateway reports 90 packets forwarded, 30 of them never arrived.",
    );
    expect(piece?.weights["backhaul-loss"]).toBe(7);
    expect(piece?.proves).toBeUndefined();
  });

  it("are told with the acknowledgements that were missed from three reports and two percent on", () => {
    const missedOf = (ackPercent: number, ...at: number[]) =>
      lossy({ reports: at.map((minute) => report(minute, { ackPercent })) })[0]?.sentence.includes(
        "of its acknowledgements",
      );
    expect([missedOf(50, 120, 150), missedOf(50, 120, 150, 180)]).toEqual([false, true]);
    // Two of the three came outside of the gap.
    expect(missedOf(50, 60, 80, 150)).toBe(false);
    expect([missedOf(98.1, 120, 150, 180), missedOf(98, 120, 150, 180)]).toEqual([false, true]);
  });

  it("are not counted over a report that is missing", () => {
    const reports = from(40, 260, 10)
      .filter((minute) => minute !== 150)
      .map((minute) => report(minute, { forwarded: 10 }));
    // Intervals that end at 110 to 140 and 170 to 190: seven of ten packets; of 102 to 138 and 162 to 189 every third is missing.
    expect(lossy({ reports })[0]?.sentence).toBe(
      "Datagrams were lost on the way: 76 of 110 keepalives and status reports arrived; the gateway reports 70 packets forwarded, 23 of them never arrived.",
    );
    // Reports that count nothing forwarded, or fewer than ten packets in all, say nothing.
    const none = from(40, 260, 10).map((minute) => report(minute));
    expect(lossy({ reports: none })[0]?.sentence).not.toContain("forwarded");
    const nine = from(40, 260, 10).map((minute) => report(minute, { forwarded: 1 }));
    expect(lossy({ reports: nine })[0]?.sentence).not.toContain("forwarded");
  });

  it("of a gateway whose short silences are such losses are told, not an outage", () => {
    const outages = [{ fromUs: 109.5 * MINUTE, toUs: 121.5 * MINUTE, restarted: null, open: false }];
    const longer = [{ fromUs: 109.5 * MINUTE, toUs: 121.6 * MINUTE, restarted: null, open: false }];
    // Twelve of 25 in that silence, of twelve keepalives or of a little more.
    const missed = [...from(110, 121), ...from(126, 198, 6)];
    const keepalivesUs = minutes(
      40,
      260,
      (m) => m >= 100 && m < 200 && (m % 3 === 0 || (m > 109 && m < 121)),
    );
    expect(lossy({ outages, keepalivesUs }, missed)[0]?.sentence).toMatch(/^Datagrams were lost/);
    // A long outage of before has no part in it.
    const earlier = { fromUs: 50 * MINUTE, toUs: 90 * MINUTE, restarted: null, open: false };
    expect(lossy({ outages: [earlier, ...outages], keepalivesUs }, missed)[0]?.sentence).toMatch(
      /^Datagrams were lost/,
    );
    expect(lossy({ outages: longer, keepalivesUs }, missed)[0]?.sentence).toMatch(/sent nothing for 12/);
  });
});

describe("a gateway's own transmissions", () => {
  const sent = (home: Partial<SceneGateway>, missed = tenMissed, gap: Partial<SceneGap> = {}) =>
    told(
      transmitEvidence(
        sight(home, {
          receptions: every(1, 40, 260, missed, { airtimeUs: 200_000 }),
          gap: { missed: missed.length, ...gap },
        }),
      ),
    );
  const lane = "transmissions";
  /** So many, each so long, spread over the gap. */
  const transmissions = (count: number, lengthUs: number) =>
    from(0, count - 1).map((i) => {
      const fromUs = Math.round(WITHIN.fromUs + ((i + 0.5) * 100 * MINUTE) / count);
      return { fromUs, toUs: fromUs + lengthUs };
    });

  it("are none where its reports count none, and not known where they do not count", () => {
    expect(sent({ reports: [report(150, { emitted: 0 })] })).toEqual([
      {
        sentence: "The gateway reports no transmission of its own within the gap.",
        lane,
        restsOn,
        weights: { "gateway-transmitting": -4 },
      },
    ]);
    const unknown = {
      sentence: "No transmission of the gateway is known of.",
      lane,
      restsOn,
      weights: { "gateway-transmitting": -1.5 },
    };
    expect(sent({})).toEqual([unknown]);
    expect(sent({ reports: [report(99, { emitted: 5 }), report(200, { emitted: 5 })] })).toEqual([unknown]);
  });

  it("take the share of frames that meets them: 600 of 1.8 s and frames of 0.2 s in 6 000 s, a fifth", () => {
    const twenty = from(104, 199, 5);
    const [piece] = sent({ transmissions: transmissions(600, 1_800_000) }, twenty);
    expect(piece?.sentence).toBe(
      "The gateway transmitted 600 times within the gap and was deaf to 20 % of this node's frames by that; it lost 20 %.",
    );
    // The loss lies within what twenty of 99 may have been: N(0; 0, 0.6) against N(0; 3, 1.8), and ln(0.2 / 0.03) for so much.
    const weight = Math.log(1.8 / 0.6) + (3 / 1.8) ** 2 / 2 + Math.log(0.2 / 0.03);
    expect(piece?.weights["gateway-transmitting"]).toBeCloseTo(weight, 6);
    expect(piece?.weights["channel-mismatch"]).toBeCloseTo(-weight, 6);
    expect(piece?.weights.interference).toBeCloseTo(-weight, 6);
    expect(piece?.weights.congestion).toBeCloseTo(-weight / 2, 6);
    expect([piece?.lane, piece?.restsOn]).toEqual([lane, restsOn]);
  });

  it("say less than nothing where they take hardly anything", () => {
    const [piece] = sent({ transmissions: transmissions(6, 100_000) });
    expect(piece?.sentence).toContain("transmitted 6 times within the gap and was deaf to 0.03 %");
    expect(piece?.weights["gateway-transmitting"]).toBeLessThanOrEqual(-1);
    expect(piece?.weights["channel-mismatch"]).toBeUndefined();
  });

  it("are no more than worth a word where they take less than two percent, however well that fits the loss", () => {
    // 60 of 1.3 s and frames of 0.2 s: 1.5 %, where two of 99 were lost.
    const [piece] = sent({ transmissions: transmissions(60, 1_300_000) }, [130, 170]);
    expect(piece?.sentence).toContain("was deaf to 1.5 % of this node's frames by that; it lost 2.0 %");
    expect(piece?.weights).toEqual({ "gateway-transmitting": -1 });
    // Where they take three percent of three lost: ln(0.03 / 0.03) is nothing.
    const [fits] = sent({ transmissions: transmissions(60, 2_800_000) }, [130, 150, 170]);
    const weight = Math.log(1.8 / 0.6) + (3 / 1.8) ** 2 / 2;
    expect(fits?.weights).toEqual({
      "gateway-transmitting": expect.closeTo(weight, 6),
      "channel-mismatch": expect.closeTo(-weight, 6),
      interference: expect.closeTo(-weight, 6),
      congestion: expect.closeTo(-weight / 2, 6),
    });
  });

  it("that fill a silence are told as one where it is one", () => {
    const one = sent(
      { transmissions: [{ fromUs: WITHIN.fromUs + S, toUs: WITHIN.fromUs + 96 * MINUTE }] },
      [],
      {
        kind: "silence",
        open: true,
        missed: 0,
      },
    );
    expect(one[0]?.sentence).toBe(
      "The gateway transmitted once meanwhile and was deaf to 96 % of this node's frames by that.",
    );
  });

  it("in a silence that goes on speak for themselves from nine tenths of the time on", () => {
    const open = (count: number) =>
      sent({ transmissions: transmissions(count, 800_000) }, [], { kind: "silence", open: true, missed: 0 });
    // 5 400 of 0.8 s and 0.2 s in 6 000 s: nine tenths.
    expect(open(5_400)).toEqual([
      {
        sentence:
          "The gateway transmitted 5 400 times meanwhile and was deaf to 90 % of this node's frames by that.",
        lane,
        restsOn,
        weights: { "gateway-transmitting": 6, interference: -3, "node-silent": -2 },
      },
    ]);
    expect(open(5_390)).toEqual([]);
    expect(
      sent({ transmissions: transmissions(5_400, 800_000) }, [], { kind: "silence", open: false, missed: 0 }),
    ).toEqual([]);
  });

  it("are known by their count alone: they may be long, and there may be more than before", () => {
    const counted = (emitted: number, before: number | null) =>
      sent({
        reports: [
          ...from(45, 95, 10).flatMap((minute) =>
            before === null ? [] : [report(minute, { emitted: before })],
          ),
          report(150, { emitted }),
        ],
      })[0];
    // 10 of 99 lost, at least 3.5 %. 60 in 6 000 s: up to 60 x (2.8 + 0.2) / 6 000 = 3 %, more than 0.7 x 3.5 %.
    const sixty = counted(60, null);
    expect(sixty?.sentence).toBe(
      "The gateway reports 60 transmissions within the gap, 36 an hour; by their length, which it does not report, they made it deaf to 0.39 % of this node's frames or up to 3.0 %. It lost 10 %.",
    );
    expect(sixty?.weights).toEqual({ "gateway-transmitting": -1 });
    // 40: up to 2 %.
    expect(counted(40, null)?.weights).toEqual({ "gateway-transmitting": -4 });
    // Six in the hour before: 60 in 100 min are more than three times that and 20 an hour.
    const rose = counted(200, 1);
    expect(rose?.sentence).toContain("200 transmissions within the gap, 120 an hour, 6 an hour before;");
    // Typical: 200 x 0.385 / 6 000 = 1.28 %, more than a quarter of 3.5 %.
    expect(rose?.weights).toEqual({
      "gateway-transmitting": 4,
      interference: -4,
      congestion: -1,
      "channel-mismatch": -2,
    });
    // 100 typical: 0.64 %, less.
    expect(counted(100, 1)?.weights).toEqual({
      "gateway-transmitting": 3,
      interference: -2,
      congestion: -1,
      "channel-mismatch": -2,
    });
    // 60 an hour before: 120 are no rise. 1.28 % is more than three tenths of 3.5 %: ln(1.28 / 3) is held to 0.
    expect(counted(200, 10)?.weights["gateway-transmitting"]).toBe(0.5);
    expect(counted(200, 10)?.weights.interference).toBeCloseTo(0, 9);
  });

  it("are denser around the missed frames than around the heard ones", () => {
    // 1.2 s on either side of a frame (a fiftieth of its minute); 0.8 s of transmission at each of ten missed ones.
    const at = tenMissed.map((minute) => ({
      fromUs: minute * MINUTE - 400_000,
      toUs: minute * MINUTE + 400_000,
    }));
    const [, piece] = sent({ transmissions: at });
    expect(piece).toMatchObject({
      sentence:
        "Around the missed frames the gateway transmitted 33 % of the time, around the heard ones 0 %.",
      lane,
      restsOn,
      weights: { "gateway-transmitting": 4 },
    });
    expect(sent({ transmissions: at.slice(1) })).toHaveLength(1);
    // At two of the ten missed ones and at eight of 89 heard: chance makes that.
    const some = [110, 111, ...from(113, 119), 122].map((minute) => ({
      fromUs: minute * MINUTE - 400_000,
      toUs: minute * MINUTE + 400_000,
    }));
    expect(sent({ transmissions: some })).toHaveLength(1);
    const even = from(101, 199).map((minute) => ({
      fromUs: minute * MINUTE - 400_000,
      toUs: minute * MINUTE + 400_000,
    }));
    expect(sent({ transmissions: even })).toHaveLength(1);
  });
});

describe("a gateway without any of it", () => {
  it("says nothing", () => {
    expect(transmitEvidence(sightOf(scene(own, {}, { homes: [] })))).toEqual([]);
    expect(transmitEvidence(sight({}, { gap: { missed: 0 } }))).toEqual([]);
    expect(heard(1, 1, 1).lifeId).toBe(1);
  });
});
