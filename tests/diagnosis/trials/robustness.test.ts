/** Does a trial stay right where frames are heard by luck, where the network changes a node's power, and where nodes themselves change? */
import { describe, expect, test } from "vitest";
import { pairedTrial } from "../../../src/diagnosis/trials/paired.ts";
import { sequentialTrial } from "../../../src/diagnosis/trials/sequential.ts";
import type { SequentialEvidence } from "../../../src/diagnosis/trials/verdict.ts";
import { mean, simulatePaired, simulateSequential } from "./simulated.ts";

const TRIALS = 12;
const seeds = Array.from({ length: TRIALS }, (_, i) => 601 * i + 3);
const MARGINS = [4, 3, 5, 2, 4];
const BASE = { spreadingFactor: 10, fastDb: 1.5, otherLoss: 0.01, sharedSlowDb: 0, ownSlowDb: 1 };

describe("a place that hears one frame in four", () => {
  const site = { ...BASE, marginsDb: [2, 1.5, 1, 1.5, 2], differenceDb: 5, hours: 6, rhythmS: 120 };
  const trials = seeds.map((seed) => simulatePaired(site, seed).evidence);

  test("looks better than it is on the frames that both heard", () => {
    const onCommon = trials.map(({ nodes }) =>
      mean(
        nodes.flatMap(({ sent }) =>
          sent.flatMap(({ a, b }) => (a === null || b === null ? [] : [(a.snrDb ?? 0) - (b.snrDb ?? 0)])),
        ),
      ),
    );
    expect(mean(onCommon)).toBeLessThan(site.differenceDb - 0.7);
  });

  test("is told by its true difference, and worse in every trial", () => {
    const found = trials.map((evidence) => pairedTrial(evidence).snr);
    expect(Math.abs(mean(found.map((one) => one?.estimate ?? 0)) - site.differenceDb)).toBeLessThan(0.4);
    expect(found.every((one) => one !== null && one.low > 0)).toBe(true);
  });
});

describe("a network that turns the power of nodes down by 6 dB half way through the second place", () => {
  const site = {
    ...BASE,
    marginsDb: MARGINS.map((margin) => margin + 6),
    differenceDb: 0,
    hours: 24,
    rhythmS: 300,
  };
  /** `isKnown`: whether the command was heard. */
  const trial = (seed: number, isKnown: boolean): SequentialEvidence => {
    const before = simulateSequential(site, seed).evidence;
    const after = simulateSequential({ ...site, nodeChangeDb: -6 }, seed + 1).evidence;
    return {
      hasControl: false,
      nodes: before.nodes.map((node, k) => {
        const half = Math.floor(node.b.length / 2);
        const changed = after.nodes[k]?.b.slice(half) ?? [];
        return {
          ...node,
          b: [...node.b.slice(0, half), ...changed],
          powerChangesUs: isKnown ? [changed[0]?.atUs ?? 0] : [],
        };
      }),
    };
  };

  test("moves the answer when nobody knows of it", () => {
    const found = seeds.map((seed) => sequentialTrial(trial(seed, false)).snr?.estimate ?? 0);
    expect(mean(found)).toBeGreaterThan(2);
  });

  test("leaves the answer alone when the command was heard", () => {
    const found = seeds.map((seed) => sequentialTrial(trial(seed, true)).snr);
    expect(Math.abs(mean(found.map((one) => one?.estimate ?? 9)))).toBeLessThan(0.3);
    expect(found.filter((one) => one !== null && one.low <= 0 && one.high >= 0).length).toBeGreaterThan(8);
  });
});

test("nodes that all changed by 4 dB between the places are no difference of places when a gateway stood still", () => {
  const site = {
    ...BASE,
    marginsDb: MARGINS,
    differenceDb: 0,
    hours: 24,
    rhythmS: 300,
    nodeChangeDb: 4,
    control: true,
  };
  const found = seeds.map((seed) => sequentialTrial(simulateSequential(site, seed).evidence));
  expect(mean(found.map(({ uncontrolled }) => uncontrolled?.estimate ?? 0))).toBeLessThan(-3.5);
  expect(Math.abs(mean(found.map(({ snr }) => snr?.estimate ?? 9)))).toBeLessThan(0.3);
});

test("frames that fade together in time are worth fewer: four times as many in the same hours do not halve the width", () => {
  const width = (rhythmS: number) =>
    mean(
      seeds.map((seed) => {
        const site = {
          ...BASE,
          ownSlowDb: 2,
          marginsDb: MARGINS.map((one) => one + 6),
          differenceDb: 0,
          hours: 4,
          rhythmS,
        };
        const snr = pairedTrial(simulatePaired(site, seed).evidence).snr;
        return (snr?.high ?? 0) - (snr?.low ?? 0);
      }),
    );
  expect(width(60)).toBeGreaterThan(0.8 * width(240));
});
