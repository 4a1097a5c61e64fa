import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { playSite } from "../../src/simulate/play-site.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { decodeUpstream } from "../../src/wire/forwarder/upstream.ts";
import { decodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";

/** Spreading factor and FOpts of every frame of one node that arrives, in order. */
function framesOf(name: string, events: object[]): { sf: number; fOpts: string }[] {
  const path = new URL("../../sample-captures/orchard-bench.json", import.meta.url);
  const raw = JSON.parse(readFileSync(path, "utf8")) as {
    nodes: { name: string; devAddr: string }[];
    events: object[];
  };
  const read = readScenario(JSON.stringify({ ...raw, events }));
  if (!read.ok) throw new Error(read.sentence);
  const { scenario } = read;
  const clock = { startUs: Date.parse(scenario.start) * 1000, speed: 1 };
  const own = raw.nodes.find((node) => node.name === name)?.devAddr;
  const frames: { sf: number; fOpts: string }[] = [];
  for (const { bytes } of captureSite(playSite(scenario, createRandom(1), clock), scenario, clock)) {
    const decoding = decodeUpstream(bytes);
    if (!decoding.ok || decoding.datagram.kind !== "push-data") continue;
    for (const { crc, payload, modulation } of decoding.datagram.packets) {
      if (crc !== "ok" || payload === null || modulation.kind !== "lora") continue;
      const phy = decodePhyPayload(payload);
      if (!phy.ok || !("fCnt" in phy.value) || phy.value.devAddr !== own) continue;
      frames.push({ sf: modulation.spreadingFactor, fOpts: Buffer.from(phy.value.fOpts).toString("hex") });
    }
  }
  return frames;
}

const path = new URL("../../sample-captures/orchard-bench.json", import.meta.url);
const [first] = (
  JSON.parse(readFileSync(path, "utf8")) as { nodes: { name: string; spreadingFactor: number }[] }
).nodes;

describe("commands of the network in a scenario", () => {
  it("change the data rate from the frame on that answers, and are answered once", () => {
    const name = first!.name;
    const frames = framesOf(name, [
      { event: "node-link-adr", node: name, at: "0:04:00", spreadingFactor: 10 },
    ]);
    const turn = frames.findIndex(({ sf }) => sf === 10);
    expect(turn).toBeGreaterThan(2);
    expect(
      frames.slice(0, turn).every(({ sf, fOpts }) => sf === first!.spreadingFactor && fOpts === ""),
    ).toBe(true);
    expect(frames[turn]?.fOpts).toBe("0307");
    expect(frames.slice(turn + 1).every(({ sf, fOpts }) => sf === 10 && fOpts === "")).toBe(true);
  });

  it("are answered with battery and margin when they ask for the status", () => {
    const name = first!.name;
    const frames = framesOf(name, [
      { event: "node-status", node: name, at: "0:03:00", battery: 201, marginDb: -5 },
    ]);
    expect(frames.filter(({ fOpts }) => fOpts !== "")).toEqual([
      { sf: first!.spreadingFactor, fOpts: "06c93b" },
    ]);
  });
});
