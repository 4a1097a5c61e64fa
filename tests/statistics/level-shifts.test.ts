import { describe, expect, it } from "vitest";
import { createRandom, normal } from "../../src/simulate/time-and-chance.ts";
import { levelShifts } from "../../src/statistics/level-shifts.ts";
import { dependenceOf, effectiveCount } from "../../src/statistics/series.ts";
import { course, HOUR_US, START_US } from "./course.ts";

const hourOf = (us: number) => (us - START_US) / HOUR_US;

describe("level shifts", () => {
  it("date a step of 6 dB to the minute, with its size, in windows of two hours to two days", () => {
    for (const [hours, at] of [
      [2, 1],
      [6, 5],
      [48, 30],
    ] as const) {
      const levelAt = (hour: number) => (hour < at ? 0 : -6);
      const { shifts } = levelShifts(course({ seed: 7, hours, rhythmS: 60, levelAt }));
      expect(shifts).toHaveLength(1);
      expect(Math.abs(hourOf(shifts[0]!.atUs) - at) * 60).toBeLessThan(3);
      expect(hourOf(shifts[0]!.notBeforeUs)).toBeLessThan(at + 0.02);
      expect(hourOf(shifts[0]!.notAfterUs)).toBeGreaterThan(at - 0.02);
      expect(shifts[0]!.to - shifts[0]!.from).toBeGreaterThan(-8);
      expect(shifts[0]!.to - shifts[0]!.from).toBeLessThan(-4.5);
      expect(shifts[0]!.p).toBeLessThan(0.001);
    }
  });

  it("find several, and a step that was taken back", () => {
    const levelAt = (hour: number) => (hour < 8 ? 0 : hour < 14 ? -8 : hour < 20 ? -1 : -9);
    const { shifts } = levelShifts(course({ seed: 3, hours: 30, rhythmS: 60, levelAt }));
    expect(shifts.map(({ atUs }) => Math.round(hourOf(atUs)))).toEqual([8, 14, 20]);
    expect(shifts.map(({ from, to }) => Math.sign(to - from))).toEqual([-1, 1, -1]);
  });

  it("take the levels of each up to the next one only", () => {
    // After the first step come two levels of equal length: their common median lies between them.
    const levelAt = (hour: number) => (hour < 8 ? 0 : hour < 19 ? -9 : -4);
    const { shifts } = levelShifts(course({ seed: 3, hours: 30, rhythmS: 60, wanderDb: 0.5, levelAt }));
    expect(shifts.map(({ atUs }) => Math.round(hourOf(atUs)))).toEqual([8, 19]);
    for (const [i, size] of [-9, 5].entries())
      expect(Math.abs(shifts[i]!.to - shifts[i]!.from - size)).toBeLessThan(0.6);
  });

  it("find the step across hours without any frame, and claim none for the silence itself", () => {
    const levelAt = (hour: number) => (hour < 12 ? 0 : -7);
    const stepped = levelShifts(course({ seed: 5, hours: 24, rhythmS: 120, levelAt, silent: [10, 14] }));
    expect(stepped.shifts).toHaveLength(1);
    expect(hourOf(stepped.shifts[0]!.notBeforeUs)).toBeLessThan(12);
    expect(hourOf(stepped.shifts[0]!.notAfterUs)).toBeGreaterThan(12);
    expect(levelShifts(course({ seed: 5, hours: 24, rhythmS: 120, silent: [10, 14] })).shifts).toEqual([]);
  });

  it("say of a slow fall when it began and ended", () => {
    const levelAt = (hour: number) => (hour < 10 ? 0 : hour < 14 ? -3 * (hour - 10) : -12);
    const { shifts } = levelShifts(course({ seed: 11, hours: 24, rhythmS: 60, levelAt }));
    expect(shifts).toHaveLength(1);
    expect(shifts[0]).toMatchObject({ gradual: true });
    expect(Math.abs(hourOf(shifts[0]!.notBeforeUs) - 10)).toBeLessThan(1);
    expect(Math.abs(hourOf(shifts[0]!.notAfterUs) - 14)).toBeLessThan(1);
  });

  it("are not made of a straight slope", () => {
    const levelAt = (hour: number) => -hour / 4;
    expect(levelShifts(course({ seed: 2, hours: 48, rhythmS: 60, levelAt })).shifts).toEqual([]);
  });

  it("need enough to say: a handful of values is not", () => {
    expect(levelShifts([])).toMatchObject({ enough: false, shifts: [] });
    expect(levelShifts(course({ seed: 1, hours: 0.2, rhythmS: 60 })).enough).toBe(false);
    expect(levelShifts(course({ seed: 1, hours: 2, rhythmS: 60 })).enough).toBe(true);
  });
});

describe("what dependent values are worth", () => {
  it("is as many as the theory of a first-order process says", () => {
    const random = createRandom(1, "process");
    for (const rho of [0, 0.5, 0.9]) {
      let state = 0;
      const values = Array.from({ length: 20_000 }, () => {
        state = rho * state + Math.sqrt(1 - rho ** 2) * normal(random);
        return state;
      });
      // 1 + 2 Σ ρ^k = (1 + ρ)/(1 − ρ)
      const theory = (1 + rho) / (1 - rho);
      expect(dependenceOf(values)!.integratedTime / theory).toBeCloseTo(1, 0);
      expect((20_000 / effectiveCount(values) / theory) * 10).toBeGreaterThan(7);
      expect((20_000 / effectiveCount(values) / theory) * 10).toBeLessThan(16);
    }
  });

  it("sees a slow wander beneath white noise, where the first autocorrelation is small", () => {
    const random = createRandom(2, "process");
    let state = 0;
    const values = Array.from({ length: 4000 }, () => {
      state = 0.97 * state + Math.sqrt(1 - 0.97 ** 2) * normal(random);
      return state + 2 * normal(random);
    });
    expect(dependenceOf(values)!.integratedTime).toBeGreaterThan(6);
  });

  it("does not bring values together across a gap", () => {
    const gappy = Array.from({ length: 900 }, (_, i) => (i % 3 === 0 ? Math.sin(i / 60) : null));
    expect(dependenceOf(gappy)!.count).toBe(300);
    expect(dependenceOf(gappy)!.integratedTime).toBeGreaterThan(5);
  });
});
