import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { readScenario } from "../../src/simulate/scenario.ts";
import { gateway, node, SHED, site } from "./small-site.ts";

const sentence = (more: object): string => {
  try {
    site(more);
  } catch (error) {
    return error instanceof Error ? error.message : "";
  }
  return "accepted";
};

describe("readScenario", () => {
  it.each(["fennick-orchard", "fennick-orchard-day", "orchard-bench", "orchard-two-antennas"])(
    "accepts the sample scenario %s",
    (name) => {
      const text = readFileSync(new URL(`../../sample-captures/${name}.json`, import.meta.url), "utf8");
      expect(readScenario(text)).toMatchObject({ ok: true });
    },
  );

  it("reads times as h:mm:ss or in seconds", () => {
    expect(site({ duration: "1:02:03" }).duration).toBe(3_723_000_000);
    expect(site({ duration: 90.5 }).duration).toBe(90_500_000);
    expect(sentence({ duration: "1:2:3" })).toContain("duration");
  });

  it.each([
    ["a key that it does not know", { nodes: [node({ rythmSeconds: 3 })] }, "rythmSeconds"],
    ["two gateways with one eui", { gateways: [gateway(), gateway()] }, "same eui"],
    ["two nodes with one name", { nodes: [node(), node()] }, "same name"],
    ["a path that nobody told", { nodes: [node({ pathGainDb: {} })] }, "neither a pathGainDb"],
    ["a joining node without devEui", { nodes: [node({ activation: "otaa" })] }, "no devEui"],
    ["a channel that the site lacks", { nodes: [node({ channelsHz: [869_525_000] })] }, "869525000"],
    ["an event about nobody", { events: [{ event: "node-reset", node: "ghost", at: 5 }] }, "ghost"],
    [
      "an event that ends before it begins",
      { events: [{ event: "gateway-backhaul-outage", gateway: SHED, from: 9, to: 3 }] },
      "ends before it begins",
    ],
    ["a lower-case address", { nodes: [node({ devAddr: "01f2a102" })] }, "upper-case hex"],
  ])("refuses %s in one sentence that names it", (_, more, word) => {
    expect(sentence(more)).toContain(word);
    expect(sentence(more)).not.toContain("\n");
  });

  it("says what is no JSON", () => {
    expect(readScenario("{")).toMatchObject({ ok: false, sentence: expect.stringContaining("not JSON") });
  });
});
