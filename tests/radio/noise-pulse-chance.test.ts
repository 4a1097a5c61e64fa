import { describe, expect, it } from "vitest";
import { noisePulse } from "../../src/radio/noise-pulse.ts";
import { createRandom } from "../../src/simulate/random.ts";

describe("noise in no order", () => {
  it("has no period, in any of 30 draws of 540 frames over six hours", () => {
    for (let seed = 1; seed <= 30; seed += 1) {
      const times = createRandom(seed, "marks");
      const loud = createRandom(seed, "loud");
      const marks = Array.from({ length: 540 }, () => times.uniform() * 6 * 3600)
        .sort((a, b) => a - b)
        .map((atS) => ({ atUs: atS * 1e6, isLoud: loud.uniform() < 0.2 }));
      expect(noisePulse(marks), `seed ${seed}`).toBeNull();
    }
  });
});
