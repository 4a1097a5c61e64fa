import fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  Agenda,
  below,
  createRandom,
  exponential,
  normal,
  type Random,
} from "../../src/simulate/time-and-chance.ts";

const draws = (random: Random, count: number) => Array.from({ length: count }, () => random.uniform());
const mean = (values: number[]) => values.reduce((sum, value) => sum + value, 0) / values.length;

describe("createRandom", () => {
  it("gives the same numbers for the same seed and others for another", () => {
    expect(draws(createRandom(7), 50)).toEqual(draws(createRandom(7), 50));
    expect(draws(createRandom(7), 50)).not.toEqual(draws(createRandom(8), 50));
    expect(draws(createRandom(7), 50)).not.toEqual(draws(createRandom(7 + 2 ** 32), 50));
  });

  it("forks by name alone: what was drawn before does not matter", () => {
    const source = createRandom(3);
    const early = draws(source.fork("a"), 20);
    draws(source, 1000);
    expect(draws(source.fork("a"), 20)).toEqual(early);
    expect(draws(source.fork("b"), 20)).not.toEqual(early);
    expect(draws(source.fork("a").fork("b"), 20)).not.toEqual(draws(source.fork("b").fork("a"), 20));
  });

  it("is even over its range", () => {
    const values = draws(createRandom(1), 100_000);
    expect(Math.min(...values.slice(0, 5000))).toBeGreaterThanOrEqual(0);
    expect(values.every((value) => value < 1)).toBe(true);
    const bins = Array.from({ length: 20 }, () => 0);
    for (const value of values) bins[Math.floor(value * 20)]! += 1;
    const chiSquare = bins.reduce((sum, count) => sum + (count - 5000) ** 2 / 5000, 0);
    // Chi-square with 19 degrees of freedom: 43.82 is its 99.9 % quantile.
    expect(chiSquare).toBeLessThan(43.82);
  });

  it("draws normal and exponential values with the right moments", () => {
    const random = createRandom(2);
    const normals = Array.from({ length: 50_000 }, () => normal(random));
    expect(mean(normals)).toBeCloseTo(0, 1);
    expect(mean(normals.map((value) => value ** 2))).toBeCloseTo(1, 1);
    expect(normals.filter((value) => Math.abs(value) > 1.959964).length / 50_000).toBeCloseTo(0.05, 2);
    expect(mean(Array.from({ length: 50_000 }, () => exponential(random, 4)))).toBeCloseTo(4, 0);
    expect(new Set(Array.from({ length: 200 }, () => below(random, 3)))).toEqual(new Set([0, 1, 2]));
  });
});

describe("an agenda", () => {
  it("gives back entries in order of time, and those of one time in order of entry", () => {
    const entries = fc.array(fc.integer({ min: 0, max: 20 }), { maxLength: 200 });
    fc.assert(
      fc.property(entries, (times) => {
        const agenda = new Agenda<number>();
        times.forEach((atUs, index) => {
          agenda.add(atUs, index);
        });
        const taken: (readonly [number, number])[] = [];
        for (let next = agenda.take(); next !== null; next = agenda.take())
          taken.push([next.atUs, next.what]);
        const expected = times.map((atUs, index) => [atUs, index] as const).sort(([a], [b]) => a - b);
        expect(taken).toEqual(expected);
      }),
    );
  });

  it("takes entries that are added while it is being emptied", () => {
    const agenda = new Agenda<string>();
    agenda.add(5, "late");
    agenda.add(1, "first");
    expect(agenda.take()).toMatchObject({ what: "first" });
    agenda.add(2, "second");
    expect(agenda.take()).toMatchObject({ atUs: 2, what: "second" });
    expect(agenda.take()).toMatchObject({ what: "late" });
    expect(agenda.take()).toBeNull();
  });
});
