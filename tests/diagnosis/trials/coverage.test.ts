/**
 * Do the intervals of a trial hold the truth 95 times in 100, and is "better" seldom false? Over simulated trials; 20 a
 * case in the quick tests, as many as MASTLOG_TRIALS says otherwise (1000 for figures to quote; it takes hours of one
 * core). The bounds allow for chance: three standard errors about 93 to 97 in 100.
 */
import { describe, expect, test } from "vitest";
import { pairedTrial } from "../../../src/diagnosis/trials/paired-trial.ts";
import { sequentialTrial } from "../../../src/diagnosis/trials/sequential-trial.ts";
import { framesInAll, verdictOf } from "../../../src/diagnosis/trials/verdict.ts";
import { type Site, simulatePaired, simulateSequential } from "./simulated.ts";

const TRIALS = Number(process.env.MASTLOG_TRIALS ?? 20);
const isLong = TRIALS > 100;

const STRONG = [12, 10, 9, 8, 11, 10];
const WEAK = [3, 1, 5, 0, 2, 4];
const BASE = { spreadingFactor: 10, fastDb: 1.5, otherLoss: 0.01 };
const PAIRED = { ...BASE, hours: 4, rhythmS: 120 };
const SEQUENTIAL = { ...BASE, hours: 24, rhythmS: 600, sharedSlowDb: 0, ownSlowDb: 1.5 };

const CASES: readonly [string, "paired" | "sequential", Site][] = [
  [
    "two antennas on one mast, strong",
    "paired",
    { ...PAIRED, marginsDb: STRONG, differenceDb: 0, sharedSlowDb: 1.2, ownSlowDb: 0 },
  ],
  [
    "two antennas on one mast, near the floor",
    "paired",
    { ...PAIRED, marginsDb: WEAK, differenceDb: 2, sharedSlowDb: 1.2, ownSlowDb: 0 },
  ],
  [
    "two gateways, strong",
    "paired",
    { ...PAIRED, marginsDb: STRONG, differenceDb: 2, sharedSlowDb: 0, ownSlowDb: 1.2 },
  ],
  [
    "two gateways, near the floor",
    "paired",
    { ...PAIRED, marginsDb: WEAK, differenceDb: 0, sharedSlowDb: 0, ownSlowDb: 1.2 },
  ],
  ["moved, strong", "sequential", { ...SEQUENTIAL, marginsDb: STRONG, differenceDb: 0 }],
  ["moved, near the floor", "sequential", { ...SEQUENTIAL, marginsDb: WEAK, differenceDb: 2 }],
  ["moved, near the floor, no difference", "sequential", { ...SEQUENTIAL, marginsDb: WEAK, differenceDb: 0 }],
];

interface Tally {
  trials: number;
  snrHeld: number;
  deliveryHeld: number;
  falselyBetter: number;
  snrSum: number;
}

function tallyOf(kind: "paired" | "sequential", site: Site, trials: number): Tally {
  const tally = { trials, snrHeld: 0, deliveryHeld: 0, falselyBetter: 0, snrSum: 0 };
  for (let i = 0; i < trials; i++) {
    const seed = 7919 * i + 13;
    const made = kind === "paired" ? simulatePaired(site, seed) : simulateSequential(site, seed);
    const { snr, delivery } =
      "hasControl" in made.evidence ? sequentialTrial(made.evidence) : pairedTrial(made.evidence);
    const share = delivery?.difference ?? null;
    if (snr !== null && snr.low <= made.snrDb && snr.high >= made.snrDb) tally.snrHeld += 1;
    if (share !== null && share.low <= made.delivery && share.high >= made.delivery) tally.deliveryHeld += 1;
    const verdict = verdictOf({ snr, delivery: share });
    if (site.differenceDb === 0 && (verdict === "a" || verdict === "b")) tally.falselyBetter += 1;
    tally.snrSum += snr?.estimate ?? 0;
  }
  return tally;
}

/** Chance of the count or one further out, at three standard errors of 95 in 100. */
const slack = 3 * Math.sqrt((0.95 * 0.05) / TRIALS);

describe(`${TRIALS} simulated trials a case`, () => {
  test.each(CASES)(
    "%s: intervals hold the truth, and the estimate is not biased",
    (name, kind, site) => {
      const tally = tallyOf(kind, site, TRIALS);
      if (isLong) {
        const share = (count: number) => ((100 * count) / TRIALS).toFixed(1);
        process.stdout.write(
          `${name}: level held ${share(tally.snrHeld)} %, delivery held ${share(tally.deliveryHeld)} %, mean ${(tally.snrSum / TRIALS).toFixed(2)} dB of ${site.differenceDb}, falsely better ${share(tally.falselyBetter)} %\n`,
        );
      }
      expect(tally.snrHeld / TRIALS).toBeGreaterThan(0.93 - slack);
      expect(tally.deliveryHeld / TRIALS).toBeGreaterThan(0.93 - slack);
      expect(tally.falselyBetter / TRIALS).toBeLessThanOrEqual(0.05 + slack);
      expect(Math.abs(tally.snrSum / TRIALS - site.differenceDb)).toBeLessThan(isLong ? 0.1 : 0.4);
    },
    isLong ? 36_000_000 : 60_000,
  );
});

describe("frames still needed", () => {
  const site = {
    ...PAIRED,
    rhythmS: 60,
    hours: 1,
    marginsDb: [4, 3, 5, 2, 4],
    differenceDb: 0.6,
    sharedSlowDb: 1.2,
    ownSlowDb: 0,
  };
  const settled = (hours: number, trials: number) => {
    let count = 0;
    const needed: number[] = [];
    for (let i = 0; i < trials; i++) {
      const { evidence } = simulatePaired({ ...site, hours }, 104_729 * i + 7);
      const { snr, delivery, frames } = pairedTrial(evidence);
      const differences = { snr, delivery: delivery?.difference ?? null };
      if (verdictOf(differences) !== "not enough") count += 1;
      needed.push(framesInAll(frames, differences));
    }
    return { share: count / trials, median: needed.sort((x, y) => x - y)[Math.floor(trials / 2)] ?? 0 };
  };

  test.runIf(isLong)(
    "are within a factor of 1.5 of the frames at which four of five simulated trials are settled",
    () => {
      const perHour = (3600 / site.rhythmS) * site.marginsDb.length;
      const told = settled(0.5, 200).median;
      const hours = Array.from({ length: 14 }, (_, i) => 0.3 * 1.15 ** i);
      const enough = hours.find((length) => settled(length, 200).share >= 0.8) ?? Number.NaN;
      process.stdout.write(
        `Frames in all: told ${told.toFixed(0)}, by simulation ${(enough * perHour).toFixed(0)}\n`,
      );
      expect(told / (enough * perHour)).toBeGreaterThan(1 / 1.5);
      expect(told / (enough * perHour)).toBeLessThan(1.5);
    },
    36_000_000,
  );

  test("fall to none when a trial is settled, and no number helps where nodes themselves disagree", () => {
    const one = { estimate: 3, low: 2, high: 4, variance: 0.25, lastingVariance: 0, degrees: 100, p: 1e-6 };
    expect(framesInAll(400, { snr: one, delivery: null })).toBeLessThan(400);
    const torn = { ...one, estimate: 0.2, variance: 4, lastingVariance: 3.9, p: 0.9 };
    expect(framesInAll(400, { snr: torn, delivery: null })).toBe(Number.POSITIVE_INFINITY);
  });
});
