import { describe, expect, it } from "vitest";
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

  it("injects its cause and no other, and nothing where there is none", () => {
    for (const { one, scenario } of drawn)
      expect(scenario.events.map(({ event }) => event)).toEqual(one.cause === null ? [] : [one.cause]);
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
