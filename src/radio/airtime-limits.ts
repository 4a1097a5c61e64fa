/**
 * How much airtime did one transmitter spend in each sub-band, against what the region's table allows there?
 * Arithmetic only; the words are in src/diagnosis/air-sentences.ts. What is heard is a lower bound.
 */
import { DUTY_CYCLE_PERIOD_US, peakHour, type Transmission } from "./occupancy.ts";
import { type DutyCycleLimit, type DwellLimit, dutyCycleLimitFor, dwellLimitFor } from "./regions/limits.ts";
import type { RegionPlan } from "./regions/region-plan.ts";

/** 47 CFR 15.247 (a)(1)(i): average occupancy of one hopping frequency within 20 s. */
const US_DWELL_PERIOD_US = 20_000_000;
const US_DWELL_US = 400_000;

export interface LocatedTransmission extends Transmission {
  readonly frequencyHz: number;
  /** LoRa bandwidth; null for other modulations. */
  readonly bandwidthHz: number | null;
}

export interface BandUse {
  /** Name of the sub-band, or null when the region's table has none there. */
  readonly subBand: string | null;
  readonly fromHz: number | null;
  readonly toHz: number | null;
  /** Share of an hour allowed; null: the sources name none. */
  readonly limit: number | null;
  readonly text: string;
  readonly source: string;
  readonly frames: number;
  readonly airtimeUs: number;
  /** Most airtime in any 3,600 s, microseconds, and the end of such a stretch. */
  readonly fullestHourUs: number;
  readonly fullestUntilUs: number;
  readonly dwell: DwellUse | null;
}

export interface DwellUse {
  /** Longest single frame allowed, microseconds. */
  readonly frameLimitUs: number;
  readonly longestFrameUs: number;
  readonly framesOver: number;
  /** Most airtime on one frequency in any 20 s and what is allowed; null where the rule is not the region's. */
  readonly inPeriod: {
    readonly periodUs: number;
    readonly limitUs: number;
    readonly mostUs: number;
  } | null;
  readonly text: string;
  readonly source: string;
}

/** The limits of one region, each looked up once: for a look at many transmitters. */
export class LimitTable {
  readonly plan: RegionPlan;
  readonly #duty = new Map<number, DutyCycleLimit | null>();
  readonly #dwell = new Map<number, DwellLimit | null>();

  constructor(plan: RegionPlan) {
    this.plan = plan;
  }

  dutyCycle(frequencyHz: number): DutyCycleLimit | null {
    let limit = this.#duty.get(frequencyHz);
    if (limit === undefined) {
      limit = dutyCycleLimitFor(frequencyHz, this.plan);
      this.#duty.set(frequencyHz, limit);
    }
    return limit;
  }

  dwell(bandwidthHz: number): DwellLimit | null {
    let limit = this.#dwell.get(bandwidthHz);
    if (limit === undefined) {
      limit = dwellLimitFor(this.plan, bandwidthHz);
      this.#dwell.set(bandwidthHz, limit);
    }
    return limit;
  }
}

/** One transmitter's use, sub-band by sub-band; each is a budget of its own. In order of frequency. */
export function bandUses(transmissions: readonly LocatedTransmission[], limits: LimitTable): BandUse[] {
  const bands = new Map<string, LocatedTransmission[]>();
  for (const one of transmissions) {
    const limit = limits.dutyCycle(one.frequencyHz);
    const key = `${limit?.fromHz ?? "none"}`;
    const own = bands.get(key) ?? [];
    own.push(one);
    bands.set(key, own);
  }
  return [...bands.values()]
    .flatMap((own) => {
      const [first] = own;
      const limit = first === undefined ? null : limits.dutyCycle(first.frequencyHz);
      const peak = peakHour(own, DUTY_CYCLE_PERIOD_US);
      if (first === undefined || limit === null || peak === null) return [];
      return [
        {
          subBand: limit.subBand,
          fromHz: limit.fromHz,
          toHz: limit.toHz,
          limit: limit.limit,
          text: limit.text,
          source: limit.source,
          frames: own.length,
          airtimeUs: own.reduce((sum, one) => sum + one.airtimeUs, 0),
          fullestHourUs: peak.airtimeUs,
          fullestUntilUs: peak.untilUs,
          dwell: dwellUse(own, limits),
          order: first.frequencyHz,
        },
      ];
    })
    .sort((a, b) => a.order - b.order)
    .map(({ order: _, ...use }) => use);
}

/** Frames against the dwell limit of the region; null when it names none for any of them. */
export function dwellUse(transmissions: readonly LocatedTransmission[], limits: LimitTable): DwellUse | null {
  const limited = transmissions.flatMap((one) => {
    const limit = one.bandwidthHz === null ? null : limits.dwell(one.bandwidthHz);
    return limit === null || limit.uplinkMs === null ? [] : [{ one, limit, limitUs: limit.uplinkMs * 1000 }];
  });
  const [first] = limited;
  if (first === undefined) return null;
  return {
    frameLimitUs: first.limitUs,
    longestFrameUs: limited.reduce((most, { one }) => Math.max(most, one.airtimeUs), 0),
    framesOver: limited.filter(({ one, limitUs }) => one.airtimeUs > limitUs).length,
    inPeriod: limits.plan.name === "US915" ? fullestPeriod(limited.map(({ one }) => one)) : null,
    text: first.limit.text,
    source: first.limit.source,
  };
}

function fullestPeriod(transmissions: readonly LocatedTransmission[]): DwellUse["inPeriod"] {
  const byFrequency = new Map<number, LocatedTransmission[]>();
  for (const one of transmissions) {
    const own = byFrequency.get(one.frequencyHz) ?? [];
    own.push(one);
    byFrequency.set(one.frequencyHz, own);
  }
  const peaks = [...byFrequency.values()].map((own) => peakHour(own, US_DWELL_PERIOD_US)?.airtimeUs ?? 0);
  return { periodUs: US_DWELL_PERIOD_US, limitUs: US_DWELL_US, mostUs: Math.max(0, ...peaks) };
}
