import { describe, expect, it } from "vitest";
import { drawSite } from "./draw-site.ts";
import { playCase } from "./play-case.ts";

describe("a node that joins again and again", () => {
  it.each([3001, 3002])("has one dropout, not one for every join (seed %i)", (seed) => {
    const { truth, view } = playCase(drawSite({ cause: "rejoin-loop", strength: "middling", seed }), seed);
    const [loop] = truth.injected;
    const addresses = loop?.nodes.flatMap(({ devAddrs }) => devAddrs) ?? [];
    const lives = truth.nodes.filter(({ devAddr }) => addresses.includes(devAddr));
    const rows = view.gaps.filter(({ devAddr }) => addresses.includes(devAddr));
    expect(lives.length).toBeGreaterThan(1);
    expect(rows.length).toBeGreaterThan(0);
    expect(rows.length).toBeLessThanOrEqual(2);
  });
});
