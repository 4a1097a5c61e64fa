/** What a scene holds, and what single pieces of evidence weigh, on scenes small enough to be counted by hand. */
import { describe, expect, it } from "vitest";
import {
  reachShare,
  sharedSideEvidence,
  shareInSilence,
  shareOut,
} from "../../../src/diagnosis/findings/coincidence.ts";
import {
  atItsRate,
  countedIn,
  isAloneAtItsRate,
  isOut,
  lossesAreAlike,
  lossInCompany,
  missedTimes,
  surpriseOfOthers,
  withoutEdges,
} from "../../../src/diagnosis/findings/company.ts";
import { lossOver, sightOf, signalPowerDbm } from "../../../src/diagnosis/findings/observations.ts";
import { loadEvidence } from "../../../src/diagnosis/findings/predicted-loss.ts";
import type { Scene, SceneGateway, SceneReception } from "../../../src/model/gap.ts";
import { overlapUs } from "../../../src/model/time-range.ts";
import { every, gateway, heard, MINUTE, S, scene } from "./by-minutes.ts";

const tenMissed = [110, 111, 112, 120, 121, 130, 140, 150, 160, 170];

describe("what a scene holds of the node", () => {
  const made = () => sightOf(scene(every(1, 40, 260, tenMissed)));

  it("is parted into before, within and after, the frames at both ends of the gap in neither middle", () => {
    const sight = made();
    const minutes = (frames: readonly { readonly atUs: number }[]) => frames.map(({ atUs }) => atUs / MINUTE);
    expect(sight.own).toHaveLength(221 - 10);
    expect(minutes(sight.ownBefore)).toEqual(Array.from({ length: 61 }, (_, i) => 40 + i));
    expect(minutes(sight.ownWithin)).toEqual(
      Array.from({ length: 99 }, (_, i) => 101 + i).filter((minute) => !tenMissed.includes(minute)),
    );
    expect(minutes(sight.ownAfter)).toEqual(Array.from({ length: 60 }, (_, i) => 200 + i));
  });

  it("dates the missed counters between the frames around them, and counts its loss", () => {
    const sight = made();
    expect(sight.missedAtUs.map((atUs) => atUs / MINUTE)).toEqual(tenMissed);
    expect([sight.missed, sight.heard]).toEqual([10, 89]);
    expect(sight.lossWithin).toBeCloseTo(10 / 99, 12);
    // Wilson 1927 for 10 of 99, z = 1.96: (0.10101 + 0.0194 + 1.96 √(0.0908/99 + 0.000098)) / 1.0388.
    expect(sight.lossRange.high).toBeCloseTo(0.1761, 3);
    // Of a loss of 3.549 % ten and more in 99 have a chance of 0.00278; of 221 counters 122 more begin such a stretch,
    // each with what its share of 10/99 exceeds the loss by: 0.00278 (1 + 122 x 0.06552) = 0.025.
    expect(sight.lossRange.low).toBeCloseTo(0.03549, 4);
  });

  it("holds nothing for missed while nothing was recorded", () => {
    const homes = [gateway({ notRecorded: [{ fromUs: 119 * MINUTE, toUs: 122 * MINUTE }] })];
    const without = sightOf(scene(every(1, 40, 260, tenMissed), {}, { homes }));
    expect(without.missedAtUs.map((atUs) => atUs / MINUTE)).toEqual(
      tenMissed.filter((m) => m !== 120 && m !== 121),
    );
  });

  it("has a frame as its best gateway heard it, at the time of the first", () => {
    const best = heard(1, 105, 105, { gatewayId: 2, snrDb: 3, rssiDbm: -100, atUs: 105 * MINUTE + 40 });
    const worse = heard(1, 106, 106, { gatewayId: 2, snrDb: -9, atUs: 106 * MINUTE + 40 });
    const repeat = heard(1, 107, 107, { repeat: true, snrDb: 8, atUs: 107 * MINUTE + 5 * S });
    const own = sightOf(scene([...every(1, 100, 200), best, worse, repeat])).own;
    const [a, b, c] = [5, 6, 7].map((i) => own[i]);
    // SF9's floor is -12.5 dB.
    expect([a?.snrDb, a?.marginDb, a?.atUs]).toEqual([3, 15.5, 105 * MINUTE]);
    // RSSI -100 dBm at 3 dB SNR: -100 - 10 log10(1 + 10^-0.3) = -101.76 dBm of signal.
    expect(a?.powerDbm).toBeCloseTo(-101.76, 2);
    expect([b?.snrDb, c?.snrDb]).toEqual([-5, -5]);
    expect(own).toHaveLength(101);
  });

  it("has no other life of its address among its neighbours: that is the node after a restart", () => {
    const after = every(7, 200, 260, [], { devAddr: 101 });
    const { neighbours } = sightOf(scene([...every(1, 40, 100), ...after, ...every(2, 40, 260)]));
    expect(neighbours.map(({ lifeId }) => lifeId)).toEqual([2]);
  });

  it("dates one that was missed right before the frame that ends the gap", () => {
    const { missedAtUs } = sightOf(scene(every(1, 40, 260, [199])));
    expect(missedAtUs.map((atUs) => atUs / MINUTE)).toEqual([199]);
  });
});

describe("what the others lost meanwhile", () => {
  const own = every(1, 40, 260, tenMissed);
  const others = [
    ...every(2, 40, 260, [120, 121]),
    ...every(3, 40, 260, [50, 130]),
    ...every(4, 40, 260, [140, 141, 142, 143]),
  ];
  const made = () => sightOf(scene([...own, ...others]));
  const { within, before, after } = scene([]);

  it("is counted between the first and the last frame of each", () => {
    const sight = made();
    // Minutes 100 to 199 of three nodes: 2 + 1 + 4 missed of 300.
    expect(countedIn(sight.neighbours, within, sight)).toEqual({
      missed: 7,
      expected: 300,
      nodes: 3,
      isTrimmed: false,
    });
    // Minutes 40 to 99: one of 180; after it none.
    expect(countedIn(sight.neighbours, before, sight)).toMatchObject({ missed: 1, expected: 180 });
    expect(countedIn(sight.neighbours, after, sight)).toMatchObject({ missed: 0, expected: 180 });
  });

  it("leaves out the one that lost most, from four on, and a node of two frames", () => {
    const five = sightOf(scene([...own, ...others, ...every(5, 40, 260, [150]), ...every(6, 110, 111)]));
    // 2 + 1 + 1 of 300: the node that lost four is out.
    expect(countedIn(five.neighbours, within, five)).toEqual({
      missed: 4,
      expected: 300,
      nodes: 3,
      isTrimmed: true,
    });
  });

  it("does not hold what fell into an outage of their gateway, to 15 s", () => {
    const out = (fromUs: number, toUs: number) => [{ fromUs, toUs, restarted: null, open: false }];
    const counted = (fromUs: number, toUs: number) => {
      const one = sightOf(
        scene([...own, ...others], {}, { homes: [gateway({ outages: out(fromUs, toUs) })] }),
      );
      return countedIn(one.neighbours, within, one);
    };
    expect(counted(140 * MINUTE, 142 * MINUTE)).toMatchObject({ missed: 4, expected: 297 });
    expect(counted(140 * MINUTE + 14 * S, 143 * MINUTE - 14 * S)).toMatchObject({ missed: 3, expected: 296 });
    expect(counted(140 * MINUTE + 15 * S, 143 * MINUTE - 15 * S)).toMatchObject({ missed: 5, expected: 298 });
    const range = [{ fromUs: 100 * S, toUs: 200 * S }];
    expect([85, 86, 150, 214, 215].map((s) => isOut(range, s * S))).toEqual([false, true, true, true, false]);
  });

  it("leaves out a counter that ran away: more than fifty times as many as were heard", () => {
    const away = (to: number) => {
      const odd = [heard(7, 110, 1), heard(7, 111, 2), heard(7, 112, to)];
      const one = sightOf(scene([...own, ...odd]));
      return countedIn(one.neighbours, within, one);
    };
    expect(away(150)).toMatchObject({ missed: 147, expected: 150, nodes: 1 });
    expect(away(151)).toMatchObject({ missed: 0, expected: 0, nodes: 0 });
  });

  it("is surprising by the best of three raised losses, against what they lost before", () => {
    // Before: (1 + 0.5) / (180 + 25) = 0.73 %, held to 1 %. All neighbours send at the node's data rate, so the first counts.
    const ratio = (raised: number) => 7 * Math.log(raised / 0.01) + 293 * Math.log((1 - raised) / 0.99);
    const expected = Math.max(ratio(0.1), ratio(0.25), ratio(0.6)) - Math.log(3);
    expect(surpriseOfOthers(made())).toBeCloseTo(expected, 9);
    // Two that lose a third each, at 0.01 usual: 0.25 fits best.
    const many = Array.from({ length: 33 }, (_, i) => 101 + 3 * i);
    const two = sightOf(
      scene([...own, ...every(2, 40, 260, many), ...every(3, 40, 260, many, { dataRate: 5 })]),
    );
    const both = 66 * Math.log(0.25 / 0.01) + 134 * Math.log(0.75 / 0.99) - Math.log(3);
    expect(surpriseOfOthers(two)).toBeCloseTo(both, 9);
    // One at the node's data rate lost a third, two at another nothing: those at its own say more, for a factor of two.
    const none = [...every(3, 40, 260, [], { dataRate: 5 }), ...every(4, 40, 260, [], { dataRate: 5 })];
    const third = sightOf(scene([...own, ...every(2, 40, 260, many), ...none]));
    const atRate = 33 * Math.log(0.25 / 0.01) + 67 * Math.log(0.75 / 0.99) - Math.log(3) - Math.log(2);
    expect(surpriseOfOthers(third)).toBeCloseTo(atRate, 9);
    expect(atItsRate(third).map(({ lifeId }) => lifeId)).toEqual([2]);
    // The node lost 10 %, at least 3.5 %: of 100 at its rate none, at most 3.7 %: more than half of that.
    expect(isAloneAtItsRate(sightOf(scene([...own, ...every(2, 40, 260)])))).toBe(false);
    const three = [2, 3, 4].flatMap((life) => every(life, 40, 260));
    // None of 300, at most 1.3 %.
    expect(isAloneAtItsRate(sightOf(scene([...own, ...three])))).toBe(true);
    expect(isAloneAtItsRate(sightOf(scene([...own, ...three.map((one) => ({ ...one, dataRate: 5 }))])))).toBe(
      false,
    );
  });

  it("is weighed by a neighbour's newest data rate, and from thirty counters on", () => {
    const changed = every(2, 40, 260).map((one, i) => ({ ...one, dataRate: i < 100 ? 5 : 3 }));
    expect(atItsRate(sightOf(scene([...own, ...changed]))).map(({ lifeId }) => lifeId)).toEqual([2]);
    // The node lost sixty of a hundred; of twenty counters none lost would be at most 16 %, less than half of its least.
    const sixty = Array.from({ length: 60 }, (_, k) => 101 + k);
    const alone = (to: number) =>
      isAloneAtItsRate(sightOf(scene([...every(1, 40, 260, sixty), ...every(2, 100, to)], { missed: 60 })));
    expect(alone(119)).toBe(false);
    expect(alone(129)).toBe(true);
  });

  it("began with the gap, went on all along, or ended with it", () => {
    const company = (missed: readonly number[], from = 40) => {
      const one = sightOf(scene([...own, ...every(2, from, 260, missed), ...every(3, from, 260, missed)]));
      return lossInCompany(one);
    };
    const inGap = Array.from({ length: 20 }, (_, i) => 102 + 4 * i);
    const all = Array.from({ length: 50 }, (_, i) => 42 + 4 * i);
    expect(company([])).toBeNull();
    expect(company(inGap)).toBe("begun");
    expect(company(all)).toMatchObject({ missed: 50, expected: 200, nodes: 2 });
    // Nothing known of before: what came after tells.
    expect(company(inGap, 100)).toBe("ended");
    expect(company(all, 100)).toMatchObject({ missed: 50, expected: 200 });
    // A fiftieth, less than a quarter of the tenth that the node lost.
    expect(company([120, 121])).toBeNull();
  });

  it("is alike where single nodes scatter about one share by chance", () => {
    const of = (...missed: number[]) => {
      const lost = (count: number) =>
        Array.from({ length: count }, (_, i) => 101 + Math.floor((i * 96) / count));
      const one = sightOf(
        scene(
          [
            ...every(1, 40, 260, lost(30)),
            ...missed.flatMap((count, i) => every(2 + i, 40, 260, lost(count))),
          ],
          { missed: 30 },
        ),
      );
      return lossesAreAlike(one);
    };
    // About 30 % of a hundred each.
    expect(of(28, 30, 33, 29)).toBe(true);
    // Chi-square of 5, 55, 5 and 55 of 100 about 0.3: 4 x 625 / 21 = 119, more than 4 + 3 √8 = 12.5.
    expect(of(5, 55, 5, 55)).toBe(false);
    // Of 22, 38, 24 and 36: 4 x 50 / 21 = 9.5 about 0.3 is still chance.
    expect(of(22, 38, 24, 36)).toBe(true);
    // Alike among themselves, the node's own 30 % far off.
    expect(of(55, 55, 55, 55)).toBe(false);
    expect(of(3, 3, 3, 3)).toBe(false);
  });
});

describe("small measures", () => {
  it("spread the counters between two frames evenly", () => {
    const [one, other] = sightOf(scene([heard(1, 100, 5), heard(1, 110, 9)])).own;
    if (one === undefined || other === undefined) throw new Error("two frames");
    expect(missedTimes(one, other).map((atUs) => atUs / MINUTE)).toEqual([102.5, 105, 107.5]);
    expect(missedTimes(other, one)).toEqual([]);
  });

  it("take twelve hundredths off each end of a range", () => {
    expect(withoutEdges({ fromUs: 1_000, toUs: 2_000 })).toEqual({ fromUs: 1_120, toUs: 1_880 });
  });

  it("say how far a loss lies outside what is predicted", () => {
    const sight = { ...sightOf(scene([])), lossRange: { low: 0.2, high: 0.4 } };
    expect(lossOver(sight, 0.05)).toBeCloseTo(Math.log(4), 12);
    expect([0.2, 0.3, 0.4].map((share) => lossOver(sight, share))).toEqual([0, 0, 0]);
    expect(lossOver(sight, 0.8)).toBeCloseTo(-Math.log(2), 12);
    expect(lossOver(sight, 0)).toBeCloseTo(Math.log(0.2 / 1e-4), 9);
  });

  it("take the noise's share off the power, where the SNR is known", () => {
    expect(signalPowerDbm(null, 3)).toBeNull();
    expect(signalPowerDbm(-100, null)).toBe(-100);
    // At 0 dB SNR half of it is noise: 3.01 dB.
    expect(signalPowerDbm(-100, 0)).toBeCloseTo(-103.01, 2);
  });

  it("give the time that two ranges share", () => {
    const shared = (a: number, b: number) => overlapUs({ fromUs: 10, toUs: 20 }, { fromUs: a, toUs: b });
    expect([
      shared(12, 15),
      shared(5, 13),
      shared(18, 30),
      shared(20, 30),
      shared(0, 5),
      shared(0, 50),
    ]).toEqual([3, 3, 2, 0, 0, 10]);
  });
});

describe("a gateway out of reach", () => {
  const out = (from: number, to: number) => ({
    fromUs: from * MINUTE,
    toUs: to * MINUTE,
    restarted: null,
    open: false,
  });
  const frames = every(1, 40, 260, tenMissed);

  it("explains the missed counters that were due meanwhile, to two seconds and a tenth of the rhythm", () => {
    const share = (...homes: SceneGateway[]) => shareOut(sightOf(scene(frames, {}, { homes })));
    // 110, 111, 112, 120 and 121 lie in it; 130 does 8 s after its end, 140 not by a minute.
    expect(share(gateway({ outages: [out(109, 121.5)] }))).toBe(0.5);
    expect(share(gateway({ outages: [out(109, 130 - 7.9 / 60)] }))).toBe(0.6);
    expect(share(gateway({ outages: [out(109, 130 - 8 / 60)] }))).toBe(0.5);
    expect(share(gateway({ outages: [out(110 + 8 / 60, 112)] }))).toBe(0.3);
    expect(share(gateway({ outages: [out(110 + 8.1 / 60, 112)] }))).toBe(0.2);
    // Both must have been out.
    expect(share(gateway({ outages: [out(109, 141)] }), gateway({ id: 2, outages: [out(119, 200)] }))).toBe(
      0.4,
    );
    expect(share(gateway({ outages: [out(109, 141)] }), gateway({ id: 2 }))).toBe(0);
  });

  it("explains the time of a silence: of one that goes on, from when the node was due", () => {
    const silent = every(1, 40, 100);
    const share = (outages: SceneGateway["outages"], open: boolean, rhythmUs = MINUTE) =>
      shareOut(
        sightOf(
          scene(silent, { kind: "silence", missed: 0, open, rhythmUs }, { homes: [gateway({ outages })] }),
        ),
      );
    // Forty moments, 2.5 min apart, from 101.25 on: 20 of them until 150.
    expect(share([out(100, 150)], false)).toBe(20 / 40);
    // Due from 120 on: 32 moments, the first twelve of them until 150 (slack 2 s and 2 min: 151.25 too).
    expect(share([out(100, 150)], true, 20 * MINUTE)).toBe(13 / 32);
    expect(share([], false)).toBe(0);
  });

  it("was reachable where its datagrams came at its keepalive interval", () => {
    const at = (...seconds: number[]) => seconds.map((s) => 100 * MINUTE + s * S);
    const share = (keepalivesUs: readonly number[], toS: number, more: Partial<SceneGateway> = {}) => {
      const home = gateway({ keepalivesUs, ...more });
      const sight = sightOf(scene([], {}, { homes: [home] }));
      return reachShare(home, sight, { fromUs: 100 * MINUTE, toUs: 100 * MINUTE + toS * S });
    };
    expect(share(at(0, 20, 40, 60, 80, 100), 100)).toBeCloseTo(1, 6);
    // Nothing from 40 to 80: more than 30 s apart.
    expect(share(at(0, 20, 40, 80, 100), 100)).toBeCloseTo(0.6, 6);
    expect(share(at(0, 30, 60, 90, 120), 100)).toBeCloseTo(1, 6);
    // A report and a packet count as well.
    const report = {
      atUs: at(60)[0] ?? 0,
      received: 0,
      crcOk: 0,
      forwarded: 0,
      emitted: 0,
      ackPercent: null,
    };
    expect(share(at(0, 20, 40, 80, 100), 100, { reports: [report] })).toBeCloseTo(1, 6);
    // The time that nobody recorded does not count.
    const notRecorded = [{ fromUs: 100 * MINUTE + 40 * S, toUs: 100 * MINUTE + 80 * S }];
    expect(share(at(0, 20, 40, 80, 100), 100, { notRecorded })).toBeCloseTo(1, 6);
    expect(share(at(0, 20), 19)).toBe(0);
    expect(share(at(0, 20), 100, { keepaliveUs: null })).toBe(0);
  });
});

describe("a silence of all gateways at once", () => {
  const frames = every(1, 40, 260, tenMissed);
  const nobody = [{ fromUs: 110 * MINUTE, toUs: 121 * MINUTE }];
  const of = (more: Partial<Scene>) => sightOf(scene(frames, {}, { nobody, ...more }));

  it("explains what was due in it, to five seconds", () => {
    expect(shareInSilence(of({}))).toBe(0.5);
    const at = (fromUs: number, toUs: number) => shareInSilence(of({ nobody: [{ fromUs, toUs }] }));
    expect(at(110 * MINUTE + 4.9 * S, 112 * MINUTE)).toBe(0.3);
    expect(at(110 * MINUTE + 5.1 * S, 112 * MINUTE)).toBe(0.2);
    expect(shareInSilence(of({ nobody: [] }))).toBe(0);
  });

  it("weighs its share of four for several gateways, of one and a half for one, and three quarters of it against the rest", () => {
    const weights = (more: Partial<Scene>) => sharedSideEvidence(of(more))[0]?.weights;
    expect(weights({ followed: 3 })).toMatchObject({
      "gateway-unreachable": 2,
      "weak-link": -1.5,
      "node-silent": -1.5,
    });
    expect(weights({ followed: 3 })?.["gateway-restarted"]).toBeUndefined();
    expect(weights({ followed: 1 })).toMatchObject({ "gateway-unreachable": 0.75, "weak-link": -0.5625 });
    expect(weights({ nobody: [{ fromUs: 110 * MINUTE, toUs: 112 * MINUTE }] })).toBeUndefined();
    // From four tenths on: three of ten and one more.
    const four = [
      { fromUs: 110 * MINUTE, toUs: 112 * MINUTE },
      { fromUs: 130 * MINUTE, toUs: 131 * MINUTE },
    ];
    expect(weights({ followed: 3, nobody: four })?.["gateway-unreachable"]).toBeCloseTo(1.6, 9);
    const outages = [{ fromUs: 109 * MINUTE, toUs: 121 * MINUTE, restarted: true, open: false }];
    expect(weights({ followed: 3, homes: [gateway({ outages })] })).toBeUndefined();
    // Neither one that ran on, nor a restart that has no part in the gap.
    for (const other of [
      { ...outages[0]!, restarted: false },
      { ...outages[0]!, restarted: null },
      { ...outages[0]!, fromUs: 50 * MINUTE, toUs: 100 * MINUTE },
    ])
      expect(weights({ followed: 3, homes: [gateway({ outages: [other] })] })?.["gateway-unreachable"]).toBe(
        2,
      );
  });
});

describe("the load of the channels", () => {
  /** One other device sends so many frames in the gap's 100 minutes on the node's channel at its data rate. */
  const load = (others: number, more: Partial<SceneReception> = {}, missed = 20) => {
    const lost = Array.from({ length: missed }, (_, i) => 102 + 4 * i);
    const own = every(1, 40, 260, lost, { airtimeUs: 200_000 });
    const traffic = Array.from({ length: others }, (_, i) =>
      heard(9, 100 + (100 * (i + 0.5)) / others, 0, {
        counter: null,
        lifeId: null,
        devAddr: null,
        airtimeUs: 200_000,
        ...more,
      }),
    );
    const [piece] = loadEvidence(sightOf(scene([...own, ...traffic], { missed })));
    return typeof piece?.sentence === "string" ? piece.sentence.replaceAll("\u202F", " ") : "";
  };

  it("predicts collisions by the airtime of others and its own: 1 - e^(-n (own + other) / time)", () => {
    // 3000 frames of 0.2 s against its own 0.2 s in 6000 s: 1 - e^-0.2 = 18.1 %; before, none.
    expect(load(3_000)).toMatch(/collisions for 18(\.1)? ?% of its frames \(0(\.0)? ?% before\); it lost 20/);
    // 1500 frames of 0.6 s: 1500 x 0.8 / 6000 = 0.2 again.
    expect(load(1_500, { airtimeUs: 600_000 })).toMatch(/collisions for 18(\.1)? ?%/);
    // On another channel, or at another data rate, none.
    expect(load(3_000, { frequencyHz: 868_300_000 })).toMatch(/collisions for 0(\.0)? ?%/);
    expect(load(3_000, { dataRate: 5 })).toMatch(/collisions for 0(\.0)? ?%/);
  });
});
