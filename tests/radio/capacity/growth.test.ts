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
    // One counter of the eight stands for all: they are alike.
    heard: Array.from({ length: NODES * BLOCKS }, (_, i) => ({
      node: i % NODES,
      block: Math.floor(i / NODES),
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

  it("in the busiest block falls twice as fast where that block carries twice the mean", () => {
    const given = evidence(0.01, { erlang: 1e-9 });
    const loadOfBlock = [2, ...Array<number>(BLOCKS - 1).fill(10 / 11)];
    const answer = growthUntil({ ...given, loadOfBlock }, 0.95, repeatableChance(1));
    // −ln 0.95 / (2 × 0.01) × 10 nodes
    expect(answer.moreNodesBusiest.value).toBeCloseTo(25.65, 1);
    // As it goes: the mean over blocks of exp(−0.01 g load); to the first order the mean load, 1.
    expect(answer.moreNodes.value).toBeCloseTo(51.3, 0);
    expect(answer.moreNodesBusiest.low).toBeLessThan(answer.moreNodes.low);
  });

  it("has a curve of nine points to twice the room there is, nothing more at the first", () => {
    const { curve, moreNodes } = growthUntil(evidence(0.01, { erlang: 1e-9 }), 0.95, repeatableChance(1));
    const farthest = Math.max(2 * moreNodes.value, moreNodes.high);
    expect(curve.map((point) => point.moreNodes)).toEqual(
      Array.from({ length: 9 }, (_, i) => Math.round((farthest * i) / 8)),
    );
    expect(curve[0]).toEqual({ moreNodes: 0, value: 1, low: 1, high: 1 });
    // Never less than the nodes there are: with no room at all the curve still ends at ten more.
    const none = growthUntil(evidence(0.01, { expected: 10 }), 0.95, repeatableChance(1));
    expect(none.curve.at(-1)?.moreNodes).toBe(10);
  });

  it("lies between what the rule of capture that spoils least and the one that spoils most leave", () => {
    const given = evidence(0.01, { erlang: 1e-9 });
    const exposure = { least: 0.005, theory: 0.01, most: 0.03 };
    const heard = given.heard.map((one) => ({ ...one, transmissions: [{ exposure, gateways: [1] }] }));
    // Ten times the nodes more: exp(−0.05), exp(−0.1), exp(−0.3); blocks and nodes are all alike.
    const { value, low, high } = deliveryWith({ ...given, heard }, 100);
    expect(value).toBeCloseTo(Math.exp(-0.1), 6);
    expect(low).toBeCloseTo(Math.exp(-0.3), 6);
    expect(high).toBeCloseTo(Math.exp(-0.05), 6);
  });

  it("is lost only where every gateway that heard it is out of demodulators, over what is lost now", () => {
    const given = evidence(0, { erlang: 1e-9 });
    const heardBy = (gateways: number[]) =>
      given.heard.map((one) => ({
        ...one,
        transmissions: [{ exposure: { least: 0, theory: 0, most: 0 }, gateways }],
      }));
    // Both gateways carry 1 Erlang, all one's own: ten times more are 11. Erlang B, 8 servers: 11 Erlang 0.3828, 1 Erlang 9.1e-6.
    const erlang = new Map([1, 2].map((gateway) => [gateway, { all: 1, own: 1 }]));
    const one = deliveryWith({ ...given, heard: heardBy([1]), erlang }, 100).value;
    const two = deliveryWith({ ...given, heard: heardBy([1, 2]), erlang }, 100).value;
    const blocked = 1 - one;
    expect(blocked).toBeCloseTo(0.3828, 3);
    expect(1 - two).toBeCloseTo(blocked ** 2, 3);
    // Strangers do not grow: 1 Erlang of which a tenth is one's own becomes 2. Erlang B: 8.6e-4.
    const mostlyStrangers = new Map([[1, { all: 1, own: 0.1 }]]);
    expect(
      1 - deliveryWith({ ...given, heard: heardBy([1]), erlang: mostlyStrangers }, 100).value,
    ).toBeCloseTo(8.6e-4, 4);
    // A gateway without an account is never busy.
    expect(deliveryWith({ ...given, heard: heardBy([9]), erlang }, 100).value).toBe(1);
  });

  it("weighs nodes by their load and blocks by theirs", () => {
    // Node 0 sends everything: what more it sends falls on all alike.
    const given = evidence(0.01, { erlang: 1e-9 });
    const loadOfNode = [1, ...Array<number>(NODES - 1).fill(0)];
    expect(deliveryWith({ ...given, loadOfNode }, 50).value).toBeCloseTo(Math.exp(-0.05), 6);
    expect(
      deliveryWith({ ...given, expected: given.expected.map((row) => row.map(() => 0)) }, 50).value,
    ).toBe(0);
    expect(deliveryWith({ ...given, heard: [] }, 50).value).toBe(0);
  });
});
