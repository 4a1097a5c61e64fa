/**
 * What is true of one counter life? From the records of its counters to the figures of truth-schema.ts.
 */
import type { Eui } from "../model/identifiers.ts";
import { hexOf } from "../wire/lorawan/octets.ts";
import type { NodeKeys } from "./frame-octets.ts";
import type { Life, Transmission } from "./transmission.ts";
import type { CounterFate, TruthCounter, TruthLife } from "./truth-schema.ts";

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
