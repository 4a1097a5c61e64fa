import { describe, expect, test } from "vitest";
import { pooledEffect } from "../../src/diagnosis/trials/node-effect.ts";
import { createRandom, normal } from "../../src/simulate/time-and-chance.ts";
import { commonPart } from "../../src/statistics/series.ts";

describe("differences of several nodes", () => {
  const alike = [1, 1.1, 0.9, 1.05, 0.95].map((estimate) => ({ estimate, variance: 0.04 }));
  const apart = [-1, 0, 1, 2, 3].map((estimate) => ({ estimate, variance: 0.04 }));

  test("rest on their frames while they agree", () => {
    const pooled = pooledEffect(alike, 100);
    expect(pooled?.tauSquared).toBe(0);
    expect(pooled?.degrees).toBeGreaterThan(100);
    expect(pooled?.variance).toBeLessThanOrEqual(0.04 / 5);
  });

  test("rest on their number where they differ, and their scatter is the variance of their mean", () => {
    const pooled = pooledEffect(apart, 100);
    expect(pooled?.degrees).toBe(4);
    // Of -1 to 3 the variance is 2.5, of their mean a fifth of it.
    expect(pooled?.variance).toBeCloseTo(0.5, 6);
    expect(pooled?.differs).toBe(true);
  });
});

describe("what moves all at once", () => {
  const random = createRandom(5, "moves all at once");
  const noise = Array.from({ length: 720 }, () => normal(random));
  let level = 0;
  const keep = Math.exp(-20 / 1800);
  const wandering = noise.map((value) => {
    level = keep * level + Math.sqrt(1 - keep * keep) * 0.5 * normal(random);
    return value + level;
  });
  const meanExtra = (values: readonly number[]) =>
    commonPart([{ values, durationS: 4 * 3600, expected: () => 1 }]).reduce(
      (sum, { chance, extra }) => sum + chance * (extra[0] ?? 0),
      0,
    );

  test("is seen in a sum that wanders, and hardly presumed of one that does not", () => {
    expect(meanExtra(wandering)).toBeGreaterThan(5);
    expect(meanExtra(noise)).toBeLessThan(0.5);
  });

  test("is one of possibilities whose chances sum to 1", () => {
    const found = commonPart([{ values: noise, durationS: 4 * 3600, expected: () => 1 }]);
    expect(found.reduce((sum, { chance }) => sum + chance, 0)).toBeCloseTo(1, 9);
  });
});
