/**
 * Which causes of lost frames does a scenario inject, when, and whose frames can they cost? The simulator's own word on
 * its events, in the terms in which findings speak.
 *
 * Where two words are both true of an event, the closer one is `cause` and the other stands in `alsoTrue`: a loss of power makes the
 * concentrator's counter begin anew (gateway-restarted), and while it lasts the gateway is unreachable as well.
 */
import type { Eui } from "../model/identifiers.ts";
import type { ScenarioEvent } from "./events.ts";
import type { Node, Scenario } from "./scenario.ts";
import type { TruthEpisode } from "./truth-schema.ts";

type Episode = Omit<TruthEpisode, "from" | "to"> & { readonly fromUs: number; readonly toUs: number };

interface Kind {
  readonly cause: string;
  readonly alsoTrue: readonly string[];
}

const KINDS: Partial<Record<ScenarioEvent["event"], Kind>> = {
  "gateway-backhaul-outage": { cause: "gateway-unreachable", alsoTrue: [] },
  "gateway-unreachable": { cause: "gateway-unreachable", alsoTrue: [] },
  "gateway-power-outage": { cause: "gateway-restarted", alsoTrue: ["gateway-unreachable"] },
  "gateway-deaf": { cause: "gateway-deaf", alsoTrue: [] },
  "gateway-weakened": { cause: "gateway-weakened", alsoTrue: ["weak-link"] },
  "backhaul-loss": { cause: "backhaul-loss", alsoTrue: [] },
  "gateway-restarted": { cause: "gateway-restarted", alsoTrue: ["gateway-unreachable"] },
  "node-silent": { cause: "node-silent", alsoTrue: [] },
  "node-reset": { cause: "node-restarted", alsoTrue: [] },
  "node-restarted": { cause: "node-restarted", alsoTrue: [] },
  "node-rejoin": { cause: "node-restarted", alsoTrue: ["rejoin-loop"] },
  "rejoin-loop": { cause: "rejoin-loop", alsoTrue: [] },
  "fading-link": { cause: "weak-link", alsoTrue: [] },
  "weak-link": { cause: "weak-link", alsoTrue: [] },
  interferer: { cause: "interference", alsoTrue: [] },
  interference: { cause: "interference", alsoTrue: [] },
  congestion: { cause: "congestion", alsoTrue: [] },
  "channel-mismatch": { cause: "channel-mismatch", alsoTrue: [] },
  "gateway-transmitting": { cause: "gateway-transmitting", alsoTrue: [] },
  "shared-address": { cause: "shared-address", alsoTrue: [] },
};

/** The causes injected, in order of their beginnings. `extras`: senders that events bring. */
export function injectedCauses(scenario: Scenario, extras: readonly Node[]): Episode[] {
  return scenario.events
    .flatMap((event): Episode[] => {
      const kind = kindOf(event);
      if (kind === undefined || isImprovement(event)) return [];
      const [fromUs, toUs] = timeOf(event, scenario.duration);
      return [
        {
          cause: kind.cause,
          alsoTrue: [...kind.alsoTrue],
          fromUs,
          toUs,
          nodes: nodesOf(event, scenario, extras),
          gateways: gatewaysOf(event, scenario),
          strength: strengthOf(event),
        },
      ];
    })
    .sort((a, b) => a.fromUs - b.fromUs);
}

/** Bursts of this mean length are short outages rather than losses of single datagrams. Chosen: two usual keepalives. */
const OUTAGE_SECONDS = 20;

function kindOf(event: ScenarioEvent): Kind | undefined {
  // The older events can do the same: a share of all datagrams lost, one gateway's level for all nodes.
  if (event.event === "gateway-unreachable" && event.lossShare < 1)
    return event.burstSeconds >= OUTAGE_SECONDS
      ? { cause: "gateway-unreachable", alsoTrue: ["backhaul-loss"] }
      : { cause: "backhaul-loss", alsoTrue: ["gateway-unreachable"] };
  if (event.event === "weak-link" && event.node === undefined)
    return { cause: "gateway-weakened", alsoTrue: ["weak-link"] };
  return KINDS[event.event];
}

function isImprovement(event: ScenarioEvent): boolean {
  return event.event === "fading-link" && event.changeDb >= 0;
}

function timeOf(event: ScenarioEvent, endUs: number): [number, number] {
  if (event.event === "fading-link") return [event.from, Math.min(endUs, event.until ?? endUs)];
  if (event.event === "gateway-restarted") return [event.at, event.at + event.seconds * 1e6];
  if (event.event === "node-restarted") return [event.at, event.at + event.silentSeconds * 1e6];
  return "from" in event ? [event.from, event.to] : [event.at, event.at];
}

function nodesOf(event: ScenarioEvent, scenario: Scenario, extras: readonly Node[]): Episode["nodes"] {
  const only = "node" in event ? event.node : undefined;
  const nodes = scenario.nodes.filter(({ name }) => only === undefined || name === only);
  const strangers = only === undefined ? [] : scenario.strangers.filter(({ name }) => name === only);
  const seconds = extras.filter(
    ({ name }) => only !== undefined && name.startsWith(`${only}, second device`),
  );
  return [...nodes, ...strangers, ...(event.event === "shared-address" ? seconds : [])].map(
    ({ name, devAddr }) => ({ name, devAddrs: addressesOf(name, devAddr, scenario.events) }),
  );
}

function addressesOf(name: string, devAddr: string, events: readonly ScenarioEvent[]): string[] {
  const others = events.flatMap((event) =>
    event.event === "node-rejoin" && event.node === name && event.devAddr !== undefined
      ? [event.devAddr]
      : [],
  );
  return [...new Set([devAddr, ...others])];
}

function gatewaysOf(event: ScenarioEvent, scenario: Scenario): Eui[] {
  const only = "gateway" in event ? event.gateway : undefined;
  return scenario.gateways.flatMap(({ eui }) => (only === undefined || eui === only ? [eui] : []));
}

const NO_STRENGTH: ReadonlySet<string> = new Set(["from", "to", "at", "until", "startCounter"]);

function strengthOf(event: ScenarioEvent): Record<string, number> {
  return Object.fromEntries(
    Object.entries(event).flatMap(([key, value]) =>
      typeof value === "number" && !NO_STRENGTH.has(key) ? [[key, value]] : [],
    ),
  );
}
