/**
 * What is true of one counter life? From the records of its counters to the figures of truth-schema.ts.
 */
import type { Eui } from "../model/identifiers.ts";
import { hexOf } from "../wire/lorawan/octets.ts";
import type { NodeKeys } from "./frame-octets.ts";
import type { GatewayActor } from "./gateway-actor.ts";
import type { Life, Transmission } from "./transmission.ts";
import type { CounterFate, TruthChannel, TruthCounter, TruthGateway, TruthLife } from "./truth-schema.ts";

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
  const first = heard.reduce<number | null>(
    (least, { counter }) => Math.min(least ?? counter, counter),
    null,
  );
  const last = heard.reduce<number | null>((most, { counter }) => Math.max(most ?? counter, counter), null);
  const expected = first === null || last === null ? 0 : last - first + 1;
  const missedDuringOutage = records.filter(
    ({ fate, counter, duringOutage }) =>
      fate !== "heard" &&
      duringOutage &&
      first !== null &&
      last !== null &&
      counter > first &&
      counter < last,
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
    firstHeardCounter: first,
    lastHeardCounter: last,
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

// What is true of one gateway? From the datagrams counted to the figures of truth-schema.ts.

/** Datagrams of one gateway, and what was in them. */
export interface GatewayRecord {
  copies: number;
  pushData: number;
  pullData: number;
  statusReports: number;
  datagramsLost: number;
  receptions: number;
  crcBad: number;
  ghosts: number;
  pullResponses: number;
  txAcks: number;
  txRefused: number;
}

export function noDatagrams(): GatewayRecord {
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
    copies,
    pushData,
    pullData,
    statusReports: figures.statusReports,
    datagramsLost: figures.datagramsLost,
    receptions: figures.receptions,
    crcBad: figures.crcBad,
    ghosts: figures.ghosts,
    pullResponses: figures.pullResponses,
    txAcks,
    txRefused: figures.txRefused,
    transmitted: transmitter.totals.count,
    transmitSeconds: transmitter.totals.seconds,
    restarts: powerOutages.filter(({ toUs }) => toUs <= untilUs).length,
    outages: outages
      .sort((a, b) => a.fromUs - b.fromUs)
      .map(({ fromUs, toUs, kind }) => ({ from: time(fromUs), to: time(toUs), kind })),
  };
}

// How long was each channel busy with what reached the listener? Sum and union of true times on the air.

/** Counts receptions and keeps the transmissions heard, per channel and gateway. */
export class Load {
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
