import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  draftOf,
  type GapDraft,
  type HeardCounter,
  newLifeWatch,
  openSilence,
  watchCounter,
} from "../../../src/ledger/gaps/gap-detector.ts";
import {
  countInterval,
  homeGateways,
  type IntervalCounts,
  longestUsualOf,
  longestUsualUs,
  overdueAfterUs,
  rhythmOf,
} from "../../../src/ledger/gaps/intervals.ts";

import {
  baselineLoss,
  isAtRest,
  type LossEpisode,
  lacking,
  newLossWatch,
  standsOut,
  watchStep,
} from "../../../src/ledger/gaps/loss-detector.ts";
import { chanceOfInterval } from "../../../src/statistics/distributions.ts";
import { chance } from "../../diagnosis/findings/history.ts";

const S = 1_000_000;
const MINUTE = 60 * S;
const never = () => [];

/** A node that sends every ten minutes; `lost` tells which of its counters are not heard. */
function everyTenMinutes(count: number, lost: (counter: number) => boolean): HeardCounter[] {
  return Array.from({ length: count }, (_, counter) => ({
    counter,
    atUs: counter * 10 * MINUTE,
    gatewayIds: [1],
  })).filter(({ counter }) => !lost(counter));
}

function watch(heard: readonly HeardCounter[], outOfReach: Parameters<typeof watchCounter>[2] = never) {
  const state = newLifeWatch();
  const gaps = new Map<string, GapDraft>();
  for (const one of heard)
    for (const draft of watchCounter(state, one, outOfReach)) gaps.set(`${draft.tag}/${draft.fromUs}`, draft);
  return { state, gaps: [...gaps.values()] };
}

describe("a node's gaps by its counters", () => {
  it("are none when every fiftieth frame is lost for weeks", () => {
    expect(watch(everyTenMinutes(4_000, (counter) => counter % 50 === 49)).gaps).toEqual([]);
  });

  it("are told anew with each counter that is missed, and not with those that are heard between", () => {
    const state = newLifeWatch();
    const heard = everyTenMinutes(130, (n) => (n >= 100 && n < 106) || n === 108);
    const told = heard.map((one) => [one.counter, watchCounter(state, one, never).length]);
    expect(told.filter(([counter = 0, drafts = 0]) => drafts > 0 && counter < 110)).toEqual([
      [106, 1],
      [109, 1],
    ]);
  });

  it("are none for one frame lost on a healthy link", () => {
    expect(watch(everyTenMinutes(200, (counter) => counter === 120)).gaps).toEqual([]);
  });

  it("are one of six counters when six in a row are lost", () => {
    const { gaps } = watch(everyTenMinutes(200, (counter) => counter >= 100 && counter < 106));
    expect(gaps).toHaveLength(1);
    expect(gaps[0]).toMatchObject({
      kind: "counters",
      missed: 6,
      firstMissed: 100,
      lastMissed: 105,
      heard: 0,
      fromUs: 99 * 10 * MINUTE,
      toUs: 106 * 10 * MINUTE,
      open: false,
    });
  });

  it("are one episode when the losses lie near each other", () => {
    const lost = new Set([100, 101, 102, 104, 105, 107, 109, 110, 111]);
    const { gaps } = watch(everyTenMinutes(250, (counter) => lost.has(counter)));
    expect(gaps).toHaveLength(1);
    expect(gaps[0]).toMatchObject({ missed: 9, heard: 3, firstMissed: 100, lastMissed: 111 });
  });

  it("are two when two runs lie a day apart", () => {
    const lost = (counter: number) => (counter >= 100 && counter < 105) || (counter >= 244 && counter < 249);
    expect(watch(everyTenMinutes(400, lost)).gaps.map(({ firstMissed }) => firstMissed)).toEqual([100, 244]);
  });

  it("are one steady loss of a period, found at its ends within a few frames, not hundreds of gaps", () => {
    const random = chance(7);
    const lost = new Set<number>();
    for (let counter = 300; counter < 900; counter++) if (random() < 0.4) lost.add(counter);
    const { gaps } = watch(everyTenMinutes(1_400, (counter) => lost.has(counter)));
    expect(gaps).toHaveLength(1);
    const [gap] = gaps;
    expect(gap?.kind).toBe("steady");
    expect(Math.abs((gap?.firstMissed ?? 0) - 300)).toBeLessThan(12);
    expect(Math.abs((gap?.lastMissed ?? 0) - 900)).toBeLessThan(12);
    expect(gap?.open).toBe(false);
  });

  it("go on while a steady loss goes on", () => {
    const random = chance(11);
    const lost = new Set<number>();
    for (let counter = 300; counter < 700; counter++) if (random() < 0.3) lost.add(counter);
    const { gaps } = watch(everyTenMinutes(700, (counter) => lost.has(counter)));
    expect(gaps).toMatchObject([{ kind: "steady", open: true }]);
  });

  it("count nothing as missed that was due while nothing was recorded", () => {
    // 100 to 105 were due at 1000 to 1050 min; of these 1010 to 1025 were not recorded.
    const away = [{ fromUs: 1_008 * MINUTE, toUs: 1_025 * MINUTE }];
    const missed = (notRecorded: Parameters<typeof watchCounter>[3]) => {
      const state = newLifeWatch();
      for (const one of everyTenMinutes(107, (n) => n >= 100 && n < 106))
        watchCounter(state, one, never, notRecorded);
      return state.loss.episode?.missed;
    };
    expect(missed(never)).toBe(6);
    expect(missed((_, { toUs }) => (toUs > 1_008 * MINUTE ? away : []))).toBe(4);
  });

  it("are a silence when the counter stood still", () => {
    const heard = everyTenMinutes(100, () => false);
    const later = Array.from({ length: 20 }, (_, i) => ({
      counter: 100 + i,
      atUs: (150 + i) * 10 * MINUTE,
      gatewayIds: [1],
    }));
    const { gaps } = watch([...heard, ...later]);
    expect(gaps).toMatchObject([
      { kind: "silence", missed: 0, firstMissed: null, lastMissed: null, expectedByRhythm: 51, open: false },
    ]);
  });

  it("are none when the rhythm is changed, but for one at the change", () => {
    const heard = everyTenMinutes(100, () => false);
    const slower = Array.from({ length: 60 }, (_, i) => ({
      counter: 100 + i,
      atUs: (100 + 6 * i) * 10 * MINUTE,
      gatewayIds: [1],
    }));
    expect(watch([...heard, ...slower]).gaps.length).toBeLessThanOrEqual(1);
  });

  it("are a single counter when that fell into an outage of all its gateways", () => {
    const heard = everyTenMinutes(100, (counter) => counter === 50);
    const out = [{ fromUs: 498 * MINUTE, toUs: 503 * MINUTE }];
    expect(watch(heard, () => out).gaps).toMatchObject([{ missed: 1, firstMissed: 50 }]);
    expect(watch(heard, () => [{ fromUs: 491 * MINUTE, toUs: 494 * MINUTE }]).gaps).toEqual([]);
  });

  it("count as within an outage up to a tenth of the rhythm and 2 s away: 62 s of ten minutes", () => {
    // Counter 50 was due at 500 min.
    const heard = everyTenMinutes(100, (counter) => counter === 50);
    const gapsWhen = (fromS: number, toS: number) =>
      watch(heard, () => [{ fromUs: 500 * MINUTE + fromS * S, toUs: 500 * MINUTE + toS * S }]).gaps.length;
    expect([gapsWhen(62, 200), gapsWhen(63, 200)]).toEqual([1, 0]);
    expect([gapsWhen(-200, -61), gapsWhen(-200, -62)]).toEqual([1, 0]);
  });

  it("open when a silence is longer than rhythm and luck allow, and not before", () => {
    const { state } = watch(everyTenMinutes(100, () => false));
    expect(openSilence(state, state.lastAtUs + 35 * MINUTE)).toBeNull();
    expect(openSilence(state, state.lastAtUs + 80 * MINUTE)).toMatchObject({
      open: true,
      expectedByRhythm: 8,
    });
  });

  it("are not fewer than the misses they stand for, whatever is lost", () => {
    const losses = fc.array(fc.boolean(), { minLength: 50, maxLength: 200 });
    fc.assert(
      fc.property(losses, (lost) => {
        const heard = everyTenMinutes(lost.length, (counter) => counter > 20 && lost[counter] === true);
        const all = lost.filter((one, counter) => counter > 20 && one).length;
        const { gaps } = watch(heard);
        const told = gaps.reduce((sum, { missed }) => sum + missed, 0);
        for (const gap of gaps) {
          expect(gap.toUs).toBeGreaterThan(gap.fromUs);
          expect((gap.lastMissed ?? 0) - (gap.firstMissed ?? 0) + 1).toBe(gap.missed + gap.heard);
        }
        expect(told).toBeLessThanOrEqual(all);
      }),
      { numRuns: 60 },
    );
  });
});

describe("false alarms on healthy links", () => {
  it("are fewer than one a node and week at losses of 1, 2 and 4 % without a cause", () => {
    const WEEKS = 5;
    for (const loss of [0.01, 0.02, 0.04]) {
      let gaps = 0;
      for (let node = 0; node < 10; node++) {
        const random = chance(node * 31 + loss * 1e4);
        const found = watch(everyTenMinutes(WEEKS * 1_008, () => random() < loss)).gaps;
        gaps += found.filter(({ lacking }) => lacking === 0).length;
      }
      expect(gaps / (10 * WEEKS)).toBeLessThan(0.3);
    }
  });
});

describe("losses that chance may have made", () => {
  const threeOfTwelve = (counter: number) => [100, 105, 111].includes(counter);

  it("are told with what they lack to be beyond chance", () => {
    const { gaps } = watch(everyTenMinutes(200, threeOfTwelve));
    expect(gaps).toMatchObject([{ missed: 3, heard: 9, firstMissed: 100, lastMissed: 111 }]);
    expect(gaps[0]!.lacking).toBeGreaterThan(3);
    expect(gaps[0]!.lacking).toBeLessThan(8);
  });

  it("lack nothing any more once enough is lost", () => {
    const { gaps } = watch(
      everyTenMinutes(200, (counter) => counter >= 100 && counter < 130 && counter % 4 === 0),
    );
    expect(gaps).toMatchObject([{ missed: 8, lacking: 0 }]);
  });

  it("add up over the pauses that luck makes in them, and are one loss in the end", () => {
    const lost = [100, 104, 118, 120, 131, 133, 136];
    const { gaps } = watch(everyTenMinutes(150, (counter) => lost.includes(counter)));
    expect(gaps).toMatchObject([{ missed: 7, heard: 30, firstMissed: 100, lastMissed: 136, lacking: 0 }]);
  });

  it("count as what the node usually loses when they are over", () => {
    const quiet = watch(everyTenMinutes(400, () => false)).state.loss;
    const chancy = watch(everyTenMinutes(400, threeOfTwelve)).state.loss;
    expect(quiet.misses).toBe(0);
    expect(chancy.misses).toBe(3);
    expect(chancy.counters).toBe(quiet.counters);
  });
});

describe("a node with two rhythms", () => {
  /** Every 10 min from 6:00 to 22:00, every 30 min at night, for `days`; `lost` tells which counters are not heard. */
  function dayAndNight(days: number, lost: (counter: number, atUs: number) => boolean): HeardCounter[] {
    const heard: HeardCounter[] = [];
    let atUs = 0;
    for (let counter = 0; atUs < days * 24 * 60 * MINUTE; counter++) {
      if (!lost(counter, atUs)) heard.push({ counter, atUs, gatewayIds: [1] });
      const hour = Math.floor(atUs / (60 * MINUTE)) % 24;
      atUs += (hour >= 6 && hour < 22 ? 10 : 30) * MINUTE;
    }
    return heard;
  }
  const night = (atUs: number) => {
    const hour = Math.floor(atUs / (60 * MINUTE)) % 24;
    return hour < 6 || hour >= 22;
  };
  const silences = (heard: readonly HeardCounter[]) =>
    watch(heard).gaps.filter(({ kind }) => kind === "silence");

  it("is not silent when single frames are lost in its slow hours", () => {
    const heard = dayAndNight(7, (counter, atUs) => night(atUs) && counter % 4 === 1);
    expect(silences(heard)).toEqual([]);
  });

  it("is not silent at the change to its slow hours, once they were seen", () => {
    // The first frames after 22:00 are lost: 90 min pass, and the counter went on by three of 30 min.
    const changes = (atUs: number) => Math.floor(atUs / (60 * MINUTE)) % 24 === 22;
    const heard = dayAndNight(7, (_, atUs) => atUs > 2 * 24 * 60 * MINUTE && changes(atUs));
    expect(silences(heard)).toEqual([]);
  });

  it("is not silent when a frame of its first slow hour is lost", () => {
    const fast = everyTenMinutes(30, () => false);
    const slow = [2, 3, 4].map((step) => ({
      counter: 29 + step,
      atUs: (290 + 30 * step) * MINUTE,
      gatewayIds: [1],
    }));
    expect(silences([...fast, ...slow])).toEqual([]);
  });

  it("is silent when its counter stood still for hours", () => {
    const before = dayAndNight(3, () => false);
    const last = before.at(-1);
    if (last === undefined) throw new Error("no frames");
    const after = [1, 2, 3].map((i) => ({
      counter: last.counter + i,
      atUs: last.atUs + (6 * 60 + 10 * i) * MINUTE,
      gatewayIds: [1],
    }));
    expect(silences([...before, ...after])).toMatchObject([{ fromUs: last.atUs, missed: 0, open: false }]);
  });
});

describe("a node that sends on events", () => {
  it("is not silent in its own long pauses", () => {
    let silences = 0;
    for (let node = 0; node < 60; node++) {
      const random = chance(node + 1);
      let atUs = 0;
      const heard = Array.from({ length: 400 }, (_, counter) => {
        atUs += -Math.log(1 - random()) * 10 * MINUTE;
        return { counter, atUs, gatewayIds: [1] };
      });
      silences += watch(heard).gaps.filter(({ kind }) => kind === "silence").length;
    }
    // 24,000 intervals: by the threshold of 1e-5 about one in four such runs has one at all.
    expect(silences).toBeLessThanOrEqual(1);
  });

  it("is silent when nothing came for 30 times its mean interval", () => {
    const random = chance(5);
    let atUs = 0;
    const heard = Array.from({ length: 100 }, (_, counter) => {
      atUs += counter === 80 ? 300 * MINUTE : -Math.log(1 - random()) * 10 * MINUTE;
      return { counter, atUs, gatewayIds: [1] };
    });
    expect(watch(heard).gaps).toMatchObject([{ kind: "silence", missed: 0 }]);
  });
});

describe("the longest usual interval", () => {
  it("is the upper edge of the longest class met three times", () => {
    const counts: IntervalCounts = {};
    for (const minutes of [10, 10, 10, 30, 30, 30, 240, 240]) countInterval(counts, minutes * MINUTE);
    // 30 min are 1.8e9 us: log 1.25 of it is 95.47, so class 96, whose edge is 1.25^96 us = 33.7 min.
    expect(longestUsualUs(counts) / MINUTE).toBeCloseTo(1.25 ** 96 / MINUTE, 6);
    expect(longestUsualUs(counts)).toBeGreaterThan(30 * MINUTE);
    expect(longestUsualUs(counts)).toBeLessThan(1.25 * 30 * MINUTE);
  });
  it("is nothing before any interval was met three times", () => {
    const counts: IntervalCounts = {};
    for (const minutes of [1, 2, 4, 8]) countInterval(counts, minutes * MINUTE);
    countInterval(counts, 0);
    expect(longestUsualUs(counts)).toBe(0);
  });
});

describe("the baseline", () => {
  it("begins at 2 % and follows what the node loses, within bounds", () => {
    const state = newLossWatch();
    expect(baselineLoss(state)).toBeCloseTo(0.02, 6);
    for (let i = 0; i < 500; i++)
      watchStep(state, { fromUs: i, toUs: i + 1, counter: i, missed: 0, rhythmUs: 600 * S });
    expect(baselineLoss(state)).toBe(0.01);
  });

  it("is half a miss more among 25 counters more than were seen, and forgets half of them beyond 2,000", () => {
    const state = newLossWatch();
    const hear = (count: number) => {
      for (let i = 0; i < count; i++)
        watchStep(state, { fromUs: i, toUs: i + 1, counter: i, missed: 0, rhythmUs: 600 * S });
    };
    hear(10);
    expect(baselineLoss(state)).toBeCloseTo(0.5 / 35, 12);
    hear(1_990);
    expect(state.counters).toBe(2_000);
    hear(1);
    expect(state.counters).toBe(1_000.5);
  });
});

it("a life keeps its intervals by length, each once", () => {
  const { state } = watch(everyTenMinutes(10, () => false));
  expect(Object.values(state.usual ?? {}).reduce((sum, count) => sum + count, 0)).toBe(9);
});

it("the longest usual interval of none, or of nothing but zeros, is 0", () => {
  expect(longestUsualOf(Float64Array.of())).toBe(0);
  expect(longestUsualOf(Float64Array.of(0, 0, 0, 0))).toBe(0);
  expect(longestUsualOf(Float64Array.of(0, 0, 600, 600, 600))).toBeGreaterThanOrEqual(600);
  expect(longestUsualOf(Float64Array.of(0, 0, 600, 600))).toBe(0);
});

describe("an episode of losses, worked by hand", () => {
  const step = (counter: number, missed = 0) => ({
    fromUs: (counter - missed - 1) * 600 * S,
    toUs: counter * 600 * S,
    counter,
    missed,
    rhythmUs: 600 * S,
  });
  /** A hundred counters heard, then six missed: the baseline stands at its least, 1 %. */
  function afterSixMissed() {
    const state = newLossWatch();
    for (let counter = 0; counter < 100; counter++) watchStep(state, step(counter));
    expect(watchStep(state, step(106, 6))).toBeNull();
    return state;
  }

  it("begins at the frame before its first miss; its surprise is that of the largest rise", () => {
    const { episode } = afterSixMissed();
    expect(episode).toEqual({
      fromUs: 99 * 600 * S,
      toUs: 106 * 600 * S,
      firstMissed: 100,
      lastMissed: 105,
      missed: 6,
      heard: 0,
      heardSince: 1,
      over: 0,
      longestRun: 6,
      // Six misses at a loss of 90 % rather than 1 %.
      surprise: 6 * Math.log(0.9 / 0.01),
      missedAfter: 0,
      heardAfter: 0,
    });
  });

  it("is over at odds of 50: a heard counter weighs ln(0.99 / 0.5), so the sixth ends it", () => {
    const state = afterSixMissed();
    for (let counter = 107; counter < 112; counter++) expect(watchStep(state, step(counter))).toBeNull();
    expect(state.episode?.over).toBeCloseTo(5 * Math.log(0.99 / 0.5), 12);
    const ended = watchStep(state, step(112));
    expect(ended).toMatchObject({ missed: 6, heard: 0, heardSince: 7, lastMissed: 105 });
    expect(state.episode).toBeNull();
  });

  it("weighs what is heard by the share that it lost so far, from a tenth to a half", () => {
    const state = afterSixMissed();
    const hear = (from: number, to: number) => {
      for (let counter = from; counter <= to; counter++) watchStep(state, step(counter));
    };
    // Five heard and one missed, twice: eight missed, and eleven heard from 106 on.
    hear(107, 111);
    watchStep(state, step(113, 1));
    hear(114, 117);
    watchStep(state, step(119, 1));
    expect(state.episode).toMatchObject({ missed: 8, heard: 11 });
    const before = state.episode?.over ?? 0;
    hear(120, 120);
    // Of 19 eight are lost: a heard counter weighs ln(0.99 / (1 - 8/19)).
    expect((state.episode?.over ?? 0) - before).toBeCloseTo(Math.log((0.99 * 19) / 11), 9);
  });

  it("becomes a dropout with what the rhythm lets expect in it", () => {
    const { episode } = afterSixMissed();
    const draft = draftOf(episode!, 600 * S, true);
    expect(draft).toMatchObject({
      tag: "episode",
      kind: "counters",
      open: false,
      final: true,
      missed: 6,
      firstMissed: 100,
      lastMissed: 105,
      expectedByRhythm: 7,
      rhythmUs: 600 * S,
      // A week holds 1,008 counters; a false alarm in twenty weeks is allowed for each of three sums.
      lacking: Math.max(0, Math.log((3 * 1_008) / 0.05) - 6 * Math.log(0.9 / 0.01)),
    });
    expect(draftOf(episode!, null, true).expectedByRhythm).toBeNull();
    expect(draftOf({ ...episode!, heard: 12 }, 600 * S, false)).toMatchObject({ kind: "steady", open: true });
    expect(draftOf({ ...episode!, heard: 11 }, 600 * S, false)).toMatchObject({
      kind: "counters",
      open: false,
    });
  });

  /** Three missed after a hundred heard, over after seven more; then as many heard, and two missed. */
  function againAfter(heard: number, run = 3) {
    const state = newLossWatch();
    for (let counter = 0; counter < 100; counter++) watchStep(state, step(counter));
    watchStep(state, step(100 + run, run));
    for (let i = 1; i <= 6 + heard; i++) watchStep(state, step(100 + run + i));
    const counter = 100 + run + 6 + heard + 3;
    watchStep(state, step(counter, 2));
    return { counter, episode: state.episode };
  }

  it("of a few scattered losses goes on when it begins again within 12 counters", () => {
    expect(againAfter(5)).toEqual({
      counter: 117,
      episode: {
        fromUs: 99 * 600 * S,
        toUs: 117 * 600 * S,
        firstMissed: 100,
        lastMissed: 116,
        missed: 5,
        // The one that showed the run, six more until it was over, five after.
        heard: 12,
        heardSince: 1,
        over: 0,
        longestRun: 3,
        surprise: 3 * Math.log(0.9 / 0.01),
        missedAfter: 0,
        heardAfter: 0,
      },
    });
  });

  it("is another one later, and after a black-out of more than five at once", () => {
    expect(againAfter(6).episode).toMatchObject({ firstMissed: 116, missed: 2, heard: 0 });
    expect(againAfter(0, 5).episode).toMatchObject({ firstMissed: 100, missed: 7 });
    expect(againAfter(0, 6).episode).toMatchObject({ firstMissed: 113, missed: 2 });
  });

  it("leaves the life at rest once no later loss could prove that it went on", () => {
    const ended = (missed: number, heard: number) => {
      const state = newLossWatch();
      state.ended = { ...afterSixMissed().episode!, missed, heard, lastMissed: 1_000 };
      return (lastCounter: number) => isAtRest(state, lastCounter);
    };
    // A quarter of its own counters, and no less than 30.
    expect([ended(6, 100)(1_030), ended(6, 100)(1_031)]).toEqual([false, true]);
    expect([ended(100, 100)(1_050), ended(100, 100)(1_051)]).toEqual([false, true]);
    expect(isAtRest(newLossWatch(), 0)).toBe(true);
    expect(isAtRest(afterSixMissed(), 100_000)).toBe(false);
  });

  it("counts what was heard between its misses, and each miss takes back what spoke for its end", () => {
    const state = afterSixMissed();
    watchStep(state, step(107));
    watchStep(state, step(108));
    watchStep(state, step(110, 1));
    // Two heard (after the one that showed the run), one miss, one heard: ln(1.98) each, less ln(0.5 / 0.01), not below 0.
    expect(state.episode).toMatchObject({
      missed: 7,
      heard: 3,
      heardSince: 1,
      lastMissed: 109,
      longestRun: 6,
    });
    expect(state.episode?.over).toBeCloseTo(Math.log(0.99 / 0.5), 12);
  });
});

describe("a rhythm", () => {
  it("is not given from fewer than eight intervals", () => {
    expect(rhythmOf([60, 60, 60, 60, 60, 60, 60].map((s) => s * S))).toBeNull();
  });
  it("of a steady sender allows four intervals of silence, of an erratic one what chance allows", () => {
    const steady = rhythmOf(Array.from({ length: 20 }, (_, i) => (600 + (i % 3)) * S));
    expect(steady).toMatchObject({ isPeriodic: true, medianUs: 601 * S, silenceUs: 4 * 601 * S });
    const erratic = rhythmOf([60, 10, 300, 5, 700, 40, 90, 20, 500].map((s) => s * S));
    // Nine intervals, 1725 s in sum: (1 + t / 1725) ^ -9 = 1e-5 at t = 1725 x (1e5 ^ (1/9) - 1) = 4474.3 s.
    expect(erratic).toMatchObject({ isPeriodic: false, slowestUs: 700 * S });
    expect((erratic?.silenceUs ?? 0) / S).toBeCloseTo(4474.3, 1);
  });
});

describe("the chance that a node's next interval is so long", () => {
  const steady = Array.from({ length: 60 }, () => 600 * S);
  it("is one in n + 1 for the longest so far, a sixteenth of it at four times that", () => {
    expect(chanceOfInterval(steady, 600.001 * S)).toBeCloseTo(1 / 61, 5);
    expect(chanceOfInterval(steady, 2_400 * S)).toBeCloseTo(1 / 976, 9);
  });
  it("is the share of those that were as long, where some were", () => {
    expect(chanceOfInterval([...steady, 3_600 * S], 3_000 * S)).toBeCloseTo(2 / 62, 9);
  });
  it("of an erratic sender follows from the sum of its intervals", () => {
    const erratic = [60, 10, 300, 5, 700, 40, 90, 20, 500].map((s) => s * S);
    // (1 + 6900 / 1725) ^ -9 = 5 ^ -9.
    expect(chanceOfInterval(erratic, 6_900 * S)).toBeCloseTo(5 ** -9, 12);
  });
  it("is 1 where none is known", () => {
    expect(chanceOfInterval([], 1)).toBe(1);
  });
});

describe("home gateways", () => {
  it("are those with a fifth of the frames, or the best of a node that is hardly heard", () => {
    expect(homeGateways({ 1: 0.9, 2: 0.15, 3: 0.3 })).toEqual([1, 3]);
    expect(homeGateways({ 12: 0.9, 3: 0.8, 101: 0.7 })).toEqual([3, 12, 101]);
    expect(homeGateways({ 7: 0.1 })).toEqual([7]);
    expect(homeGateways({})).toEqual([]);
  });
});

describe("a node is overdue", () => {
  it("after five intervals, after a minute at least, after two and a half of its longest", () => {
    expect(overdueAfterUs(60e6)).toBe(300e6);
    expect(overdueAfterUs(10e6)).toBe(60e6);
    expect(overdueAfterUs(60e6, 200e6)).toBe(500e6);
    expect(overdueAfterUs(60e6, 100e6)).toBe(300e6);
  });
});

describe("a dropout within a steady loss", () => {
  const TEN_MINUTES_US = 10 * MINUTE;
  const under = (missed: number, heard: number, heardSince = 0): LossEpisode => ({
    ...{ fromUs: 0, toUs: 0, firstMissed: 1, lastMissed: 1, longestRun: 1, over: 0 },
    ...{ missed, heard, heardSince, surprise: 10, missedAfter: 0, heardAfter: 0 },
  });
  /** The least run of misses that stands out, up to a thousand. */
  const least = (episode: LossEpisode | null, rhythmUs: number | null, more = {}) => {
    const watch = { ...newLossWatch(), episode, ...more };
    for (let missed = 1; missed <= 1_000; missed++) if (standsOut(watch, missed, rhythmUs)) return missed;
    return null;
  };

  it("is a run that chance, at the episode's own loss, takes less than once in 20 weeks", () => {
    // 1008 counters a week and three sums: ln(3 * 1008 / 0.05) = 11.01. Of 40 counters 8 missed: -ln(0.2) = 1.609.
    expect(least(under(8, 30, 2), TEN_MINUTES_US)).toBe(7);
    expect(least(under(8, 30, 2), null)).toBe(7);
    // Hourly, 168 a week: ln(10 080) = 9.22. Weekly counts as 100 a week: 8.70. Faster than a second counts as one: 17.41.
    expect(least(under(8, 30, 2), 60 * MINUTE)).toBe(6);
    expect(least(under(8, 30, 2), 7 * 1_440 * MINUTE)).toBe(6);
    expect(least(under(8, 30, 2), 1)).toBe(11);
  });

  it("is looked for from 40 counters on, and where the loss is below nine of ten", () => {
    expect(least(null, TEN_MINUTES_US)).toBeNull();
    expect(least(under(8, 30, 1), TEN_MINUTES_US)).toBeNull();
    expect(least(under(36, 4), TEN_MINUTES_US)).toBeNull();
    // 35 of 40: -ln(0.875) = 0.1335, and 11.01 / 0.1335 = 82.5.
    expect(least(under(35, 5), TEN_MINUTES_US)).toBe(83);
  });

  it("is judged by the node's usual loss where that is more", () => {
    // 1 of 40 is 2.5 %: 3 * 3.689 = 11.07 is enough. At the 5 % that it usually loses, 3 * 2.996 = 8.99 is not.
    expect(least(under(1, 39), TEN_MINUTES_US)).toBe(3);
    expect(least(under(1, 39), TEN_MINUTES_US, { counters: 2_000, misses: 1_000 })).toBe(4);
  });

  it("lacks what its sum falls short of that limit", () => {
    expect(lacking(under(8, 30), TEN_MINUTES_US)).toBeCloseTo(1.01, 3);
    expect(lacking({ ...under(8, 30), surprise: 11.02 }, TEN_MINUTES_US)).toBe(0);
  });
});

it("the sums of losses rise by a miss and fall by a heard counter, at 2 % as long as nothing else is known", () => {
  const watch = newLossWatch();
  const step = { fromUs: 1, toUs: 2, counter: 6, missed: 1, rhythmUs: null };
  watchStep(watch, step);
  // ln(0.15 / 0.02) - ln(0.98 / 0.85) = 2.0149 - 0.1423; ln(20) - ln(0.98 / 0.6) = 2.9957 - 0.4906; ln(45) - ln(9.8) = 3.8067 - 2.2824.
  const expected = [1.8726, 2.5051, 1.5243];
  expect(watch.sums.map(({ sum }) => Number(sum.toFixed(4)))).toEqual(expected);
  expect(watch.sums.map(({ sum: _, ...rest }) => rest)).toEqual(
    expected.map(() => ({ fromUs: 1, firstMissed: 5, missed: 1, heard: 1 })),
  );
  expect(watch).toMatchObject({ newCounters: 2, newMisses: 1, counters: 0, misses: 0, episode: null });
  watchStep(watch, { ...step, fromUs: 2, toUs: 3, counter: 7, missed: 0 });
  expect(watch.sums.map(({ sum }) => Number(sum.toFixed(4)))).toEqual([1.7303, 2.0145, 0]);
});
