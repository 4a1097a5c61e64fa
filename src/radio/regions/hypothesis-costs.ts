/**
 * What does a hypothesis of region-hypotheses.ts pay for what was heard, and for silence? The evidence and the prices.
 */
import type { Modulation } from "../../model/modulation.ts";
import { CHANNEL_TOLERANCE_HZ, type PlanVariant, type RegionPlan, uplinkDataRates } from "./region-plan.ts";

/** Receptions that share frequency, modulation and size. */
export interface HeardChannel {
  readonly frequencyHz: number;
  readonly modulation: Modulation;
  /** Octets of PHYPayload; the largest where several sizes are summed up. */
  readonly payloadBytes?: number;
  readonly count: number;
}

/** Logarithms of the factors; common practice, no source (region-hypotheses.ts says how they were chosen). */
export const LOG = {
  rasterNeighbour: Math.log(2 / 3),
  offRaster: Math.log(0.1),
  downlinkChannel: Math.log(0.05),
  otherSubBand: Math.log(0.02),
  seventeenth: Math.log(0.1),
  unknownPlan: Math.log(0.02),
  outside: Math.log(1e-4),
  foreignDataRate: Math.log(1e-3),
} as const;

/** A region with one way of listening to it, and the logarithm of its unnormalised posterior. */
export interface Hypothesis {
  readonly plan: RegionPlan | null;
  readonly variant: string | null;
  readonly subBand: number | null;
  /** First and last frequency of the eight channels that a gateway of a plan without named sub-bands listens to. */
  readonly block?: string | null;
  readonly log: number;
}

/** A frequency and a bandwidth that were heard. */
export interface Channel {
  readonly frequencyHz: number;
  readonly bandwidthHz: number | undefined;
  readonly count: number;
  readonly weight: number;
}

/** The channels of the evidence, lowest first. */
export function channelsOf(evidence: readonly HeardChannel[]): Channel[] {
  const byKey = new Map<string, { frequencyHz: number; bandwidthHz: number | undefined; count: number }>();
  for (const { frequencyHz, modulation, count } of evidence) {
    const bandwidthHz = modulation.kind === "lora" ? modulation.bandwidthHz : undefined;
    const key = `${Math.round(frequencyHz / 1000)}/${bandwidthHz ?? modulation.kind}`;
    const known = byKey.get(key);
    if (known === undefined) {
      byKey.set(key, { frequencyHz, bandwidthHz, count });
    } else {
      known.count += count;
    }
  }
  return [...byKey.values()]
    .map((c) => ({ ...c, weight: weightOf(c.count) }))
    .sort((a, b) => a.frequencyHz - b.frequencyHz);
}

function weightOf(count: number): number {
  return Math.min(1, count / 3);
}

/** What the modulations heard cost a variant: those that are none of its uplink data rates, or not `allowed` there. */
export function dataRateLog(
  variant: PlanVariant,
  evidence: readonly HeardChannel[],
  allowed: (heard: HeardChannel, rates: readonly number[]) => boolean = (_, rates) => rates.length > 0,
): number {
  const foreign = new Map<string, number>();
  for (const heard of evidence) {
    const { modulation, count } = heard;
    if (!allowed(heard, uplinkDataRates(variant, modulation))) {
      const key = JSON.stringify(modulation);
      foreign.set(key, (foreign.get(key) ?? 0) + count);
    }
  }
  return [...foreign.values()].reduce((sum, count) => sum + weightOf(count) * LOG.foreignDataRate, 0);
}

/** What it costs that a channel stayed silent which should carry a `share` of all frames; at worst ln `floor`. */
export function silenceLog(share: number, total: number, floor: number): number {
  return Math.max(Math.log(floor), total * Math.log(1 - share));
}

export function near(a: number, b: number): boolean {
  return Math.abs(a - b) <= CHANNEL_TOLERANCE_HZ;
}
