/**
 * Which fault does a case inject, when, and how strongly? Each cause in three strengths, each drawn from a range and
 * in proportion to the site: a silence in rhythms of the node, a loss of level in dB over its margin.
 */
import { below, type Random } from "../../src/simulate/time-and-chance.ts";
import { CAUSES } from "../../src/words/causes.ts";
import type { Strength } from "./draw-site.ts";

/** Every cause that a finding may name can be injected. */
export const FAULT_CAUSES = CAUSES;
export type FaultCause = (typeof FAULT_CAUSES)[number];

export interface DrawnFault {
  /** As a scenario's events. */
  readonly events: readonly object[];
}

export interface FaultSite {
  readonly random: Random;
  readonly durationSeconds: number;
  /** Of the site; each node's is its own. */
  readonly rhythmSeconds: number;
  readonly heardHz: readonly number[];
  readonly otherHz: readonly number[];
  readonly gateways: readonly string[];
  readonly nodes: readonly {
    readonly name: string;
    readonly marginDb: number;
    readonly rhythmSeconds: number;
    readonly spreadingFactor: number;
  }[];
}

type Range = readonly [from: number, to: number];
/** One range for each strength. */
type Ranges = Readonly<Record<Strength, Range>>;

const ranges = (mild: Range, middling: Range, strong: Range): Ranges => ({ mild, middling, strong });

/** Draws the fault of a case. */
export function drawFault(cause: FaultCause, strength: Strength, site: FaultSite): DrawnFault {
  return { events: [DRAWERS[cause](strength, site)].flat() };
}

const draw = ({ random }: FaultSite, of: Ranges, strength: Strength): number => {
  const [from, to] = of[strength];
  return from + (to - from) * random.uniform();
};

/**
 * A stretch of so many rhythms that begins in the run's middle third; one in seven goes on to the end, and one in eight was there
 * before anybody listened: nothing tells what the site was like without it.
 */
function stretch(site: FaultSite, lengthSeconds: number): { from: number; to: number } {
  const { random, durationSeconds } = site;
  const isOld = random.uniform() < 1 / 8;
  const from = isOld ? 0 : Math.round(durationSeconds * (0.3 + 0.25 * random.uniform()));
  const isOpen = random.uniform() < 1 / 7;
  const to = isOpen ? durationSeconds : Math.min(durationSeconds * 0.9, from + lengthSeconds);
  return { from, to: Math.round(Math.max(to, from + 1)) };
}

function someNode(site: FaultSite): FaultSite["nodes"][number] {
  const node = site.nodes[below(site.random, site.nodes.length)];
  if (node === undefined) throw new Error("a site without nodes");
  return node;
}

function someGateway(site: FaultSite): string {
  return site.gateways[below(site.random, site.gateways.length)] ?? "";
}

/** So many of these, drawn without replacement. */
function some(random: Random, from: readonly number[], count: number): number[] {
  const left = [...from];
  const taken: number[] = [];
  while (taken.length < count && left.length > 0) taken.push(...left.splice(below(random, left.length), 1));
  return taken;
}

const MAX_CROWD_FRAMES = 5000;
/** Of 25 octets at 125 kHz (AN1200.13). */
const CROWD_AIRTIME_SECONDS: Readonly<Record<number, number>> = {
  7: 0.0617,
  8: 0.1132,
  9: 0.2058,
  10: 0.4117,
  11: 0.8233,
  12: 1.4828,
};

type Drawer = (strength: Strength, site: FaultSite) => object | object[];

const DRAWERS: Readonly<Record<FaultCause, Drawer>> = {
  "gateway-unreachable": (strength, site) => {
    const gateway = someGateway(site);
    if (strength === "mild") {
      const times = stretch(site, site.rhythmSeconds * (20 + 30 * site.random.uniform()));
      // Datagrams lost each by itself are the cause backhaul-loss.
      const burstSeconds = 20 + 200 * site.random.uniform();
      const lossShare = 0.15 + 0.25 * site.random.uniform();
      return { event: "gateway-unreachable", gateway, ...times, lossShare, burstSeconds };
    }
    const rhythms = draw(site, ranges([1, 1], [1.5, 5], [6, 30]), strength);
    return { event: "gateway-unreachable", gateway, ...stretch(site, rhythms * site.rhythmSeconds) };
  },
  "gateway-restarted": (strength, site) => {
    const rhythms = draw(site, ranges([0.4, 1], [1.2, 3], [4, 12]), strength);
    const { from } = stretch(site, 1);
    return {
      event: "gateway-restarted",
      gateway: someGateway(site),
      at: from,
      seconds: Math.max(15, Math.round(rhythms * site.rhythmSeconds)),
    };
  },
  "gateway-deaf": (strength, site) => {
    const rhythms = draw(site, ranges([3, 5], [5, 12], [12, 40]), strength);
    const times = stretch(site, rhythms * site.rhythmSeconds);
    // Most are found and restarted; few radios come back by themselves.
    const restartSeconds = site.random.uniform() < 0.9 ? 10 + Math.round(50 * site.random.uniform()) : 0;
    const counterStands = site.random.uniform() < 0.4;
    return { event: "gateway-deaf", gateway: someGateway(site), ...times, restartSeconds, counterStands };
  },
  "gateway-weakened": (strength, site) => {
    const margins = site.nodes.map(({ marginDb }) => marginDb).sort((a, b) => a - b);
    // The weakest node loses frames, a third of them, two thirds; where nobody is left, nothing tells it from noise.
    const at = { mild: 0, middling: 0.34, strong: 0.67 }[strength] * (margins.length - 1);
    const lossDb = Math.max(4, (margins[Math.round(at)] ?? 12) + 2 * site.random.uniform() - 1);
    const times = stretch(site, site.rhythmSeconds * (20 + 40 * site.random.uniform()));
    return { event: "gateway-weakened", gateway: someGateway(site), ...times, lossDb };
  },
  "backhaul-loss": (strength, site) => {
    const lossShare = draw(site, ranges([0.08, 0.15], [0.15, 0.35], [0.35, 0.6]), strength);
    const burstSeconds = site.random.uniform() < 0.6 ? 0 : 1 + 8 * site.random.uniform();
    const times = stretch(site, site.rhythmSeconds * (25 + 35 * site.random.uniform()));
    return { event: "backhaul-loss", gateway: someGateway(site), ...times, lossShare, burstSeconds };
  },
  "node-silent": (strength, site) => {
    const node = someNode(site);
    const rhythms = draw(site, ranges([4, 8], [8, 20], [20, 60]), strength);
    return { event: "node-silent", node: node.name, ...stretch(site, rhythms * node.rhythmSeconds) };
  },
  "node-restarted": (strength, site) => {
    const node = someNode(site);
    const rhythms = draw(site, ranges([3, 6], [6, 15], [15, 40]), strength);
    const { from } = stretch(site, 1);
    return {
      event: "node-restarted",
      node: node.name,
      at: from,
      silentSeconds: Math.round(rhythms * node.rhythmSeconds),
    };
  },
  "rejoin-loop": (strength, site) => {
    const node = someNode(site);
    const rhythms = draw(site, ranges([5, 10], [10, 20], [20, 50]), strength);
    const times = stretch(site, rhythms * node.rhythmSeconds);
    // No more than some 150 requests: the air is to hold a loop, not a congestion.
    const least = (times.to - times.from) / 150;
    const everySeconds = Math.max(least, 15 + 200 * site.random.uniform());
    const dataFrames = site.random.uniform() < 0.6 ? 0 : 1 + below(site.random, 2);
    return { event: "rejoin-loop", node: node.name, ...times, everySeconds, dataFrames };
  },
  "weak-link": (strength, site) => {
    const node = someNode(site);
    // What is left of the margin: a fifth lost, half and more, nearly all.
    const leftDb = draw(site, ranges([0.3, 1.8], [-1.5, 0.3], [-15, -4]), strength);
    const times = stretch(site, node.rhythmSeconds * (18 + 30 * site.random.uniform()));
    const rampSeconds = site.random.uniform() < 0.6 ? 0 : (times.to - times.from) * 0.2;
    return {
      event: "weak-link",
      node: node.name,
      ...times,
      lossDb: Math.max(1, node.marginDb - leftDb),
      rampSeconds: Math.round(rampSeconds),
    };
  },
  interference: (strength, site) => {
    const share = { mild: 1 / site.heardHz.length, middling: 0.5, strong: 1 }[strength];
    const count = Math.max(1, Math.round(share * site.heardHz.length));
    const margins = site.nodes.map(({ marginDb }) => marginDb).sort((a, b) => a - b);
    // Above the margin of half of the nodes at least.
    const middle = margins[Math.floor(margins.length / 2)] ?? 20;
    const noiseRiseDb = Math.min(60, middle + 2 + 15 * site.random.uniform());
    const times = stretch(site, site.rhythmSeconds * (20 + 30 * site.random.uniform()));
    const periods =
      site.random.uniform() < 0.7
        ? {}
        : { periodSeconds: 60 + 3000 * site.random.uniform(), onShare: 0.4 + 0.4 * site.random.uniform() };
    const frequenciesHz = some(site.random, site.heardHz, count);
    return { event: "interference", ...times, noiseRiseDb, frequenciesHz, ...periods };
  },
  congestion: (strength, site) => {
    const load = draw(site, ranges([0.1, 0.18], [0.18, 0.35], [0.35, 0.6]), strength);
    const factors = [...new Set(site.nodes.map(({ spreadingFactor }) => spreadingFactor))];
    const { from, to } = stretch(site, site.rhythmSeconds * (20 + 20 * site.random.uniform()));
    // No more frames than a run can play in about a second.
    const airtimes = factors.map((factor) => CROWD_AIRTIME_SECONDS[factor] ?? 0.06);
    const meanSeconds = airtimes.reduce((sum, seconds) => sum + seconds, 0) / airtimes.length;
    const mostSeconds = (MAX_CROWD_FRAMES * meanSeconds) / (load * site.heardHz.length);
    return {
      event: "congestion",
      from,
      to: Math.round(Math.min(to, from + mostSeconds)),
      load,
      frequenciesHz: site.heardHz,
      spreadingFactors: factors,
      devices: 30 + below(site.random, 120),
      pathGainDb: [-135, -98 - 10 * site.random.uniform()],
    };
  },
  "channel-mismatch": (strength, site) => {
    const lost = draw(site, ranges([0.2, 0.35], [0.4, 0.65], [0.75, 0.9]), strength);
    const heard = site.heardHz.length;
    const times = stretch(site, site.rhythmSeconds * (25 + 35 * site.random.uniform()));
    if (site.random.uniform() < 0.5) {
      const kept = Math.max(1, Math.round(heard * (1 - lost)));
      const channelsHz = some(site.random, site.heardHz, kept);
      return { event: "channel-mismatch", gateway: someGateway(site), ...times, channelsHz };
    }
    const others = Math.min(site.otherHz.length, Math.max(1, Math.round((heard * lost) / (1 - lost))));
    const used = Math.max(1, Math.round((others * (1 - lost)) / lost));
    const channelsHz = [...some(site.random, site.heardHz, used), ...some(site.random, site.otherHz, others)];
    return { event: "channel-mismatch", node: someNode(site).name, ...times, channelsHz };
  },
  "gateway-transmitting": (strength, site) => {
    const times = stretch(site, Math.min(6 * 3600, site.rhythmSeconds * (20 + 30 * site.random.uniform())));
    const share = draw(site, ranges([0.12, 0.25], [0.25, 0.5], [0.5, 0.85]), strength);
    const spreadingFactor = 9 + below(site.random, 4);
    // No plan lets more than 51 octets and the 13 around them go out slower than at SF9 (LoRaWAN regional parameters).
    const payloadBytes = Math.min(spreadingFactor > 9 ? 64 : 128, 20 + below(site.random, 100));
    const gateway = someGateway(site);
    return { event: "gateway-transmitting", gateway, ...times, share, spreadingFactor, payloadBytes };
  },
  "shared-address": (strength, site) => {
    const node = someNode(site);
    const apartDb = draw(site, ranges([0, 3], [3, 10], [10, 20]), strength);
    const sign = site.random.uniform() < 0.5 || node.marginDb < apartDb + 8 ? 1 : -1;
    return {
      event: "shared-address",
      node: node.name,
      ...stretch(site, node.rhythmSeconds * (30 + 40 * site.random.uniform())),
      rhythmSeconds: node.rhythmSeconds * (0.6 + 1.2 * site.random.uniform()),
      levelDb: sign * apartDb,
      startCounter: site.random.uniform() < 0.4 ? 0 : below(site.random, 65_000),
    };
  },
};
