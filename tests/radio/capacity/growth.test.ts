import { describe, expect, it } from "vitest";
import {
  type GrowthEvidence,
  growthForecast,
  growthUntil,
  MAX_GROWTH,
} from "../../../src/radio/capacity/growth.ts";
import { erlangB } from "../../../src/radio/collisions.ts";
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

/** Sites as they come: exposures over six powers of ten, repeats, blocks and nodes of unlike load. */
function drawnEvidence(random: () => number): GrowthEvidence {
  const nodes = 3 + Math.floor(random() * 6);
  const blocks = 12;
  const counts = Array.from({ length: nodes }, () =>
    Array.from({ length: blocks }, () => Math.floor(random() * 9)),
  );
  const unlike = (count: number) => Array.from({ length: count }, () => 0.2 + random());
  const shares = unlike(nodes);
  const total = shares.reduce((sum, one) => sum + one, 0);
  return {
    nodes,
    blocks,
    expected: counts.map((row) => row.map((count) => count + Math.floor(random() * 2))),
    heardOf: counts,
    loadOfBlock: unlike(blocks),
    loadOfNode: shares.map((one) => one / total),
    heard: Array.from({ length: 60 }, () => {
      const theory = 10 ** (-5 + 6 * random());
      return {
        node: Math.floor(random() * nodes),
        block: Math.floor(random() * blocks),
        transmissions: Array.from({ length: 1 + Math.floor(random() * 3) }, () => ({
          exposure: { least: theory / 2, theory, most: theory * (1 + random()) },
          gateways: random() < 0.5 ? [1] : [1, 2],
        })),
      };
    }),
    erlang: new Map([1, 2].map((id) => [id, { all: 0.3 + random(), own: 0.1 + random() / 5 }])),
  };
}

/** Delivery of every draw, by the formulas of the head comment alone, in order. */
function deliveriesOfDraws(
  given: GrowthEvidence,
  growth: number,
  { rule, demodulators }: { rule: "least" | "most"; demodulators: number },
  random: () => number,
): number[] {
  const draw = (count: number) => {
    const times = Array<number>(count).fill(0);
    for (let i = 0; i < count; i++) times[Math.floor(random() * count)]! += 1;
    return times;
  };
  const busyAt = (id: number, times: number) => {
    const { all, own } = given.erlang.get(id)!;
    return erlangB(all + times * own, demodulators);
  };
  const busy = (ids: readonly number[], times: number) => ids.reduce((all, id) => all * busyAt(id, times), 1);
  return Array.from({ length: 120 }, () => {
    const ofBlock = draw(given.blocks);
    const ofNode = draw(given.nodes).map((count) => 1 + (count - 1) / Math.sqrt(Math.max(1, growth)));
    const load = given.loadOfNode.reduce((sum, share, node) => sum + share * ofNode[node]!, 0);
    const weight = (node: number, block: number) => ofBlock[block]! * (1 + growth * ofNode[node]!);
    const sum = (counts: readonly (readonly number[])[]) =>
      counts
        .flatMap((row, node) => row.map((count, block) => count * weight(node, block)))
        .reduce((a, b) => a + b);
    const kept = given.heard.map(({ node, block, transmissions }) => {
      const lost = transmissions.map(({ exposure, gateways }) => {
        const free = (1 - busy(gateways, growth * load)) / (1 - busy(gateways, 0));
        return 1 - Math.exp(-growth * load * given.loadOfBlock[block]! * exposure[rule]) * free;
      });
      return { weight: weight(node, block), share: 1 - lost.reduce((all, one) => all * one, 1) };
    });
    const all = kept.reduce((total, one) => total + one.weight, 0);
    const spared = kept.reduce((total, one) => total + one.weight * one.share, 0) / all;
    return (sum(given.heardOf) / sum(given.expected)) * spared;
  }).sort((a, b) => a - b);
}

it.each([1, 2, 3, 4, 5, 6])(
  "ends of an interval are deliveries of draws worked out in full: site %i",
  (seed) => {
    const given = drawnEvidence(repeatableChance(seed));
    const forecast = growthForecast(given, repeatableChance(seed));
    for (const growth of [0.5, 3, 20]) {
      const { low, high } = forecast.deliveryWith(growth * given.nodes);
      const worst = deliveriesOfDraws(
        given,
        growth,
        { rule: "most", demodulators: 8 },
        repeatableChance(seed),
      );
      const best = deliveriesOfDraws(
        given,
        growth,
        { rule: "least", demodulators: 16 },
        repeatableChance(seed),
      );
      expect(low).toBeCloseTo(worst[3]!, 12);
      expect(high).toBeCloseTo(best[116]!, 12);
    }
  },
);
