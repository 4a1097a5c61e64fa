import { describe, expect, it } from "vitest";
import {
  type GrowthEvidence,
  growthForecast,
  growthUntil,
  MAX_GROWTH,
} from "../../../src/radio/capacity/growth.ts";
import { repeatableChance } from "../../../src/statistics/series.ts";

const BLOCKS = 12;
const NODES = 10;
const HEARD = 8;

/** Ten nodes of ten counters a block, each heard; every frame expects `e` spoilers by the site's own traffic. */
function evidence(e: number, { expected = HEARD, erlang = 0.01, repeats = 1 } = {}): GrowthEvidence {
  const exposure = { least: e, theory: e, most: e };
  return {
    nodes: NODES,
    blocks: BLOCKS,
    expected: Array.from({ length: NODES }, () => Array<number>(BLOCKS).fill(expected)),
    heardOf: Array.from({ length: NODES }, () => Array<number>(BLOCKS).fill(HEARD)),
    loadOfBlock: Array<number>(BLOCKS).fill(1),
    loadOfNode: Array<number>(NODES).fill(1 / NODES),
    heard: Array.from({ length: NODES * BLOCKS * HEARD }, (_, i) => ({
      node: i % NODES,
      block: Math.floor(i / NODES) % BLOCKS,
      transmissions: Array.from({ length: repeats }, () => ({ exposure, gateways: [1] })),
    })),
    erlang: new Map([[1, { all: erlang, own: erlang }]]),
  };
}

const deliveryWith = (given: GrowthEvidence, moreNodes: number) =>
  growthForecast(given, repeatableChance(1)).deliveryWith(moreNodes);

describe("growth by nodes like these", () => {
  it("ends where exp(−growth × spoilers) falls to the share", () => {
    const { delivery, moreNodes, curve } = growthUntil(evidence(0.01), 0.95, repeatableChance(1));
    expect(delivery).toEqual({ value: 1, low: 1, high: 1 });
    // −ln 0.95 / 0.01 = 5.129 times ten nodes; demodulators are free at some hundredths of an Erlang.
    expect(moreNodes.value).toBeCloseTo(51.29, 1);
    expect(moreNodes.low).toBeLessThanOrEqual(moreNodes.value);
    expect(moreNodes.high).toBeGreaterThanOrEqual(moreNodes.value);
    for (const { moreNodes: more, value } of curve)
      expect(value).toBeCloseTo(Math.exp((-more / 10) * 0.01), 4);
  });

  it("counts what is lost today as lost, and leaves no room below the share", () => {
    // Eight of ten delivered.
    const now = deliveryWith(evidence(0.01, { expected: 10 }), 0);
    expect(now.value).toBeCloseTo(0.8, 12);
    expect(deliveryWith(evidence(0.01, { expected: 10 }), 100).value).toBeCloseTo(0.8 * Math.exp(-0.1), 4);
    expect(growthUntil(evidence(0.01, { expected: 10 }), 0.95, repeatableChance(1)).moreNodes.value).toBe(0);
  });

  it("is as sure of what is heard today when few of many counters are looked at", () => {
    const whole = evidence(0.01, { expected: 10 });
    const thinned = { ...whole, heard: whole.heard.filter((_, i) => i % 7 === 0) };
    const now = deliveryWith(thinned, 0);
    expect([now.value, now.low, now.high].map((one) => one.toFixed(9))).toEqual(Array(3).fill("0.800000000"));
  });

  it("needs all repeats of a counter to be lost", () => {
    const lost = 1 - Math.exp(-0.5);
    expect(deliveryWith(evidence(0.1, { repeats: 2 }), 50).value).toBeCloseTo(1 - lost ** 2, 4);
  });

  it("is held up by demodulators: 1 % find all 8 busy at 3.13 Erlang", () => {
    // Ten times 0.284 Erlang more are 3.13 in all (Erlang B tables: radio reference, section 4.4).
    const { value } = deliveryWith(evidence(0, { erlang: 0.2845 }), 100);
    expect(value).toBeCloseTo(0.99, 3);
  });

  it("is told to no more than a hundred times the nodes", () => {
    expect(growthUntil(evidence(1e-9, { erlang: 1e-6 }), 0.95, repeatableChance(1)).moreNodes.value).toBe(
      MAX_GROWTH * NODES,
    );
  });
});
