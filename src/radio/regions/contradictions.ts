/**
 * What was heard that a region's channel plan does not allow, or should have been heard and was not?
 */
import { describeModulation } from "../../model/modulation.ts";
import type { HeardChannel } from "./region-hypotheses.ts";
import {
  channelAllows,
  channelAt,
  channelOfReception,
  megahertz,
  type PlanVariant,
  type RegionPlan,
  regionPlan,
  uplinkDataRates,
} from "./region-plan.ts";
import { silence } from "./silence.ts";

export interface ContradictionOptions {
  /** The sub-band that the gateway is set to, of a plan that has them. */
  readonly subBand?: number | null;
}

/**
 * Sentences about the difference between what was heard and a region, each true by itself; none when all fits or the
 * region is unknown. A thing counts from two receptions on: single ones may be false detections. A size counts at
 * once: of several receptions only the largest is known.
 */
export function contradictionsWith(
  region: RegionPlan | string,
  heard: readonly HeardChannel[],
  options: ContradictionOptions = {},
): string[] {
  const plan = typeof region === "string" ? regionPlan(region) : region;
  if (plan === null) {
    return [];
  }
  const variant = bestVariant(plan, heard);
  if (variant === null) {
    return [];
  }
  return [
    ...outsidePlan(plan, variant, heard),
    ...foreignDataRates(plan, variant, heard),
    ...tooLong(plan, variant, heard),
    ...silence(plan, variant, heard, options.subBand ?? null),
  ];
}

/** The channel set that most receptions fit. */
function bestVariant(plan: RegionPlan, heard: readonly HeardChannel[]): PlanVariant | null {
  let best: PlanVariant | null = null;
  let most = -1;
  for (const variant of plan.variants) {
    let fitting = 0;
    for (const h of heard) {
      const onChannel = plan.kind === "dynamic" || channelOfReception(variant, h) !== null;
      fitting += onChannel && uplinkDataRates(variant, h.modulation).length > 0 ? h.count : 0;
    }
    if (fitting > most) {
      most = fitting;
      best = variant;
    }
  }
  return best;
}

function anyChannelAt(plan: RegionPlan, variant: PlanVariant, frequencyHz: number): boolean {
  return plan.kind === "fixed"
    ? channelAt(variant, frequencyHz) !== null
    : frequencyHz >= plan.fromHz && frequencyHz <= plan.toHz;
}

function outsidePlan(plan: RegionPlan, variant: PlanVariant, heard: readonly HeardChannel[]): string[] {
  const outside = heard.filter((h) => !anyChannelAt(plan, variant, h.frequencyHz));
  return counted(outside, (h) => `${megahertz(h.frequencyHz)} MHz`).map(({ what, count }) =>
    plan.kind === "fixed"
      ? `${count} receptions at ${what}, which is no uplink channel of ${plan.plan}.`
      : `${count} receptions at ${what}, outside ${plan.plan} (${megahertz(plan.fromHz)} to ${megahertz(plan.toHz)} MHz).`,
  );
}

function foreignDataRates(plan: RegionPlan, variant: PlanVariant, heard: readonly HeardChannel[]): string[] {
  const foreign: HeardChannel[] = [];
  const misplaced: HeardChannel[] = [];
  for (const h of heard) {
    const rates = uplinkDataRates(variant, h.modulation);
    if (rates.length === 0) {
      foreign.push(h);
    } else if (plan.kind === "fixed") {
      const onFrequency = channelAt(variant, h.frequencyHz);
      const channel = channelOfReception(variant, h);
      if (onFrequency !== null && (channel === null || !channelAllows(channel, rates))) {
        misplaced.push(h);
      }
    }
  }
  return [
    ...counted(foreign, (h) => describeModulation(h.modulation)).map(
      ({ what, count }) => `${count} receptions with ${what}, which is no uplink data rate of ${plan.plan}.`,
    ),
    ...counted(
      misplaced,
      (h) => `${describeModulation(h.modulation)} at ${megahertz(h.frequencyHz)} MHz`,
    ).map(
      ({ what, count }) => `${count} receptions with ${what}, a data rate that this channel does not allow.`,
    ),
  ];
}

function tooLong(plan: RegionPlan, variant: PlanVariant, heard: readonly HeardChannel[]): string[] {
  const sentences = new Map<string, number>();
  for (const h of heard) {
    const rates = uplinkDataRates(variant, h.modulation);
    const limits = rates.map((dr) => variant.mostPhyPayload.get(dr) ?? null).filter((n) => n !== null);
    const most = limits.length === 0 ? null : Math.max(...limits);
    if (most !== null && h.payloadBytes !== undefined && h.payloadBytes > most) {
      const what = `${describeModulation(h.modulation)} frames of up to @ octets, more than the ${most} that ${plan.plan} allows at this data rate`;
      sentences.set(what, Math.max(sentences.get(what) ?? 0, h.payloadBytes));
    }
  }
  return [...sentences].map(([what, longest]) => `${what.replace("@", String(longest))}.`);
}

/** Sums counts of what has the same name; two receptions at least, most frequent first. */
function counted(
  heard: readonly HeardChannel[],
  name: (h: HeardChannel) => string,
): { readonly what: string; readonly count: number }[] {
  const counts = new Map<string, number>();
  for (const h of heard) {
    counts.set(name(h), (counts.get(name(h)) ?? 0) + h.count);
  }
  return [...counts]
    .filter(([, count]) => count >= 2)
    .sort((a, b) => b[1] - a[1])
    .map(([what, count]) => ({ what, count }));
}
