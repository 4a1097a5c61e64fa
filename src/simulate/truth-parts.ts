/**
 * What is true of a life, of a gateway, of a channel, and which causes were injected? From what was counted in a run, and
 * from its scenario, to the figures of truth-schema.ts.
 */
import type { Eui } from "../model/identifiers.ts";
import { hexOf } from "../wire/lorawan/octets.ts";
import type { ScenarioEvent } from "./events.ts";
import type { NodeKeys } from "./frame-octets.ts";
import type { GatewayActor } from "./gateway-actor.ts";
import type { Node, Scenario } from "./scenario.ts";
import type { Life, Transmission } from "./transmission.ts";
import type { CounterFate, TruthCounter, TruthEpisode, TruthGateway, TruthLife } from "./truth-schema.ts";

/** What became of one counter. Times are microseconds since the start of the run. */
export interface CounterRecord {
  readonly counter: number;
  readonly atUs: number;
  transmissions: number;
  receptions: number;
  fate: CounterFate;
  duringOutage: boolean;
  readonly heard: Set<Transmission>;
  readonly gateways: Set<Eui>;
}

export interface LifeRecord {
  readonly life: Life;
  readonly keys: NodeKeys;
  readonly counters: Map<number, CounterRecord>;
  firstHeardUs: number | null;
  lastHeardUs: number | null;
}

export interface LifeContext {
  /** Which life of its address it is; null when it was never heard. */
  readonly number: number | null;
  readonly kind: string;
  readonly euis: readonly Eui[];
  /** Counters spent later than this are left out. */
  readonly untilUs: number;
  /** World time as ISO 8601. */
  readonly time: (atUs: number) => string;
}

/** The life's figures until a moment of the run. */
export function lifeTruth(
  { life, keys, counters, firstHeardUs, lastHeardUs }: LifeRecord,
  { number, kind, euis, untilUs, time }: LifeContext,
): TruthLife {
  const records = [...counters.values()].filter(({ atUs }) => atUs <= untilUs);
  const heard = records.filter(({ fate }) => fate === "heard");
  const isAnyHeard = heard.length > 0;
  const first = heard.reduce((least, { counter }) => Math.min(least, counter), Number.POSITIVE_INFINITY);
  const last = heard.reduce((most, { counter }) => Math.max(most, counter), Number.NEGATIVE_INFINITY);
  const expected = isAnyHeard ? last - first + 1 : 0;
  const missedDuringOutage = records.filter(
    ({ fate, counter, duringOutage }) =>
      fate !== "heard" && duringOutage && counter > first && counter < last,
  ).length;
  const sum = (figure: (record: CounterRecord) => number): number =>
    records.reduce((total, record) => total + figure(record), 0);
  return {
    name: life.nodeName,
    kind,
    stranger: life.isStranger,
    devAddr: life.devAddr,
    life: number,
    began: life.cause,
    sent: records.length,
    transmissions: sum((record) => record.transmissions),
    heard: heard.length,
    firstHeardCounter: isAnyHeard ? first : null,
    lastHeardCounter: isAnyHeard ? last : null,
    expected,
    missed: expected - heard.length,
    missedDuringOutage,
    repeats: sum((record) => Math.max(0, record.heard.size - 1)),
    receptions: sum((record) => record.receptions),
    heardByGateway: Object.fromEntries(
      euis.map((eui) => [eui, heard.filter(({ gateways }) => gateways.has(eui)).length]),
    ),
    firstHeard: firstHeardUs === null ? null : time(firstHeardUs),
    lastHeard: lastHeardUs === null ? null : time(lastHeardUs),
    keys: { nwkSKey: hexOf(keys.nwkSKey), appSKey: hexOf(keys.appSKey) },
    counters: records.map((record) => counterTruth(record, time)),
  };
}

function counterTruth(record: CounterRecord, time: LifeContext["time"]): TruthCounter {
  return {
    counter: record.counter,
    at: time(record.atUs),
    transmissions: record.transmissions,
    heardTransmissions: record.heard.size,
    receptions: record.receptions,
    gateways: [...record.gateways].sort(),
    fate: record.fate,
    duringOutage: record.fate !== "heard" && record.duringOutage,
  };
}

/** Datagrams of one gateway, and what was in them: none yet, in the order of the truth. */
export function noDatagrams() {
  return {
    copies: 0,
    pushData: 0,
    pullData: 0,
    statusReports: 0,
    datagramsLost: 0,
    receptions: 0,
    crcBad: 0,
    ghosts: 0,
    pullResponses: 0,
    txAcks: 0,
    txRefused: 0,
  };
}
export type GatewayRecord = ReturnType<typeof noDatagrams>;

/** `time`: a moment of the run as world time. Outages and restarts after `untilUs` are left out. */
export function gatewayTruth(
  { config, powerOutages, backhaulOutages, transmitter }: GatewayActor,
  figures: GatewayRecord,
  untilUs: number,
  time: (atUs: number) => string,
): TruthGateway {
  const outages = [
    ...powerOutages.map((stretch) => ({ ...stretch, kind: "power" as const })),
    ...backhaulOutages.map((stretch) => ({ ...stretch, kind: "backhaul" as const })),
  ].filter(({ fromUs }) => fromUs < untilUs);
  const { copies, pushData, pullData, txAcks } = figures;
  return {
    eui: config.eui,
    name: config.name,
    protocolVersion: config.protocolVersion,
    datagrams: copies + pushData + pullData + txAcks,
    ...figures,
    transmitted: transmitter.totals.count,
    transmitSeconds: transmitter.totals.seconds,
    restarts: powerOutages.filter(({ toUs }) => toUs <= untilUs).length,
    outages: outages
      .sort((a, b) => a.fromUs - b.fromUs)
      .map(({ fromUs, toUs, kind }) => ({ from: time(fromUs), to: time(toUs), kind })),
  };
}

// Which causes of lost frames does a scenario inject, when, and whose frames can they cost? In the terms in which
// findings speak. Where two words are both true of an event, the closer one is `cause` and the other stands in
// `alsoTrue`: a loss of power makes the concentrator's counter begin anew (gateway-restarted), and while it lasts the
// gateway is unreachable as well.

/** By event: the cause that is true of it, then those that are true as well. */
const CAUSES: Partial<Record<ScenarioEvent["event"], readonly string[]>> = {
  "gateway-backhaul-outage": ["gateway-unreachable"],
  "gateway-unreachable": ["gateway-unreachable"],
  "gateway-power-outage": ["gateway-restarted", "gateway-unreachable"],
  "gateway-deaf": ["gateway-deaf"],
  "gateway-weakened": ["gateway-weakened", "weak-link"],
  "backhaul-loss": ["backhaul-loss"],
  "gateway-restarted": ["gateway-restarted", "gateway-unreachable"],
  "node-silent": ["node-silent"],
  "node-reset": ["node-restarted"],
  "node-restarted": ["node-restarted"],
  "node-rejoin": ["node-restarted", "rejoin-loop"],
  "rejoin-loop": ["rejoin-loop"],
  "fading-link": ["weak-link"],
  "weak-link": ["weak-link"],
  interferer: ["interference"],
  interference: ["interference"],
  congestion: ["congestion"],
  "channel-mismatch": ["channel-mismatch"],
  "gateway-transmitting": ["gateway-transmitting"],
  "shared-address": ["shared-address"],
};

/** The causes injected, in order of their beginnings. `extras`: senders that events bring; `time`: world time. */
export function injectedCauses(
  scenario: Scenario,
  extras: readonly Node[],
  time: (atUs: number) => string,
): TruthEpisode[] {
  return scenario.events
    .flatMap((event) => {
      const [cause, ...alsoTrue] = causesOf(event);
      if (cause === undefined) return [];
      const [fromUs, toUs] = timeOf(event, scenario.duration);
      return [
        {
          fromUs,
          toUs,
          cause,
          alsoTrue,
          nodes: nodesOf(event, scenario, extras),
          gateways: gatewaysOf(event, scenario),
          strength: strengthOf(event),
        },
      ];
    })
    .sort((a, b) => a.fromUs - b.fromUs)
    .map(({ fromUs, toUs, ...episode }) => ({ ...episode, from: time(fromUs), to: time(toUs) }));
}

/** Bursts of this mean length are short outages rather than losses of single datagrams. Chosen: two usual keepalives. */
const OUTAGE_SECONDS = 20;

function causesOf(event: ScenarioEvent): readonly string[] {
  if (event.event === "fading-link" && event.changeDb >= 0) return [];
  // The older events can do the same: a share of all datagrams lost, one gateway's level for all nodes.
  if (event.event === "gateway-unreachable" && event.lossShare < 1)
    return event.burstSeconds >= OUTAGE_SECONDS
      ? ["gateway-unreachable", "backhaul-loss"]
      : ["backhaul-loss", "gateway-unreachable"];
  if (event.event === "weak-link" && event.node === undefined) return ["gateway-weakened", "weak-link"];
  return CAUSES[event.event] ?? [];
}

function timeOf(event: ScenarioEvent, endUs: number): [number, number] {
  if (event.event === "fading-link") return [event.from, Math.min(endUs, event.until ?? endUs)];
  if (event.event === "gateway-restarted") return [event.at, event.at + event.seconds * 1e6];
  if (event.event === "node-restarted") return [event.at, event.at + event.silentSeconds * 1e6];
  return "from" in event ? [event.from, event.to] : [event.at, event.at];
}

function nodesOf(event: ScenarioEvent, scenario: Scenario, extras: readonly Node[]): TruthEpisode["nodes"] {
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
