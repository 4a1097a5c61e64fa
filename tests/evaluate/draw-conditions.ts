/**
 * What is hard about a drawn site, besides its fault? Nodes and circumstances as they are met: none of them is a fault
 * that a finding must name, each is one that a finding may take for something else. What is true of them stands in the
 * simulator's truth, and for what nobody recorded in `notRecorded`.
 */
import { below, type Random } from "../../src/simulate/time-and-chance.ts";
import type { FaultCause } from "./draw-fault.ts";

export const CONDITIONS = [
  "not-recorded",
  "no-keepalives",
  "two-rhythms",
  "event-driven",
  "constant-payload",
  "edge",
  "standing-noise",
] as const;
export type Condition = (typeof CONDITIONS)[number];

/** Seconds from the beginning of a run. */
export interface Pause {
  readonly fromSeconds: number;
  readonly toSeconds: number;
}

export interface DrawnConditions {
  readonly conditions: readonly Condition[];
  /** When the listener was away. */
  readonly notRecorded: readonly Pause[];
  /** Whether the gateways send keepalives; where not, reports come once an hour. */
  readonly keepalives: boolean;
  /** By gateway: what its place adds to the noise, by channel, dB. */
  readonly channelNoiseDb: Readonly<Record<string, number>>;
  /** Restarts of the bench node, as a scenario's events. */
  readonly events: readonly object[];
  /** Changes of nodes, by their index. */
  readonly nodes: ReadonlyMap<number, object>;
  /** The nodes that send by no rhythm of their own, by index, with the longest usual time between two frames over `rhythmSeconds`. */
  readonly longestOverRhythm: ReadonlyMap<number, number>;
}

export interface ConditionSite {
  readonly cause: FaultCause | null;
  readonly random: Random;
  readonly durationSeconds: number;
  readonly heardHz: readonly number[];
  readonly nodes: readonly { readonly marginDb: number; readonly rhythmSeconds: number }[];
}

/** Half of the sites with a fault have none of them, and one in five of those without. Chosen. */
const PLAIN_SHARE = { fault: 0.5, healthy: 0.2 } as const;
/** Where keepalives are missing nothing tells most faults of a gateway or of its way apart: not drawn together. */
const NEEDS_KEEPALIVES: ReadonlySet<string> = new Set(["backhaul-loss"]);
/** Restarts of the bench node beside a restart or a join of the fault would be two truths of one node. */
const RESTARTS: ReadonlySet<string> = new Set(["node-restarted", "rejoin-loop", "shared-address"]);

export function drawConditions(site: ConditionSite): DrawnConditions {
  const conditions = chosen(site);
  const has = (condition: Condition) => conditions.includes(condition);
  const { random, durationSeconds, nodes } = site;
  const changes = new Map<number, object>();
  const longestOverRhythm = new Map<number, number>();
  const events: object[] = [];
  const free = nodes.map((_, index) => index);
  const someIndex = (): number => free.splice(below(random, free.length), 1)[0] ?? 0;
  const between = (from: number, to: number) => from + (to - from) * random.uniform();
  if (has("two-rhythms")) {
    const index = someIndex();
    const { rhythmSeconds } = nodes[index] ?? { rhythmSeconds: 600 };
    changes.set(index, { slowRhythmSeconds: 3 * rhythmSeconds, framesARhythm: between(4, 25) });
    longestOverRhythm.set(index, 3);
  }
  if (has("event-driven")) {
    const index = someIndex();
    changes.set(index, { schedule: "random" });
    // Of times that follow from nothing but their mean, one in 150 is five times as long.
    longestOverRhythm.set(index, 5);
  }
  if (has("constant-payload")) {
    const index = someIndex();
    const { rhythmSeconds } = nodes[index] ?? { rhythmSeconds: 600 };
    changes.set(index, { constantPayload: true, startCounter: 0 });
    const frames = between(12, 30);
    for (let at = frames * rhythmSeconds; at < durationSeconds; at += frames * rhythmSeconds)
      events.push({ event: "node-reset", node: `Node ${index + 1}`, at: Math.round(at) });
  }
  if (has("edge")) {
    const index = someIndex();
    const { marginDb } = nodes[index] ?? { marginDb: 0 };
    changes.set(index, { lowerDb: marginDb - between(0.3, 2) });
  }
  return {
    conditions,
    notRecorded: has("not-recorded") ? drawPauses(site) : [],
    keepalives: !has("no-keepalives"),
    channelNoiseDb: has("standing-noise") ? drawNoise(site) : {},
    events,
    nodes: changes,
    longestOverRhythm,
  };
}

function chosen({ cause, random }: ConditionSite): Condition[] {
  if (random.uniform() < (cause === null ? PLAIN_SHARE.healthy : PLAIN_SHARE.fault)) return [];
  const isOfGateway = cause?.startsWith("gateway") === true || NEEDS_KEEPALIVES.has(cause ?? "");
  const possible = CONDITIONS.filter(
    (one) =>
      !(one === "no-keepalives" && isOfGateway) &&
      !(one === "constant-payload" && RESTARTS.has(cause ?? "")) &&
      // A site's noise is what `interference` is about.
      !(one === "standing-noise" && cause === "interference"),
  );
  const count = cause === null ? 1 + below(random, 3) : 1 + below(random, 2);
  const taken: Condition[] = [];
  while (taken.length < count) taken.push(...possible.splice(below(random, possible.length), 1));
  return taken;
}

/** The service away for seconds, for minutes, or for a part of the run: once to three times. */
function drawPauses({ random, durationSeconds }: ConditionSite): Pause[] {
  const count = 1 + below(random, 3);
  const slot = durationSeconds / count;
  return Array.from({ length: count }, (_, index) => {
    const most = [60, 900, 0.15 * durationSeconds][below(random, 3)] ?? 60;
    const length = Math.min(0.5 * slot, 5 + (most - 5) * random.uniform());
    const fromSeconds = index * slot + (slot - length) * random.uniform();
    return { fromSeconds: Math.round(fromSeconds), toSeconds: Math.round(fromSeconds + length) };
  });
}

/** One or two channels that are 1.5 to 7 dB noisier at every gateway, as in the open set of the indoor node. */
function drawNoise({ random, heardHz }: ConditionSite): Record<string, number> {
  const left = [...heardHz];
  const count = 1 + below(random, 2);
  return Object.fromEntries(
    Array.from({ length: count }, () => {
      const [frequencyHz = 0] = left.splice(below(random, left.length), 1);
      return [String(frequencyHz), 1.5 + 5.5 * random.uniform()];
    }),
  );
}
