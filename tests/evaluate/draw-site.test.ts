import { describe, expect, it } from "vitest";
import { CONDITIONS, type Condition } from "./draw-conditions.ts";
import { FAULT_CAUSES } from "./draw-fault.ts";
import { type Case, drawSite, STRENGTHS } from "./draw-site.ts";

const cases = (seeds: number): Case[] =>
  [null, ...FAULT_CAUSES].flatMap((cause) =>
    STRENGTHS.flatMap((strength) =>
      Array.from({ length: seeds }, (_, index): Case => ({ cause, strength, seed: 7000 + index })),
    ),
  );
const drawn = cases(8).map((one) => ({ one, ...drawSite(one) }));

describe("a drawn site", () => {
  it("is a valid scenario, the same for the same seed and another for another", () => {
    for (const { one, scenario } of drawn.slice(0, 30)) {
      expect(drawSite(one).scenario).toEqual(scenario);
      expect(drawSite({ ...one, seed: one.seed + 100 }).scenario).not.toEqual(scenario);
    }
  });

  it("injects its cause and no other, but for a bench node that restarts", () => {
    for (const { one, scenario, conditions } of drawn) {
      const own = scenario.events.filter(
        (event) => !conditions.events.length || event.event !== "node-reset",
      );
      expect(own.map(({ event }) => event)).toEqual(one.cause === null ? [] : [one.cause]);
    }
  });

  it("has every hard condition somewhere, and plain sites beside them", () => {
    const counts = new Map<string, number>();
    for (const { conditions } of drawn)
      for (const condition of conditions.conditions.length === 0 ? ["none"] : conditions.conditions)
        counts.set(condition, (counts.get(condition) ?? 0) + 1);
    for (const condition of ["none", ...CONDITIONS])
      expect(counts.get(condition) ?? 0, condition).toBeGreaterThan(10);
  });

  it("has what its conditions say: an edge node, two rhythms, constant octets, noisy channels, pauses", () => {
    for (const { scenario, conditions, one } of drawn) {
      const has = (condition: Condition) => conditions.conditions.includes(condition);
      const some = (of: (node: (typeof scenario.nodes)[0]) => boolean) => scenario.nodes.some(of);
      expect(some((node) => node.slowRhythmSeconds === 3 * node.rhythmSeconds)).toBe(has("two-rhythms"));
      expect(some((node) => node.schedule === "random")).toBe(has("event-driven"));
      expect(some((node) => node.constantPayload)).toBe(has("constant-payload"));
      expect(Object.keys(scenario.gateways[0]?.channelNoiseDb ?? {}).length > 0).toBe(has("standing-noise"));
      expect(conditions.keepalives).toBe(!has("no-keepalives"));
      expect(conditions.notRecorded.length > 0).toBe(has("not-recorded"));
      const lengths = conditions.notRecorded.map(({ fromSeconds, toSeconds }) => toSeconds - fromSeconds);
      for (const seconds of lengths) expect(seconds).toBeGreaterThanOrEqual(4);
      if (one.cause?.startsWith("gateway")) expect(conditions.keepalives).toBe(true);
    }
  });

  it("differs widely from the next: rhythms, spreading factors, regions, gateways, rules of reception", () => {
    const rhythms = drawn.flatMap(({ scenario }) => scenario.nodes.map(({ rhythmSeconds }) => rhythmSeconds));
    expect(Math.min(...rhythms)).toBeLessThan(90);
    expect(Math.max(...rhythms)).toBeGreaterThan(3000);
    const distinct = (of: (one: (typeof drawn)[0]) => unknown) => new Set(drawn.map(of)).size;
    expect(distinct(({ scenario }) => scenario.region)).toBeGreaterThan(5);
    expect(distinct(({ scenario }) => scenario.gateways.length)).toBe(3);
    expect(distinct(({ scenario }) => scenario.nodes.length)).toBeGreaterThan(5);
    expect(distinct(({ scenario }) => scenario.physics.captureDb)).toBe(drawn.length);
    const factors = new Set(
      drawn.flatMap(({ scenario }) => scenario.nodes.map((node) => node.spreadingFactor)),
    );
    expect([...factors].sort((a, b) => a - b)).toEqual([7, 8, 9, 10, 11, 12]);
  });

  it("leaves no node a neighbour's address", () => {
    for (const { scenario } of drawn)
      expect(new Set(scenario.nodes.map(({ devAddr }) => devAddr)).size).toBe(scenario.nodes.length);
  });
});
