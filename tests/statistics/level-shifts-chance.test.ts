import { describe, expect, it } from "vitest";
import { levelShifts } from "../../src/statistics/level-shifts.ts";
import { course } from "./course.ts";

describe("level shifts on healthy courses", () => {
  it("are claimed at most once in 60 days of short windows, however the links wander", () => {
    let claimed = 0;
    let days = 0;
    for (const [wanderDb, wanderMinutes] of [
      [1.2, 30],
      [2, 30],
      [2, 180],
      [3, 60],
    ] as const) {
      for (const [hours, windows] of [
        [2, 30],
        [6, 30],
        [24, 6],
      ] as const) {
        for (let seed = 1; seed <= windows; seed += 1) {
          const rhythmS = [20, 60, 300][seed % 3] ?? 60;
          claimed += levelShifts(course({ seed, hours, rhythmS, wanderDb, wanderMinutes })).shifts.length;
          days += hours / 24;
        }
      }
    }
    console.info(`level shifts claimed on healthy courses: ${claimed} in ${days.toFixed(0)} days`);
    expect(days).toBeGreaterThan(60);
    expect(claimed).toBeLessThanOrEqual(1);
  });
});
