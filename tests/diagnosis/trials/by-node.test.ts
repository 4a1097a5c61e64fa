import { describe, expect, it } from "vitest";
import { pairedTrial } from "../../../src/diagnosis/trials/paired.ts";
import type { PairedNode } from "../../../src/diagnosis/trials/verdict.ts";
import { createRandom, type Random } from "../../../src/simulate/time-and-chance.ts";

const RATE = { label: "SF9BW125", floorDb: -12.5 };
const READING = { snrDb: 3, rssiDbm: -100, signalRssiDbm: null };

/** A node whose frames each side hears with a chance of its own. */
function node(random: Random, index: number, count: number, a: number, b: number): PairedNode {
  const sent = Array.from({ length: count }, (_, i) => ({
    atUs: (i * 600 + index * 37) * 1e6,
    frequencyHz: 868_100_000 + (i % 3) * 200_000,
    rate: RATE,
    a: random.uniform() < a ? READING : null,
    b: random.uniform() < b ? READING : null,
  }));
  return { devAddr: `01A2B3C${index}`, name: null, sent };
}

describe("a node's own row of a trial", () => {
  it("is told to a few points where both sides heard all of 90 frames, though other nodes lose much", () => {
    const random = createRandom(4);
    const nodes = [node(random, 0, 90, 1, 1), node(random, 1, 90, 0.8, 0.6), node(random, 2, 90, 0.95, 0.97)];
    const own = pairedTrial({ nodes }).nodes[0]?.delivery;
    expect(own?.estimate).toBe(0);
    expect((own?.high ?? 1) - (own?.low ?? -1)).toBeLessThan(0.16);
  });

  it("holds the truth in 93 of 100 and more where frames are lost one by one", () => {
    const random = createRandom(9);
    let held = 0;
    const TRIALS = 120;
    for (let i = 0; i < TRIALS; i++) {
      const nodes = [node(random, 0, 120, 0.95, 0.85), node(random, 1, 120, 0.9, 0.9)];
      const [first, second] = pairedTrial({ nodes }).nodes.map(({ delivery }) => delivery);
      if (first != null && first.low <= 0.1 && first.high >= 0.1) held += 1;
      if (second != null && second.low <= 0 && second.high >= 0) held += 1;
    }
    expect(held / (2 * TRIALS)).toBeGreaterThan(0.93);
  });
});
