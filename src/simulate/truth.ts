/**
 * What really happened in a run? Keeps account while it goes, and writes it down in the form of truth-schema.ts.
 * Shares no code with the ledger: the simulator is its judge.
 */

import type { Eui } from "../model/identifiers.ts";
import { isoTime } from "../model/time-range.ts";
import type { Hearing } from "./air.ts";
import type { Extra } from "./background-nodes.ts";
import type { NodeKeys } from "./frame-octets.ts";
import type { GatewayActor } from "./gateway-actor.ts";
import type { Scenario } from "./scenario.ts";
import { type ScenarioClock, worldUs } from "./time-and-chance.ts";
import type { Life, Passage, Transmission } from "./transmission.ts";
import {
  type CounterRecord,
  type GatewayRecord,
  gatewayTruth,
  injectedCauses,
  type LifeRecord,
  lifeTruth,
  noDatagrams,
} from "./truth-parts.ts";
import { COUNTER_FATES, type CounterFate, type Truth, type TruthChannel } from "./truth-schema.ts";

/** The account of one run. */
export class TruthLedger {
  readonly #scenario: Scenario;
  readonly #clock: ScenarioClock;
  readonly #gateways: readonly GatewayActor[];
  readonly #extras: readonly Extra[];
  readonly #lives = new Map<Life, LifeRecord>();
  readonly #joins = new Map<Transmission, number>();
  readonly #records = new Map<string, GatewayRecord>();
  readonly #load = new Load();

  constructor(
    scenario: Scenario,
    clock: ScenarioClock,
    gateways: readonly GatewayActor[],
    extras: readonly Extra[] = [],
  ) {
    this.#scenario = scenario;
    this.#clock = clock;
    this.#gateways = gateways;
    this.#extras = extras;
    for (const { config } of gateways) {
      this.#records.set(config.eui, noDatagrams());
    }
  }

  /** A counter is spent on a frame. */
  spent(life: Life, keys: NodeKeys, counter: number, atUs: number): void {
    let record = this.#lives.get(life);
    if (record === undefined) {
      record = { life, keys, counters: new Map(), firstHeardUs: null, lastHeardUs: null };
      this.#lives.set(life, record);
    }
    record.counters.set(counter, {
      counter,
      atUs,
      transmissions: 0,
      receptions: 0,
      fate: "weak",
      duringOutage: false,
      heard: new Set(),
      gateways: new Set(),
    });
  }

  /** A transmission has ended, and each gateway's radio has made of it what it could. */
  transmitted(transmission: Transmission, hearings: readonly Hearing[]): void {
    if (transmission.counter === null) this.#joins.set(transmission, 0);
    const record = this.#counterOf(transmission);
    if (record === null) return;
    const isOutage = !this.#gateways.some((gateway) => gateway.isReachable(transmission.endUs));
    record.duringOutage = isOutage && (record.transmissions === 0 || record.duringOutage);
    record.transmissions += 1;
    // What was received is not yet heard; what becomes of its datagram decides.
    for (const { outcome } of hearings) improve(record, outcome === "received" ? "in-flight" : outcome);
  }

  /** A datagram reaches the listener, or is lost. */
  passed(passage: Passage): void {
    const gateway = this.#records.get(passage.gatewayEui);
    if (gateway === undefined) return;
    const { kind } = passage.datagram;
    if (kind === "pull-response") {
      gateway.pullResponses += 1;
      return;
    }
    if (passage.fate !== "arrives") {
      gateway.datagramsLost += 1;
      this.#lost(passage);
      return;
    }
    if (passage.isCopy) {
      gateway.copies += 1;
      return;
    }
    if (passage.datagram.kind === "pull-data") {
      gateway.pullData += 1;
      return;
    }
    if (passage.datagram.kind === "tx-ack") {
      gateway.txAcks += 1;
      if (passage.datagram.outcome.result === "refused") gateway.txRefused += 1;
      return;
    }
    gateway.pushData += 1;
    if (passage.datagram.status !== null) gateway.statusReports += 1;
    for (const { packet, transmission, isGhost } of passage.datagram.packets) {
      if (isGhost) {
        gateway.ghosts += 1;
        continue;
      }
      gateway.receptions += packet.signals.length;
      this.#load.add(passage.gatewayEui, transmission, packet.signals.length);
      if (packet.crc === "bad") gateway.crcBad += packet.signals.length;
      else this.#heard(passage.gatewayEui, transmission, packet.signals.length);
    }
  }

  /** The account until a moment of the run, microseconds since its start. */
  finish(seed: number, untilUs: number): Truth {
    const time = (atUs: number): string => isoTime(worldUs(this.#clock, atUs));
    const livesOfAddress = new Map<string, number>();
    const heardLives = [...this.#lives.values()]
      .filter(({ firstHeardUs }) => firstHeardUs !== null)
      .sort((a, b) => (a.firstHeardUs ?? 0) - (b.firstHeardUs ?? 0));
    const { nodes, strangers } = this.#scenario;
    const extra = this.#extras.map(({ node }) => node);
    const kinds = new Map([...nodes, ...strangers, ...extra].map(({ name, kind }) => [name, kind]));
    const numbers = new Map<Life, number>();
    for (const { life } of heardLives) {
      const number = (livesOfAddress.get(life.devAddr) ?? 0) + 1;
      livesOfAddress.set(life.devAddr, number);
      numbers.set(life, number);
    }
    return {
      title: this.#scenario.title,
      site: this.#scenario.site,
      seed,
      speed: this.#clock.speed,
      from: time(0),
      to: time(untilUs),
      nodes: [...this.#lives.values()].map((record) =>
        lifeTruth(record, {
          number: numbers.get(record.life) ?? null,
          kind: kinds.get(record.life.nodeName) ?? "node",
          euis: this.#gateways.map(({ config }) => config.eui),
          untilUs,
          time,
        }),
      ),
      joins: [...this.#joins].map(([transmission, receptions]) => ({
        name: transmission.nodeName,
        at: time(transmission.startUs),
        receptions,
      })),
      gateways: this.#gateways.map((gateway) =>
        gatewayTruth(gateway, this.#records.get(gateway.config.eui) ?? noDatagrams(), untilUs, time),
      ),
      channels: this.#load.channels(this.#gateways.map(({ config }) => config.eui)),
      injected: injectedCauses(this.#scenario, extra, time),
      events: this.#scenario.events.map((event) =>
        Object.fromEntries(
          Object.entries(event).map(([key, value]) => [
            key,
            EVENT_TIMES.has(key) ? time(Number(value)) : value,
          ]),
        ),
      ),
    };
  }

  #counterOf(transmission: Transmission): CounterRecord | null {
    if (transmission.life === null || transmission.counter === null) return null;
    return this.#lives.get(transmission.life)?.counters.get(transmission.counter) ?? null;
  }

  #heard(eui: string, transmission: Transmission, receptions: number): void {
    const joinReceptions = this.#joins.get(transmission);
    if (joinReceptions !== undefined) this.#joins.set(transmission, joinReceptions + receptions);
    const record = this.#counterOf(transmission);
    const life = transmission.life === null ? undefined : this.#lives.get(transmission.life);
    if (record === null || life === undefined) return;
    record.receptions += receptions;
    record.heard.add(transmission);
    record.gateways.add(eui);
    record.fate = "heard";
    life.firstHeardUs = Math.min(life.firstHeardUs ?? transmission.endUs, transmission.endUs);
    life.lastHeardUs = Math.max(life.lastHeardUs ?? transmission.endUs, transmission.endUs);
  }

  #lost({ datagram, fate }: Passage): void {
    if (datagram.kind !== "push-data") return;
    for (const { packet, transmission } of datagram.packets) {
      const record = this.#counterOf(transmission);
      if (record === null || packet.crc !== "ok") continue;
      improve(record, fate === "lost" ? "datagram-lost" : "backhaul-outage");
    }
  }
}

const EVENT_TIMES: ReadonlySet<string> = new Set(["from", "to", "until", "at"]);

/** Takes the fate that came nearer to hearing. */
function improve(record: CounterRecord, fate: CounterFate): void {
  if (COUNTER_FATES.indexOf(fate) < COUNTER_FATES.indexOf(record.fate)) record.fate = fate;
}

// How long was each channel busy with what reached the listener? Sum and union of true times on the air.

/** Counts receptions and keeps the transmissions heard, per channel and gateway. */
class Load {
  readonly #channels = new Map<number, Map<Eui, { receptions: number; transmissions: Set<Transmission> }>>();

  add(eui: Eui, transmission: Transmission, receptions: number): void {
    const gateways = this.#channels.get(transmission.frequencyHz) ?? new Map();
    this.#channels.set(transmission.frequencyHz, gateways);
    const load = gateways.get(eui) ?? { receptions: 0, transmissions: new Set<Transmission>() };
    gateways.set(eui, load);
    load.receptions += receptions;
    load.transmissions.add(transmission);
  }

  /** Channels in order of frequency; gateways in the order given. */
  channels(euis: readonly Eui[]): TruthChannel[] {
    return [...this.#channels]
      .sort(([a], [b]) => a - b)
      .map(([frequencyHz, gateways]) => ({
        frequencyHz,
        ...summary(
          new Set([...gateways.values()].flatMap(({ transmissions }) => [...transmissions])),
          [...gateways.values()].reduce((sum, { receptions }) => sum + receptions, 0),
        ),
        gateways: euis.flatMap((eui) => {
          const load = gateways.get(eui);
          return load === undefined ? [] : [{ eui, ...summary(load.transmissions, load.receptions) }];
        }),
      }));
  }
}

function summary(
  transmissions: ReadonlySet<Transmission>,
  receptions: number,
): Omit<TruthChannel, "frequencyHz" | "gateways"> {
  const inOrder = [...transmissions].sort((a, b) => a.startUs - b.startUs);
  let airtimeUs = 0;
  let busyUs = 0;
  let busyUntilUs = Number.NEGATIVE_INFINITY;
  for (const { startUs, endUs } of inOrder) {
    airtimeUs += endUs - startUs;
    busyUs += Math.max(0, endUs - Math.max(startUs, busyUntilUs));
    busyUntilUs = Math.max(busyUntilUs, endUs);
  }
  return {
    receptions,
    transmissions: transmissions.size,
    airtimeSeconds: airtimeUs / 1e6,
    busySeconds: busyUs / 1e6,
  };
}
