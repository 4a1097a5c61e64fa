/**
 * Are the frames that are said to be needed those that it takes? Compared with the length at which four of five simulated
 * trials are settled (a look at that length, no looks before). Long runs only: MASTLOG_TRIALS above 100.
 */
import { describe, expect, test } from "vitest";
import { framesInAll, LIMITS, verdictOf } from "../../../src/diagnosis/trials/verdict.ts";
import { type Site, simulatePaired, simulateSequential } from "./simulated.ts";
import { differencesOf, isLong, TRIALS } from "./tally.ts";

const REPEATS = Math.min(200, TRIALS);
const BASE = { spreadingFactor: 10, fastDb: 1.5, otherLoss: 0.01, marginsDb: [4, 3, 5, 2, 4], hours: 0 };
const STRONG = [12, 10, 9, 8, 11, 10];
const MAST = { ...BASE, rhythmS: 60, sharedSlowDb: 1.2, ownSlowDb: 0 };
const TWO = { ...BASE, rhythmS: 60, sharedSlowDb: 0, ownSlowDb: 1 };
const MOVED = { ...BASE, rhythmS: 300, sharedSlowDb: 0, ownSlowDb: 1 };

const CASES: readonly [string, "paired" | "moved", Site][] = [
  ["one mast, 0.6 dB", "paired", { ...MAST, differenceDb: 0.6 }],
  ["one mast, 1.2 dB", "paired", { ...MAST, differenceDb: 1.2 }],
  ["two gateways, 1.2 dB", "paired", { ...TWO, differenceDb: 1.2 }],
  ["two gateways, restless paths, 3 dB", "paired", { ...TWO, ownSlowDb: 2.5, fastDb: 2.5, differenceDb: 3 }],
  ["one mast, strong, no difference", "paired", { ...MAST, marginsDb: STRONG, differenceDb: 0 }],
  ["two gateways, strong, no difference", "paired", { ...TWO, marginsDb: STRONG, differenceDb: 0 }],
  ["moved, 0.6 dB", "moved", { ...MOVED, differenceDb: 0.6 }],
  ["moved, 1.2 dB", "moved", { ...MOVED, differenceDb: 1.2 }],
  ["moved, restless paths, 3 dB", "moved", { ...MOVED, ownSlowDb: 2, fastDb: 2.5, differenceDb: 3 }],
  ["moved, strong, no difference", "moved", { ...MOVED, marginsDb: STRONG, differenceDb: 0 }],
];

/** Trials of one length: how many are settled, and what those that are not say they need, in the middle. */
function lookedAt(kind: "paired" | "moved", site: Site, salt: number) {
  let settled = 0;
  let frames = 0;
  const told: number[] = [];
  for (let i = 0; i < REPEATS; i++) {
    const seed = 104_729 * i + salt;
    const { evidence } = kind === "paired" ? simulatePaired(site, seed) : simulateSequential(site, seed);
    const differences = differencesOf(evidence);
    frames = differences.frames;
    if (verdictOf(differences) === "not enough") told.push(framesInAll(frames, differences));
    else settled += 1;
  }
  const median = told.sort((x, y) => x - y)[Math.floor(told.length / 2)] ?? Number.NaN;
  return { share: settled / REPEATS, frames, told: median };
}

describe("frames needed in all, told half way", () => {
  test.runIf(isLong).each(CASES)(
    "%s: within a factor of 1.5 of those at which four of five simulated trials are settled",
    (name, kind, site) => {
      let short = (8 * site.rhythmS) / 3600;
      let long = short;
      while (lookedAt(kind, { ...site, hours: long }, 1).share < 0.8) {
        short = long;
        long *= 2;
      }
      for (let step = 0; step < 5; step++) {
        const middle = Math.sqrt(short * long);
        if (lookedAt(kind, { ...site, hours: middle }, 2 + step).share < 0.8) short = middle;
        else long = middle;
      }
      const hours = Math.sqrt(short * long);
      const enough = lookedAt(kind, { ...site, hours }, 77);
      const half = lookedAt(kind, { ...site, hours: hours / 2 }, 99);
      process.stdout.write(
        `${name.padEnd(36)} needed ${String(enough.frames).padStart(6)}, told ${half.told.toFixed(0).padStart(6)}: ${(half.told / enough.frames).toFixed(2)}\n`,
      );
      expect(half.told / enough.frames).toBeGreaterThan(1 / 1.5);
      expect(half.told / enough.frames).toBeLessThan(1.5);
    },
    36_000_000,
  );

  test("fall to none when a trial is settled, and no number helps where nodes themselves disagree", () => {
    const one = { estimate: 3, low: 2, high: 4, variance: 0.25, lastingVariance: 0, degrees: 100, p: 1e-6 };
    expect(framesInAll(400, { snr: one, delivery: null })).toBeLessThan(400);
    const torn = { ...one, estimate: 0.2, variance: 4, lastingVariance: 3.9, p: 0.9 };
    expect(framesInAll(400, { snr: torn, delivery: null })).toBe(Number.POSITIVE_INFINITY);
  });

  test("ask no more of two sides that look alike because chance puts them a little apart", () => {
    const one = { estimate: 0, low: -1, high: 1, variance: 0.25, lastingVariance: 0, degrees: 100, p: 1 };
    const apart = { ...one, estimate: 0.4, low: -0.6, high: 1.4, p: 0.4 };
    const alike = framesInAll(400, { snr: one, delivery: null });
    expect(framesInAll(400, { snr: apart, delivery: null })).toBe(alike);
    // 1.96 and 1.28 standard errors must find room within the limit.
    expect(alike / 400).toBeCloseTo(0.25 * ((1.96 + 1.2816) / LIMITS.snrDb) ** 2, 2);
  });
});
