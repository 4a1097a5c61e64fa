/**
 * What can be compared? Placements by their names; where nobody named one, gateways, and antennas of those that have
 * several.
 */
import type { TrialSide } from "../../contract/trials.ts";
import type { Rate, Reading } from "../../diagnosis/trials/verdict.ts";
import { groupBy } from "../../model/group-by.ts";
import { describeModulation } from "../../model/modulation.ts";
import { fromTenths } from "../../model/rounding.ts";
import { dueTimes, isoTime, type TimeRange } from "../../model/time-range.ts";
import { demodulationFloorDb } from "../../radio/margin.ts";
import { modulationFromCodes } from "../../store/data-rate-code.ts";
import type { Store } from "../../store/open.ts";
import { type PlacementRecord, placements } from "../../store/placements.ts";
import { allGateways } from "../../store/queries/gateways.ts";
import { labels } from "../../store/queries/lives.ts";
import type { Hearing, TrialFrame } from "../../store/queries/trial-frames.ts";

/** One side, with what its questions need. */
export interface Side {
  readonly view: TrialSide;
  /** null: not heard yet. */
  readonly gatewayId: number | null;
  readonly antenna: number | null;
  readonly stretches: readonly TimeRange[];
  /** Antenna gain less cable loss, dB; null: not said, or not the same in all its stretches. */
  readonly netGainDb: number | null;
  /** Whether it heard any frame in the window. */
  readonly heard: boolean;
}

/** Sides that are compared with one another at once: each pair costs a moment. */
export const MAX_SIDES = 4;
const FOREVER = Number.MAX_SAFE_INTEGER;

/** An antenna of a gateway that heard frames. */
export interface Antenna {
  /** Row id. */
  readonly gatewayId: number;
  readonly antenna: number;
}

/** All sides of a window, named placements first, in order of their first begin. `heard`: antennas that heard frames. */
export function sidesIn(store: Store, window: TimeRange, heard: readonly Antenna[]): Side[] {
  const gateways = new Map(allGateways(store).map(({ id, eui }) => [eui, id]));
  const names = labels(store, "gateway");
  const nameOf = (eui: string) => names.get(eui)?.name ?? null;
  const placed = groupBy(
    placements(store).filter((one) => touches(stretchOf(one), window)),
    ({ name }) => name.toLowerCase(),
  );
  const sides = [...placed.values()].map((rows) => placedSide(rows, gateways, nameOf, heard));
  for (const [eui, id] of gateways) {
    const antennas = heard.filter(({ gatewayId }) => gatewayId === id).map(({ antenna }) => antenna);
    if (antennas.length === 0) continue;
    const own = sides.filter((side) => side.gatewayId === id && side.view.placed);
    if (own.length === 0) sides.push(plainSide(eui, id, null, nameOf(eui)));
    if (antennas.length < 2) continue;
    for (const antenna of antennas) {
      if (!own.some((side) => side.antenna === antenna)) sides.push(plainSide(eui, id, antenna, nameOf(eui)));
    }
  }
  return sides;
}

/**
 * The side that a person means: by key, by a placement's name, or by EUI or EUI/antenna. Null: there is none. `sides`:
 * all of the window. `heard`: antennas that heard frames.
 */
export function findSide(
  store: Store,
  text: string,
  sides: readonly Side[],
  heard: readonly Antenna[],
): Side | null {
  const wanted = text.trim();
  const known = sides.find(
    ({ view }) => view.key === wanted || (view.placed && view.name.toLowerCase() === wanted.toLowerCase()),
  );
  if (known !== undefined) return known;
  const [eui = "", antenna, ...more] = wanted.toUpperCase().split("/");
  const gateway = allGateways(store).find((one) => one.eui === eui);
  if (gateway !== undefined && more.length === 0 && (antenna === undefined || /^\d{1,2}$/.test(antenna))) {
    const isHeard = (one: Antenna) => one.gatewayId === gateway.id && one.antenna === Number(antenna);
    // An antenna that was never heard is most likely a typing error: it would lose every frame.
    if (antenna !== undefined && !heard.some(isHeard)) return null;
    const name = labels(store, "gateway").get(eui)?.name ?? null;
    return plainSide(eui, gateway.id, antenna === undefined ? null : Number(antenna), name);
  }
  return sides.find(({ view }) => !view.placed && view.name.toLowerCase() === wanted.toLowerCase()) ?? null;
}

/** Pairs that are worth comparing: no gateway with an antenna of its own. */
export function pairsOf(sides: readonly Side[]): [Side, Side][] {
  const pairs: [Side, Side][] = [];
  sides.forEach((a, i) => {
    for (const b of sides.slice(i + 1)) {
      const isPart = a.gatewayId === b.gatewayId && (a.antenna === null) !== (b.antenna === null);
      if (!isPart) pairs.push([a, b]);
    }
  });
  return pairs;
}

function plainSide(eui: string, gatewayId: number, antenna: number | null, name: string | null): Side {
  const title = name ?? eui;
  return {
    view: {
      key: antenna === null ? eui : `${eui}/${antenna}`,
      name: antenna === null ? title : `${title}, antenna ${antenna}`,
      gatewayEui: eui,
      gatewayName: name,
      antenna,
      placed: false,
      stretches: [],
    },
    gatewayId,
    antenna,
    stretches: [{ fromUs: 0, toUs: FOREVER }],
    netGainDb: null,
    heard: true,
  };
}

function placedSide(
  rows: readonly PlacementRecord[],
  gateways: ReadonlyMap<string, number>,
  nameOf: (eui: string) => string | null,
  heard: readonly Antenna[],
): Side {
  const [first] = rows;
  const eui = first?.gatewayEui ?? "";
  const gains = new Set(rows.map(netGain));
  const [gain = null] = gains;
  return {
    view: {
      key: `p${first?.id ?? 0}`,
      name: first?.name ?? "",
      gatewayEui: eui,
      gatewayName: nameOf(eui),
      antenna: first?.antenna ?? null,
      placed: true,
      stretches: rows.map(({ fromUs, toUs }) => ({
        from: isoTime(fromUs),
        to: toUs === null ? null : isoTime(toUs),
      })),
    },
    gatewayId: gateways.get(eui) ?? null,
    antenna: first?.antenna ?? null,
    stretches: rows.map(stretchOf),
    netGainDb: gains.size === 1 ? gain : null,
    heard: heard.some(
      ({ gatewayId, antenna }) =>
        gatewayId === gateways.get(eui) && (first?.antenna == null || first.antenna === antenna),
    ),
  };
}

/** Without a word of a cable there is none to speak of; without a word of the antenna nothing is known. */
function netGain({ antennaGainDbi, cableLossDb }: PlacementRecord): number | null {
  return antennaGainDbi === null ? null : antennaGainDbi - (cableLossDb ?? 0);
}

function stretchOf({ fromUs, toUs }: PlacementRecord): TimeRange {
  return { fromUs, toUs: toUs ?? FOREVER };
}

function touches(stretch: TimeRange, window: TimeRange): boolean {
  return stretch.fromUs < window.toUs && stretch.toUs > window.fromUs;
}

// Which counters did each node send while both sides of a trial were compared, and what did each side read of them?
// The stored frames become the evidence that the judgement rests on.

/** Who hears: a gateway by any of its antennas (the best counts), or by one. */
export interface Receiver {
  readonly gatewayId: number;
  readonly antenna: number | null;
}

/** One counter of a life. */
export interface CounterSent {
  readonly atUs: number;
  readonly rate: Rate;
  readonly frequencyHz: number | null;
  /** All hearings of its first transmission that the asker cares for; empty when nobody heard it. */
  readonly hearings: readonly Hearing[];
}

/** A longer run of missed counters is a silence or another life, not frames lost on the air. Chosen. */
const MAX_MISSED_RUNNING = 500;
const MHZ_125 = 125_000;

/**
 * The counters of one life in order, its frames given in order of time. Missed ones are dated into their gap by the
 * node's rhythm. The first and the last are left out: they are known only because somebody heard them, which would count
 * in favour of whoever did.
 */
export function countersOf(frames: readonly TrialFrame[]): CounterSent[] {
  const byCounter = groupBy(frames, (frame) => frame.counter);
  const heard = [...byCounter].sort(([x], [y]) => x - y);
  const counters: CounterSent[] = [];
  heard.forEach(([counter, own], i) => {
    const [frame] = own;
    if (frame === undefined) return;
    const before = heard[i - 1];
    const earlier = before?.[1][0];
    if (before !== undefined && earlier !== undefined) {
      const missed = counter - before[0] - 1;
      const run = { fromUs: earlier.atUs, toUs: frame.atUs, missed };
      for (const atUs of missed <= MAX_MISSED_RUNNING ? dueTimes(run) : [])
        counters.push({ atUs, rate: rateOf(earlier.dataRate), frequencyHz: null, hearings: [] });
    }
    if (i === 0 || i === heard.length - 1) return;
    counters.push({
      atUs: frame.atUs,
      rate: rateOf(frame.dataRate),
      frequencyHz: frame.frequencyHz,
      hearings: own.length === 1 ? frame.hearings.slice() : own.flatMap(({ hearings }) => hearings),
    });
  });
  return counters;
}

const rates = new Map<number, Rate>();
/** What takes an SNR of LoRa's bandwidth to 125 kHz, dB. */
const widths = new WeakMap<Rate, number>();

/** Floors and levels are given for 125 kHz: twice the bandwidth takes in twice the noise. */
function rateOf(code: number): Rate {
  const known = rates.get(code);
  if (known !== undefined) return known;
  const modulation = modulationFromCodes(code, 0);
  const floor = modulation.kind === "lora" ? demodulationFloorDb(modulation.spreadingFactor) : null;
  const rate = {
    label: describeModulation(modulation),
    floorDb:
      floor === null || modulation.kind !== "lora" ? null : floor + bandwidthDb(modulation.bandwidthHz),
  };
  if (modulation.kind === "lora") widths.set(rate, bandwidthDb(modulation.bandwidthHz));
  // A stranger may invent data rates; no more are remembered than any plan has.
  if (rates.size < 100) rates.set(code, rate);
  return rate;
}

function bandwidthDb(bandwidthHz: number): number {
  return 10 * Math.log10(bandwidthHz / MHZ_125);
}

/** The best of a receiver's hearings; null when it heard nothing. `rate`: to tell the SNR in 125 kHz. */
export function readingOf(hearings: readonly Hearing[], receiver: Receiver, rate: Rate): Reading | null {
  const best = bestHearing(hearings, receiver);
  return best === null ? null : readingFrom(best, rate);
}

function bestHearing(hearings: readonly Hearing[], { gatewayId, antenna }: Receiver): Hearing | null {
  let best: Hearing | null = null;
  for (const hearing of hearings) {
    if (hearing.gatewayId !== gatewayId || (antenna !== null && hearing.antenna !== antenna)) continue;
    if (best === null || (hearing.snrTenths ?? -1e9) > (best.snrTenths ?? -1e9)) best = hearing;
  }
  return best;
}

function readingFrom({ snrTenths, rssiTenths, signalRssiTenths }: Hearing, rate: Rate): Reading {
  const snrDb = fromTenths(snrTenths);
  return {
    snrDb: snrDb === null ? null : snrDb + (widths.get(rate) ?? 0),
    rssiDbm: fromTenths(rssiTenths),
    signalRssiDbm: fromTenths(signalRssiTenths),
  };
}

/** The same for many counters; those that were heard alike share one reading. */
export class Readings {
  readonly #receiver: Receiver;
  readonly #byRate = new Map<Rate, Map<Hearing, Reading>>();

  constructor(receiver: Receiver) {
    this.#receiver = receiver;
  }

  of({ hearings, rate }: Pick<CounterSent, "hearings" | "rate">): Reading | null {
    const best = bestHearing(hearings, this.#receiver);
    if (best === null) return null;
    let known = this.#byRate.get(rate);
    if (known === undefined) {
      known = new Map();
      this.#byRate.set(rate, known);
    }
    let reading = known.get(best);
    if (reading === undefined) {
      reading = readingFrom(best, rate);
      known.set(best, reading);
    }
    return reading;
  }
}
