/**
 * Do intervals hold the truth where trials follow none of the laws that the judgement assumes? See rough.ts. As many trials
 * as in coverage.test.ts.
 */
import { describe, expect, test } from "vitest";
import { type RoughSite, roughPaired, roughSequential } from "./rough.ts";
import { atLeast, atMost, type Case, isLong, printed, type Tally, TRIALS, tallyOf } from "./tally.ts";

const STRONG = [12, 10, 9, 8, 11, 10];
const WEAK = [3, 1, 5, 0, 2, 4];
const CALM = {
  differenceDb: 0,
  betweenNodesDb: 0,
  sharedJumpDb: 0,
  ownJumpDb: 0,
  dailyDb: 0,
  placeJumpDb: 0,
  burstShare: 0,
};
const PAIRED = { ...CALM, hours: 4, rhythmS: 60 };
const MOVED = { ...CALM, hours: 24, rhythmS: 300 };

function paired(name: string, site: RoughSite): Case {
  return {
    name: `paired, ${name}`,
    differenceDb: site.differenceDb,
    draw: (seed) => roughPaired(site, seed),
  };
}
function moved(name: string, site: RoughSite): Case {
  return {
    name: `moved, ${name}`,
    differenceDb: site.differenceDb,
    draw: (seed) => roughSequential(site, seed),
  };
}

/** `least`: in 100 trials. */
const CASES: readonly { readonly one: Case; readonly least: number }[] = [
  { one: paired("heavy tails, strong", { ...PAIRED, marginsDb: STRONG, sharedJumpDb: 1 }), least: 93 },
  { one: paired("jumping paths, near the floor", { ...PAIRED, marginsDb: WEAK, ownJumpDb: 1 }), least: 93 },
  {
    one: paired("jumps that both share, 1.5 dB, near the floor", {
      ...PAIRED,
      marginsDb: WEAK,
      differenceDb: 1.5,
      sharedJumpDb: 1,
    }),
    least: 93,
  },
  {
    one: paired("noise at one place, strong", { ...PAIRED, marginsDb: STRONG, placeJumpDb: 0.7 }),
    least: 91,
  },
  {
    one: paired("noise at one place, near the floor", {
      ...PAIRED,
      hours: 12,
      marginsDb: WEAK,
      placeJumpDb: 0.7,
    }),
    least: 91,
  },
  { one: paired("interference in bursts", { ...PAIRED, marginsDb: STRONG, burstShare: 0.05 }), least: 93 },
  { one: moved("jumping paths, near the floor", { ...MOVED, marginsDb: WEAK, ownJumpDb: 1 }), least: 93 },
  {
    one: moved("daily swing, strong", { ...MOVED, marginsDb: STRONG, ownJumpDb: 1, dailyDb: 1.5 }),
    least: 93,
  },
  {
    one: moved("daily swing, 1.5 dB, near the floor", {
      ...MOVED,
      marginsDb: WEAK,
      differenceDb: 1.5,
      ownJumpDb: 1,
      dailyDb: 1.5,
    }),
    least: 93,
  },
  {
    one: moved("noise at one place, near the floor", {
      ...MOVED,
      marginsDb: WEAK,
      ownJumpDb: 0.5,
      placeJumpDb: 0.7,
    }),
    least: 91,
  },
  {
    one: moved("interference in bursts", { ...MOVED, marginsDb: STRONG, ownJumpDb: 1, burstShare: 0.05 }),
    least: 93,
  },
  // Student's t holds a mean of six exponential values in 90 of 100 only; nothing short of more nodes mends that.
  {
    one: moved("six nodes that lean to one side", {
      ...MOVED,
      marginsDb: WEAK,
      differenceDb: 1.5,
      ownJumpDb: 1,
      betweenNodesDb: 1,
    }),
    least: 89,
  },
];

describe(`${TRIALS} rough trials a case`, () => {
  const tallies: Tally[] = [];

  test.each(CASES.map(({ one, least }) => [one.name, least, one] as const))(
    "%s: intervals hold the truth in %i of 100 at least",
    (_, least, one) => {
      const tally = tallyOf(one);
      tallies.push(tally);
      expect(tally.told).toBe(TRIALS);
      expect(tally.snrHeld / TRIALS).toBeGreaterThanOrEqual(atLeast(least / 100, TRIALS));
      expect(tally.deliveryHeld / TRIALS).toBeGreaterThanOrEqual(atLeast(least / 100, TRIALS));
      expect((tally.falselyBetter ?? 0) / TRIALS).toBeLessThanOrEqual(atMost(0.05, TRIALS));
    },
    isLong ? 36_000_000 : 60_000,
  );

  test("over all cases intervals hold the truth in 93 of 100 at least", () => {
    if (isLong) process.stdout.write(printed("Trials by other laws", tallies));
    const all = tallies.length * TRIALS;
    expect(tallies).toHaveLength(CASES.length);
    for (const of of ["snrHeld", "deliveryHeld"] as const)
      expect(tallies.reduce((sum, tally) => sum + tally[of], 0) / all).toBeGreaterThanOrEqual(
        atLeast(0.93, all),
      );
  });
});
