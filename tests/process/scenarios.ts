/** Scenario files for a test: the samples cut in time, and a small lively site of the test's own. */

import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { expect } from "vitest";
import { repository } from "./program.ts";

/** Writes a sample scenario with a shorter duration (h:mm:ss) into a folder; the file's path. */
export function cutSample(name: string, duration: string, folder: string): string {
  const text = readFileSync(join(repository, "sample-captures", name), "utf8");
  const path = join(folder, `cut-${name}`);
  writeFileSync(path, JSON.stringify({ ...(JSON.parse(text) as object), duration }));
  return path;
}

const GATEWAYS = ["02005E1000000001", "02005E1000000002"] as const;

/**
 * Ten minutes of a site made to be played forty times as fast: rhythms of 60 to 110 s (1.5 to 2.75 s live) and
 * repeats 24 s apart (0.6 s live), so that what a listener hears still looks like nodes and not like noise. With a
 * weak link, a confirmed node, a reset, an outage of the path, loss and doubling on the way.
 */
export function livelySite(folder: string): string {
  const node = (n: number, rhythmSeconds: number, gains: [number, number | null], more: object = {}) => ({
    name: `Probe ${n}`,
    devAddr: `01F2B10${n}`,
    rhythmSeconds,
    payloadBytes: 8,
    spreadingFactor: 7,
    pathGainDb: { [GATEWAYS[0]]: gains[0], [GATEWAYS[1]]: gains[1] },
    ...more,
  });
  const scenario = {
    title: "Fennick Orchard, quick",
    site: "Fennick Orchard",
    start: "2026-04-14T04:00:00Z",
    duration: "0:10:00",
    seed: 21,
    channelsHz: [868_100_000, 868_300_000, 868_500_000, 867_100_000, 867_300_000, 867_500_000],
    firstFrameWithinSeconds: 20,
    network: { latencyMs: 80, jitterMs: 40, lossShare: 0.03, duplicateShare: 0.03 },
    gateways: GATEWAYS.map((eui, i) => ({
      eui,
      name: `Mast ${i + 1}`,
      keepaliveSeconds: 40,
      statSeconds: 120,
    })),
    nodes: [
      node(1, 60, [-104, -123]),
      node(2, 70, [-122, -118]),
      node(3, 80, [-131, -137], { fastFadingDb: 2.5 }),
      node(4, 90, [-133, -125], { confirmed: true, transmissions: 2, repeatSeconds: 24 }),
      node(5, 100, [-117, null], { startCounter: 65_530 }),
      node(6, 110, [-126, -130], { startCounter: 4_117 }),
      node(7, 75, [-138, -139], { fastFadingDb: 3 }),
    ],
    events: [
      { event: "node-reset", node: "Probe 6", at: "0:05:00" },
      { event: "gateway-backhaul-outage", gateway: GATEWAYS[0], from: "0:06:00", to: "0:08:00" },
    ],
  };
  const path = join(folder, "lively.json");
  writeFileSync(path, JSON.stringify(scenario));
  return path;
}

/**
 * Twelve minutes of two masts and sixteen nodes, to be played forty times as fast: the second mast hears all of them some
 * 5 dB better, near the floor, so that a trial has level, loss and what the floor hid to judge. Datagrams are lost and
 * doubled on the way.
 */
export function twoMasts(folder: string): string {
  const nodes = Array.from({ length: 16 }, (_, i) => {
    const gainDb = -129 - (i % 7);
    return {
      name: `Probe ${i + 1}`,
      devAddr: `01F2B2${(i + 16).toString(16).toUpperCase()}`,
      rhythmSeconds: 48 + 2 * (i % 6),
      payloadBytes: 8,
      spreadingFactor: 7 + (i % 3),
      fastFadingDb: 2,
      pathGainDb: { [GATEWAYS[0]]: gainDb - 5, [GATEWAYS[1]]: gainDb },
    };
  });
  const scenario = {
    title: "Fennick Orchard, two masts",
    site: "Fennick Orchard",
    start: "2026-04-14T04:00:00Z",
    duration: "0:12:00",
    seed: 11,
    channelsHz: [868_100_000, 868_300_000, 868_500_000],
    firstFrameWithinSeconds: 60,
    network: { latencyMs: 80, jitterMs: 40, lossShare: 0.02, duplicateShare: 0.02 },
    gateways: GATEWAYS.map((eui, i) => ({
      eui,
      name: `Mast ${i + 1}`,
      keepaliveSeconds: 40,
      statSeconds: 120,
    })),
    nodes,
  };
  const path = join(folder, "two-masts.json");
  writeFileSync(path, JSON.stringify(scenario));
  return path;
}

/** The rows of a list in a JSON answer; fails where it is no list, or an empty one. */
export function rows(value: unknown): Record<string, unknown>[] {
  expect(Array.isArray(value)).toBe(true);
  const list = value as Record<string, unknown>[];
  expect(list.length).toBeGreaterThan(0);
  return list;
}
