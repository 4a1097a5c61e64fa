/** A store with what a simulated site sent: for tests that need the air, the path and the clocks to behave like some. */

import { playSite } from "../../src/simulate/play-site.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import type { Store } from "../../src/store/open.ts";
import type { DecodedArrival, DownlinkArrival } from "../../src/store/recorder.ts";
import { decodeDownstream } from "../../src/wire/forwarder/downstream.ts";
import { decoded } from "../store/traffic.ts";
import { siteOf } from "./a-site.ts";

/**
 * `scenario` in the form of a scenario file. Everything that its gateways sent and that arrived is recorded; with
 * `isInLine`, what its network server sent, too.
 */
export function playedSite(scenario: object, seed = 1, isInLine = false): Store {
  const read = readScenario(JSON.stringify(scenario));
  if (!read.ok) throw new Error(read.sentence);
  const clock = { startUs: Date.parse(read.scenario.start) * 1000, speed: 1 };
  const play = playSite(read.scenario, createRandom(seed), clock);
  const traffic = captureSite(play, read.scenario, clock).flatMap(
    (one): (DecodedArrival | DownlinkArrival)[] => {
      const arrival = { ...one, door: "capture" as const };
      if (one.to.port === 1700) return [decoded(arrival)];
      return isInLine ? [{ arrival, downlink: decodeDownstream(one.bytes) }] : [];
    },
  );
  return siteOf(traffic);
}

export interface OrchardOptions {
  readonly duration?: string;
  readonly channelsHz?: readonly number[];
  readonly nodes?: number;
  readonly rhythmSeconds?: number;
  readonly gateway?: object;
  readonly network?: object;
  readonly events?: readonly object[];
  readonly node?: object;
}

export const MAST = "02005E1000000001";

/** One mast and some probes of Fennick Orchard that it hears well. */
export function orchardScenario(options: OrchardOptions = {}): object {
  const { nodes = 20, rhythmSeconds = 40 } = options;
  return {
    title: "Fennick Orchard, one mast",
    site: "Fennick Orchard",
    start: "2026-04-14T04:00:00Z",
    duration: options.duration ?? "1:00:00",
    channelsHz: options.channelsHz ?? [868_100_000, 868_300_000, 868_500_000],
    network: options.network ?? {},
    gateways: [{ eui: MAST, name: "Mast", ...options.gateway }],
    nodes: Array.from({ length: nodes }, (_, i) => ({
      name: `Probe ${i + 1}`,
      devAddr: `01F2B1${(16 + i).toString(16).toUpperCase().padStart(2, "0")}`,
      rhythmSeconds,
      payloadBytes: 8,
      spreadingFactor: 7 + (i % 3),
      pathGainDb: { [MAST]: -105 - (i % 12) },
      ...options.node,
    })),
    events: options.events ?? [],
  };
}
