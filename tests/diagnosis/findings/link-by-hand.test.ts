/** What the node's own signal and the load of its channels weigh, each piece whole, both sides of each limit. By hand. */
import { describe, expect, it } from "vitest";
import {
  isSharedSide,
  sharedSideEvidence,
  shareOut,
  together,
} from "../../../src/diagnosis/findings/coincidence.ts";
import { CAUSES, type EvidencePiece } from "../../../src/diagnosis/findings/evidence.ts";
import { dataRateEvidence, isEdge, marginEvidence } from "../../../src/diagnosis/findings/margin.ts";
import { sightOf } from "../../../src/diagnosis/findings/observations.ts";
import { loadEvidence } from "../../../src/diagnosis/findings/predicted-loss.ts";
import type { Scene, SceneGap, SceneReception } from "../../../src/model/gap.ts";
import { every, gateway, heard, MINUTE, said, scene } from "./by-minutes.ts";

const EUI = "02005E1000000001";
const tenMissed = [110, 111, 112, 120, 121, 130, 140, 150, 160, 170];
const from = (first: number, last: number, step = 1) =>
  Array.from({ length: Math.floor((last - first) / step + 1e-9) + 1 }, (_, i) => first + step * i);
const told = (all: readonly EvidencePiece[]) => all.map((piece) => ({ ...piece, sentence: said(piece) }));
const of = (weight: number, causes: readonly string[]) =>
  Object.fromEntries(causes.map((cause) => [cause, weight]));
const restsOn = { fromUs: 40 * MINUTE, toUs: 260 * MINUTE, ofNode: true, gatewayEui: null };
const WITHIN = { fromUs: 100 * MINUTE, toUs: 200 * MINUTE };
const ofAll = { ...WITHIN, ofNode: false, gatewayEui: EUI };
/** SNR that leaves a margin at SF9, whose floor is -12.5 dB. */
const at = (marginDb: number): Partial<SceneReception> => ({ snrDb: marginDb - 12.5 });
/** ln N(x; 0.8, 1.6) - ln N(x; 9, 6): margins where links lose, against margins anywhere. */
const floorRatio = (x: number) =>
  -(((x - 0.8) / 1.6) ** 2) / 2 - Math.log(1.6) + ((x - 9) / 6) ** 2 / 2 + Math.log(6);

describe("the margin of the frames heard", () => {
  const margin = (own: readonly SceneReception[], gap: Partial<SceneGap> = {}, more: Partial<Scene> = {}) =>
    told(marginEvidence(sightOf(scene(own, gap, more))));
  const within = (marginDb: number) => margin(every(1, 40, 260, tenMissed, at(marginDb)));

  it("within the gap is a witness: at the floor for a weak link, above it against one", () => {
    expect(within(7.5)).toEqual([
      {
        sentence:
          "Frames heard within the gap came with a median margin of 7.5 dB, a tenth of them below 7.5 dB over the demodulation floor.",
        lane: "margin",
        restsOn,
        weights: { "weak-link": -5, "channel-mismatch": 1 },
      },
      {
        sentence: "Its signal was as strong as before (0.0 dB more).",
        lane: "margin",
        restsOn,
        weights: { "weak-link": -1 },
      },
    ]);
    expect(within(2)[0]?.weights["weak-link"]).toBeCloseTo(floorRatio(2), 6);
    expect(within(-3)[0]?.weights["weak-link"]).toBeCloseTo(floorRatio(-1), 6);
    // Hopping: below 4 dB the margin explains the loss, from 8 on nothing else does.
    expect([4, 4.5, 8, 8.5].map((db) => within(db)[0]?.weights["channel-mismatch"])).toEqual([-1, 1, 1, 1.5]);
  });

  it("of a tenth of the frames counts, not of the middle one", () => {
    // 89 frames: one in eight at 1 dB, the others at 10 dB.
    const own = every(1, 40, 260, tenMissed).map((one, i) => ({ ...one, ...at(i % 8 === 0 ? 1 : 10) }));
    const [piece] = margin(own);
    expect(piece?.sentence).toContain("a median margin of 10.0 dB, a tenth of them below 1.0 dB");
    expect(piece?.weights["weak-link"]).toBeCloseTo(floorRatio(1), 6);
    // One in twenty at 1 dB: the tenth from below is at 10 dB.
    const few = every(1, 40, 260, tenMissed).map((one, i) => ({ ...one, ...at(i % 20 === 0 ? 1 : 10) }));
    expect(margin(few)[0]?.sentence).toContain("a median margin of 10.0 dB, a tenth of them below 10.0 dB");
  });

  it("around a gap without frames says what the link was like otherwise", () => {
    const gone = (marginDb: number, gap: Partial<SceneGap> = {}) =>
      margin(every(1, 40, 260, from(101, 199), at(marginDb)), { missed: 99, ...gap })[0];
    expect(gone(7.5)).toEqual({
      sentence:
        "The frames heard around it came with a median margin of 7.5 dB, a tenth of them below 7.5 dB over the demodulation floor.",
      lane: "margin",
      restsOn,
      weights: { "weak-link": 0, "channel-mismatch": -1 },
    });
    expect([3.5, 4, 11.5, 12].map((db) => gone(db)?.weights["weak-link"])).toEqual([0.7, 0, 0, -0.7]);
    const silent = { kind: "silence", missed: 0 } as const;
    expect(gone(3.5, silent)?.weights).toEqual({ "weak-link": 0.7, "node-silent": -0.5 });
    expect(gone(4, silent)?.weights["node-silent"]).toBe(-0.5);
    expect(gone(4.5, silent)?.weights).toEqual({ "weak-link": 0, "node-silent": 0.5 });
    // Three frames tell it, two do not.
    expect(
      margin(
        [99, 100, 200].map((minute) => heard(1, minute, minute)),
        { missed: 99 },
      ),
    ).toHaveLength(1);
    expect(
      margin(
        [100, 200].map((minute) => heard(1, minute, minute)),
        { missed: 99 },
      ),
    ).toEqual([]);
  });

  it("is unknown of other modulations", () => {
    expect(
      margin(every(1, 40, 260, tenMissed, { spreadingFactor: null })).map(({ sentence }) => sentence),
    ).toEqual(["Its signal was as strong as before (0.0 dB more)."]);
  });
});

describe("the strength of the node's signal", () => {
  /** At 20 dB SNR the noise is nothing: strength is the RSSI. */
  const frames = (beforeDbm: number, withinDbm: number, missed = tenMissed, afterDbm = beforeDbm) =>
    every(1, 40, 260, missed).map((one) => ({
      ...one,
      snrDb: 20,
      rssiDbm: one.atUs <= WITHIN.fromUs ? beforeDbm : one.atUs < WITHIN.toUs ? withinDbm : afterDbm,
    }));
  const second = (own: readonly SceneReception[], gap: Partial<SceneGap> = {}, more: Partial<Scene> = {}) =>
    told(marginEvidence(sightOf(scene(own, gap, more))))[1];

  it("fell with the gap, by 3 dB and more: half of its size speaks for the link, up to 3", () => {
    expect(second(frames(-100, -104))).toEqual({
      sentence: "Its signal was 4.0 dB weaker in the gap than before (89 frames against 61).",
      lane: "margin",
      restsOn,
      weights: {
        "weak-link": expect.closeTo(2, 9),
        interference: -1,
        congestion: -0.5,
        "channel-mismatch": -1,
      },
    });
    expect(second(frames(-100, -108))?.weights["weak-link"]).toBe(3);
    expect(second(frames(-100, -102.5))).toMatchObject({
      sentence: "Its signal was as strong as before (2.5 dB less).",
      weights: { "weak-link": -0.3 },
    });
    expect(second(frames(-100, -98.5))).toMatchObject({
      sentence: "Its signal was as strong as before (1.5 dB more).",
      weights: { "weak-link": -1 },
    });
  });

  it("is known by the first four frames after it where the gap holds fewer than four", () => {
    const gone = from(101, 199).filter((minute) => minute !== 150 && minute !== 160);
    expect(second(frames(-100, -106, gone, -104), { missed: 97 })?.sentence).toBe(
      "Its signal was 4.0 dB weaker in the gap than before (6 frames against 61).",
    );
  });

  it("fell where five frames before and four since tell it, by more than three times what chance makes", () => {
    const fall = (then: readonly number[], now: readonly number[], after: readonly number[] = []) => {
      const at = (first: number, step: number, levels: readonly number[]) =>
        levels.map((rssiDbm, i) => heard(1, first + i * step, first + i * step, { snrDb: 20, rssiDbm }));
      const own = [...at(101 - then.length, 1, then), ...at(150, 10, now), ...at(200, 1, after)];
      return told(marginEvidence(sightOf(scene(own, { missed: 90 })))).find(({ sentence }) =>
        sentence.includes("weaker in the gap"),
      )?.sentence;
    };
    const [five, four] = [Array<number>(5).fill(-100), Array<number>(4).fill(-110)];
    const said = "Its signal was 10.0 dB weaker in the gap than before (4 frames against 5).";
    expect(fall(five, four)).toBe(said);
    expect(fall(five.slice(1), [...four, -110])).toBeUndefined();
    expect(fall(five, four.slice(1))).toBeUndefined();
    // Four within are enough: those after, as strong as before, are left out.
    expect(fall(five, four, five)).toBe(said);
    // Medians -100 and -104; about -103 half of the nine lie within 4 dB, a deviation of 5.93 dB: chance makes
    // 1.25 x 5.93 x √(1/5 + 1/4) = 4.97 dB, three times that is more than the fall.
    expect(fall([-90, -95, -100, -105, -110], [-99, -103, -105, -109])).toBeUndefined();
    // Just 3 dB, where one dB of deviation makes 1.25 x √(1/61 + 1/89) = 0.21.
    expect(second(frames(-100, -103))?.sentence).toContain("3.0 dB weaker in the gap");
  });

  it("is compared at the one gateway that heard most within", () => {
    const homes = [gateway(), gateway({ id: 2, eui: "02005E1000000002" })];
    // The first hears it until the gap, at -90; the second throughout, 1 ms later, at -100 and in the gap at -105.
    const first = every(1, 40, 100, [], { snrDb: 20, rssiDbm: -90 });
    const other = frames(-100, -105).map((one) => ({ ...one, gatewayId: 2, atUs: one.atUs + 1_000 }));
    expect(second([...first, ...other], {}, { homes })?.sentence).toBe(
      "Its signal was 5.0 dB weaker in the gap than before (90 frames against 60).",
    );
  });

  it("is compared there with what came after as well where fewer than four came within", () => {
    const homes = [gateway(), gateway({ id: 2, eui: "02005E1000000002" })];
    const gone = from(101, 199).filter((minute) => minute !== 150 && minute !== 160);
    const other = frames(-100, -106, gone, -104).map((one) => ({ ...one, gatewayId: 2 }));
    // Two of -106 and four of -104 in the middle, and the first frame after the gap is one of them.
    expect(
      second([...every(1, 40, 100, [], { snrDb: 20, rssiDbm: -90 }), ...other], { missed: 97 }, { homes })
        ?.sentence,
    ).toBe("Its signal was 4.0 dB weaker in the gap than before (6 frames against 61).");
  });

  it("at the edge of what can be read says nothing by being the same", () => {
    expect(isEdge([{ powerDbm: -110, marginDb: 2.9 }])).toBe(true);
    expect(isEdge([{ powerDbm: -110, marginDb: 3 }])).toBe(false);
    expect(isEdge([{ powerDbm: -110, marginDb: null }, { powerDbm: -110 }])).toBe(false);
    expect(second(every(1, 40, 260, tenMissed, at(2)))?.weights).toEqual({});
  });

  it("had been falling before, by 3 dB and more between the thirds of the last sixty frames", () => {
    const falling = (stepDb: number, first = 40, gap: Partial<SceneGap> = {}) => {
      const own = every(1, first, 100).map((one, i) => ({ ...one, snrDb: 20, rssiDbm: -90 - i * stepDb }));
      return told(marginEvidence(sightOf(scene(own, { missed: 0, kind: "silence", ...gap })))).find(
        ({ sentence }) => sentence.includes("falling"),
      );
    };
    // Forty frames between the middles of the first and the last twenty.
    expect(falling(0.1)).toEqual({
      sentence: "Its signal had been falling before, by 4.0 dB over the last 61 frames.",
      lane: "margin",
      restsOn,
      weights: { "weak-link": 2, "node-silent": -0.5 },
    });
    expect(falling(0.1, 40, { kind: "counters", missed: 99 })?.weights["node-silent"]).toBe(0);
    expect(falling(0.07)).toBeUndefined();
    expect(falling(0.5, 89)).toMatchObject({ weights: { "weak-link": 2 } });
    expect(falling(0.5, 90)).toBeUndefined();
    expect(falling(-0.1)).toBeUndefined();
  });
});

describe("a faster data rate since the gap", () => {
  const step = (then: number, since: number, marginDb: number, gap: Partial<SceneGap> = {}, first = 40) =>
    told(
      dataRateEvidence(
        sightOf(
          scene(
            every(1, first, 260, tenMissed).map((one) =>
              one.atUs <= WITHIN.fromUs
                ? { ...one, spreadingFactor: then }
                : { ...one, spreadingFactor: since, ...at(marginDb) },
            ),
            gap,
          ),
        ),
      ),
    );

  it("takes 2.5 dB a step, and explains a loss where it leaves less than 5 dB", () => {
    expect(step(12, 9, 4.5)).toEqual([
      {
        sentence: "It sends at SF9 since, at SF12 before: that takes 7.5 dB of its margin and leaves 4.5 dB.",
        lane: "margin",
        restsOn,
        weights: { "weak-link": 1.5 },
      },
    ]);
    expect(step(12, 9, 5)[0]?.weights).toEqual({ "weak-link": -0.3 });
  });

  it("is none where it is the same or slower, in a silence, or where fewer than four frames tell what was before", () => {
    expect(step(9, 9, 4)).toEqual([]);
    expect(step(7, 9, 4)).toEqual([]);
    expect(step(12, 9, 4, { kind: "silence" })).toEqual([]);
    expect(step(12, 9, 4, {}, 97)).toHaveLength(1);
    expect(step(12, 9, 4, {}, 98)).toEqual([]);
  });

  it("is known by the six frames after it as well where the gap holds fewer than four", () => {
    // Three frames within at SF12, and what came after at SF9: six of nine.
    const gone = from(101, 199).filter((minute) => ![110, 120, 130].includes(minute));
    const since = (within: number) =>
      dataRateEvidence(
        sightOf(
          scene(
            every(1, 40, 260, gone).map((one) => ({
              ...one,
              spreadingFactor: one.atUs < WITHIN.toUs ? within : 9,
              ...at(2),
            })),
            { missed: 96 },
          ),
        ),
      ).length;
    expect(since(12)).toBe(1);
  });

  it("is of the data rate that most frames have: of none where no rate has more than half", () => {
    const frames = every(1, 40, 260, tenMissed).map((one, i) => ({
      ...one,
      spreadingFactor: one.atUs <= WITHIN.fromUs ? 12 : 7 + (i % 3),
      ...at(2),
    }));
    expect(dataRateEvidence(sightOf(scene(frames)))).toEqual([]);
  });

  it("is that of more than half of the frames", () => {
    const mixed = (first: number) =>
      dataRateEvidence(
        sightOf(
          scene(
            every(1, 41, 260, tenMissed).map((one) => ({
              ...one,
              spreadingFactor: one.atUs <= WITHIN.fromUs ? (one.atUs < first * MINUTE ? 9 : 12) : 9,
              ...at(2),
            })),
          ),
        ),
      ).length;
    // Of sixty frames 31 at SF12, then 30.
    expect([mixed(70), mixed(71)]).toEqual([1, 0]);
  });
});

describe("losses of several nodes", () => {
  const pulses = (...starts: number[]) => starts.flatMap((start) => from(start, start + 4));
  const both = (one: readonly number[], two: readonly number[], gap: Partial<SceneGap> = {}) => {
    const other = every(2, 40, 260, two).map((each) => ({ ...each, atUs: each.atUs + MINUTE / 2 }));
    const sight = sightOf(scene([...every(1, 40, 260, one), ...other], { missed: one.length, ...gap }));
    return told(together(sight));
  };

  it("at the same moments come of what comes and goes", () => {
    const same = pulses(120, 140, 160);
    const [piece] = both(same, same);
    // Without the edges 76 minutes of each: 112 to 187.
    expect(piece).toMatchObject({
      sentence: expect.stringMatching(
        /^The nodes lose their frames at the same moments: of 30 losses among 152 frames of all of them, more follow on one another's than chance allows \(correlation 0\.\d\d, \d+\.\d standard errors\)\.$/,
      ),
      lane: "neighbours",
      restsOn: ofAll,
      weights: {
        interference: 2,
        "channel-mismatch": -1.5,
        congestion: -1.5,
        "weak-link": -1,
        "shared-address": -1,
      },
    });
  });

  it("are compared with the share of losses around each, twenty moments either way", () => {
    // By turns every half minute from 112 to 187.5: 152 moments, of which those of minutes 120-124, 140-144 and 160-164 are lost.
    const lost = Array.from({ length: 152 }, (_, i) =>
      pulses(120, 140, 160).includes(112 + (i >> 1)) ? 1 : 0,
    );
    const around = lost.map((_, i) => {
      const near = lost.slice(Math.max(0, i - 20), i + 21);
      return near.reduce<number>((a, b) => a + b, 0) / near.length;
    });
    const off = lost.map((one, i) => one - (around[i] ?? 0));
    const share = 30 / 152;
    const correlation =
      off.slice(1).reduce((sum, one, i) => sum + one * (off[i] ?? 0), 0) / (151 * share * (1 - share));
    const [piece] = both(pulses(120, 140, 160), pulses(120, 140, 160));
    expect(piece?.sentence).toContain(
      `(correlation ${correlation.toFixed(2)}, ${(correlation * Math.sqrt(151)).toFixed(1)} standard errors)`,
    );
  });

  it("are compared of all nodes, in the order of their moments", () => {
    // Three nodes, twenty seconds apart: each of the fifteen minutes costs three moments in a row.
    const minutes = pulses(120, 140, 160);
    const frames = [0, 1, 2].flatMap((i) =>
      every(1 + i, 40, 260, minutes).map((one) => ({ ...one, atUs: one.atUs + (i * MINUTE) / 3 })),
    );
    const [piece] = told(together(sightOf(scene(frames, { missed: 15 }))));
    const lost = Array.from({ length: 3 * 76 }, (_, i) =>
      minutes.includes(112 + Math.floor(i / 3)) ? 1 : 0,
    );
    const off = lost.map((one, i) => {
      const near = lost.slice(Math.max(0, i - 20), i + 21);
      return one - near.reduce<number>((a, b) => a + b, 0) / near.length;
    });
    const share = 45 / 228;
    const correlation =
      off.slice(1).reduce((sum, one, i) => sum + one * (off[i] ?? 0), 0) / (227 * share * (1 - share));
    expect(piece?.sentence).toContain(
      `of 45 losses among 228 frames of all of them, more follow on one another's than chance allows (correlation ${correlation.toFixed(2)}, ${(correlation * Math.sqrt(227)).toFixed(1)} standard errors)`,
    );
  });

  it("at moments of their own do not, nor ten of them at the least, nor nearly all", () => {
    expect(both(pulses(120, 140, 160), pulses(130, 150, 170))).toEqual([]);
    // Ten losses tell, nine do not.
    expect(both(pulses(120), pulses(120))).toHaveLength(1);
    expect(both(pulses(120), from(120, 123))).toEqual([]);
    const nearly = from(101, 199).filter((minute) => minute % 20 !== 0);
    expect(both(nearly, nearly)).toEqual([]);
  });

  it("are compared in forty moments that follow on one another's at the least", () => {
    const short = (last: number) => {
      const within = { fromUs: 100 * MINUTE, toUs: last * MINUTE };
      const missed = from(108, 112);
      const other = every(2, 40, 260, missed).map((each) => ({ ...each, atUs: each.atUs + MINUTE / 2 }));
      return together(sightOf(scene([...every(1, 40, 260, missed), ...other], within, { within }))).length;
    };
    // Three quarters of the gap count: of 30 min some 45 moments, of 20 min some 30.
    expect([short(130), short(120)]).toEqual([1, 0]);
  });
});

describe("a silence shorter than the node's interval", () => {
  it("has nothing due that could fall into an outage", () => {
    const homes = [gateway({ outages: [{ ...WITHIN, restarted: null, open: true }] })];
    const share = (rhythmUs: number) =>
      shareOut(
        sightOf(scene(every(1, 40, 100), { kind: "silence", open: true, missed: 0, rhythmUs }, { homes })),
      );
    expect([share(50 * MINUTE), share(200 * MINUTE)]).toEqual([1, 0]);
  });
});

describe("a silence of all gateways", () => {
  const nobody = [
    { fromUs: 110 * MINUTE, toUs: 113 * MINUTE },
    { fromUs: 115 * MINUTE, toUs: 122 * MINUTE },
  ];
  const silence = (followed: number) =>
    told(sharedSideEvidence(sightOf(scene(every(1, 40, 260, tenMissed), {}, { nobody, followed }))));
  const OTHERS = CAUSES.filter(
    (cause) => !["gateway-unreachable", "gateway-restarted", "backhaul-loss"].includes(cause),
  );

  it("is of the side that all share, as long as its longest", () => {
    expect(silence(3)).toEqual([
      {
        sentence:
          "No datagram came from any of the 3 gateways for 7 min: check first what all share (this listener, its network), not the air.",
        lane: "heartbeat",
        restsOn: ofAll,
        weights: { "gateway-unreachable": 2, ...of(-1.5, OTHERS) },
      },
    ]);
  });

  it("is none where the missed counters were due at other times, or a gateway restarted with it", () => {
    const told = (missed: readonly number[], more: Partial<Scene> = {}) => {
      const sight = sightOf(scene(every(1, 40, 260, missed), {}, { nobody, followed: 3, ...more }));
      return [isSharedSide(sight), sharedSideEvidence(sight).length];
    };
    expect(told(tenMissed)).toEqual([true, 1]);
    expect(told([130, 140, 150])).toEqual([false, 0]);
    expect(told(tenMissed, { followed: 1 })).toEqual([false, 1]);
    const outage = { fromUs: 110 * MINUTE, toUs: 113 * MINUTE, restarted: true, open: false };
    const homes = [gateway({ outages: [outage] }), gateway({ id: 2 })];
    expect(told(tenMissed, { homes })).toEqual([true, 0]);
  });

  it("is of the way to it where there is one", () => {
    expect(silence(1)).toEqual([
      {
        sentence:
          "No datagram came from the gateway for 7 min: check first the path between it and here, not the air.",
        lane: "heartbeat",
        restsOn: ofAll,
        weights: { "gateway-unreachable": 0.75, ...of(-0.5625, OTHERS) },
      },
    ]);
  });
});

describe("the load of the node's channel", () => {
  const airtimeUs = 200_000;
  const twenty = from(102, 199, 4).slice(0, 20);
  /** So many frames of 0.2 s of others on the node's channel at its data rate, spread over these minutes. */
  const crowd = (count: number, first: number, last: number) =>
    Array.from({ length: count }, (_, i) =>
      heard(9, first + ((last - first) * (i + 0.5)) / count, 0, {
        counter: null,
        lifeId: null,
        devAddr: null,
        airtimeUs,
      }),
    );
  const load = (
    traffic: readonly SceneReception[],
    gap: Partial<SceneGap> = {},
    missed: readonly number[] = twenty,
    more: Partial<Scene> = {},
  ) =>
    told(
      loadEvidence(
        sightOf(
          scene(
            [...every(1, 40, 260, missed, { airtimeUs }), ...traffic],
            { missed: missed.length, ...gap },
            more,
          ),
        ),
      ),
    );
  // Twenty of 99 may have been lost at 18 %: N(0; 0.1, 0.7) against N(0; 3, 1.8); so full a channel is met seldom.
  const collisions = 1 - Math.exp(-0.2);
  const fits = -((0.1 / 0.7) ** 2) / 2 - Math.log(0.7) + (3 / 1.8) ** 2 / 2 + Math.log(1.8);
  const rare = Math.log(collisions / 0.05);

  it("explains a loss of the size of its collisions, the more where it rose", () => {
    expect(load(crowd(3_000, 100, 200))).toEqual([
      {
        sentence:
          "The traffic heard on its channels at its data rate predicts collisions for 18 % of its frames (0 % before); it lost 20 %.",
        lane: "load",
        restsOn: ofAll,
        weights: {
          congestion: expect.closeTo(fits + rare + 1, 6),
          "channel-mismatch": expect.closeTo(-(fits + rare), 6),
          "weak-link": -0.5,
        },
      },
    ]);
  });

  it("says less where it was there before, and cost nothing then", () => {
    const asBefore = [...crowd(3_000, 100, 200), ...crowd(1_800, 40, 100)];
    const [piece] = load(asBefore);
    expect(piece?.sentence).toContain("predicts collisions for 18 % of its frames (18 % before)");
    expect(piece?.weights.congestion).toBeCloseTo(fits + rare - 0.5, 6);
    // A steady loss may be as old as the traffic.
    expect(load(asBefore, { kind: "steady" })[0]?.weights.congestion).toBeCloseTo(fits + rare, 6);
    // Of the node's own 61 counters before 7 were lost: more than half of what collisions take.
    const lostBefore = [...from(50, 98, 8), ...twenty];
    expect(load(asBefore, { missed: 20 }, lostBefore)[0]?.weights.congestion).toBeCloseTo(fits + rare, 1);
  });

  it("is no cause where it takes far less than was lost, or is next to nothing", () => {
    // 300 frames: 1 - e^-0.02 = 2 %, where at least 10 % was lost.
    const [piece] = load(crowd(300, 100, 200));
    expect(piece?.sentence).toContain("collisions for 2.0 % of its frames");
    expect(piece?.weights.congestion).toBeLessThan(0);
    expect(piece?.weights["channel-mismatch"]).toBeUndefined();
    expect(load([])[0]?.weights.congestion).toBeLessThan(-3);
  });

  it("is that of the best gateway's packets, and of what the others lost of theirs", () => {
    const elsewhere = crowd(3_000, 100, 200).map((one) => ({ ...one, gatewayId: 2 }));
    expect(load(elsewhere)[0]?.sentence).toContain("predicts collisions for 0 % of its frames");
    // Another node, on a channel of its own, lost 20 of 100: 3 000 heard were 3 750, 1 - e^-0.25 = 22 %.
    const beside = (missed: readonly number[]) =>
      load([...crowd(3_000, 100, 200), ...every(2, 40, 260, missed, { frequencyHz: 868_300_000 })])[0]
        ?.sentence;
    expect(beside(twenty)).toContain("predicts collisions for 22 % of its frames");
    // Nine tenths lost count as eight: five times as many, 1 - e^-1 = 63 %.
    expect(beside(from(101, 199).filter((minute) => minute % 10 !== 0))).toContain(
      "predicts collisions for 63 % of its frames",
    );
  });

  it("that is next to nothing is not called risen, nor does it take anything off other causes", () => {
    // 300 frames, 2 %, far below the least that twenty of 99 may have been.
    const { low } = sightOf(scene(every(1, 40, 260, twenty), { missed: 20 })).lossRange;
    const x = Math.log(low / -Math.expm1(-0.02));
    // Less than ln 1.2 = rare would count; here it does not.
    expect(x).toBeGreaterThan(1.2);
    const ratio = -(((x - 0.1) / 0.7) ** 2) / 2 - Math.log(0.7) + ((x - 3) / 1.8) ** 2 / 2 + Math.log(1.8);
    expect(load(crowd(300, 100, 200))[0]?.weights.congestion).toBeCloseTo(ratio, 3);
    // 600 frames, 3.9 %, of which five of 99 are: it fits, at less than the five percent of a full channel.
    const [piece] = load(crowd(600, 100, 200), {}, [110, 130, 150, 170, 190]);
    expect(piece?.sentence).toContain("collisions for 3.9 % of its frames (0 % before); it lost 5.1 %");
    expect(piece?.weights).toEqual({
      congestion: expect.closeTo(fits + Math.log(-Math.expm1(-0.04) / 0.05) + 1, 6),
    });
  });

  it("leaves other causes open where far more was lost than it takes", () => {
    const [piece] = load(crowd(3_000, 100, 200), {}, from(101, 195));
    expect(piece?.sentence).toMatch(
      /predicts collisions for 18 % of its frames \(0 % before\); it lost 96 %\.$/,
    );
    expect(Object.keys(piece?.weights ?? {})).toEqual(["congestion"]);
  });

  it("is looked at where counters were missed in more than a minute, and not in a silence", () => {
    const traffic = crowd(3_000, 100, 200);
    expect(load(traffic, { missed: 0 }, [])).toEqual([]);
    expect(load(traffic, { kind: "silence" })).toEqual([]);
    expect(load(traffic, {}, twenty, { homes: [] })).toEqual([]);
    const within = (us: number) => ({ fromUs: WITHIN.fromUs, toUs: WITHIN.fromUs + us });
    const short = (us: number) => load(traffic, { ...within(us), missed: 1 }, [101], { within: within(us) });
    expect([short(2 * MINUTE).length, short(MINUTE - 1).length]).toEqual([1, 0]);
  });

  it("is that of the channels of twenty frames on each side where fewer than four came within", () => {
    const gone = from(101, 199);
    const [piece] = load(crowd(3_000, 100, 200), {}, gone);
    expect(piece?.sentence).toContain("predicts collisions for 18 % of its frames");
  });

  it("strikes those at the node's data rate, of whom others tell", () => {
    const others = (lostAtRate: readonly number[], rate = 3) => [
      ...every(2, 40, 260, lostAtRate, { airtimeUs, dataRate: rate }),
      ...every(3, 40, 260, [], { airtimeUs, dataRate: 5 }),
    ];
    const second = (receptions: readonly SceneReception[]) =>
      load([...crowd(3_000, 100, 200), ...receptions])[1];
    // Twenty of 100 at its own, none of 100 at another.
    expect(second(others(twenty))).toEqual({
      sentence: "Others at its data rate lost 20 % of 100 counters, those at other data rates 0 % of 100.",
      lane: "load",
      restsOn: ofAll,
      weights: { congestion: 1.5, interference: -0.5, "gateway-transmitting": -0.5 },
    });
    // Twenty against twelve of a hundred: less than twice as many.
    const twelve = from(102, 190, 8);
    expect(
      second([
        ...every(2, 40, 260, twenty, { airtimeUs }),
        ...every(3, 40, 260, twelve, { airtimeUs, dataRate: 5 }),
      ])?.sentence,
    ).toContain("about what collisions take");
    // Of nobody at another rate is anything known: about what collisions take.
    expect(second(every(2, 40, 260, twenty, { airtimeUs }))).toEqual({
      sentence: "Others at its data rate lost 20 % of 100 counters, about what collisions take at that load.",
      lane: "load",
      restsOn: ofAll,
      weights: { congestion: 1.5, "weak-link": -0.7, "channel-mismatch": -0.7 },
    });
    // Three of a hundred: less than four, and far below what collisions take.
    expect(second(others([110, 120, 130]))).toBeUndefined();
    expect(second(every(2, 40, 260, [110, 120, 130], { airtimeUs }))).toBeUndefined();
  });
});
