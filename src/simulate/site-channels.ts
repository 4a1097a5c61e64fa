/**
 * Which channels do a site, its gateways and its nodes use when the scenario does not list them, and does what it
 * lists exist in the region? Channels and data rates come from the published regional parameters.
 */
import { channelAt, type RegionPlan, regionPlan, uplinkDataRates } from "../radio/regions/region-plan.ts";

/** The channels of a sub-band of a fixed plan (eight of 125 kHz and one of 500 kHz); none in a plan without. */
export function channelsOfSubBand(region: string, subBand: number): number[] {
  const [variant] = regionPlan(region)?.variants ?? [];
  return (variant?.channels ?? [])
    .filter((channel) => channel.subBand === subBand)
    .map(({ frequencyHz }) => frequencyHz);
}

/** What a region's site uses when nothing is listed: default channels, or all of a fixed plan's first channel set. */
export function channelsOfRegion(region: string): number[] {
  const [variant] = regionPlan(region)?.variants ?? [];
  return (variant?.channels ?? []).map(({ frequencyHz }) => frequencyHz);
}

/**
 * Of these channels, those on which a node with this bandwidth may send: a fixed plan ties the bandwidth to the
 * channel, a dynamic one does not.
 */
export function channelsOfBandwidth(
  region: string,
  channelsHz: readonly number[],
  bandwidthHz: number,
): number[] {
  const plan = regionPlan(region);
  if (plan === null || plan.kind === "dynamic") return [...channelsHz];
  return channelsHz.filter((frequencyHz) =>
    plan.variants.some((variant) => channelAt(variant, frequencyHz, bandwidthHz) !== null),
  );
}

/** Sentences about channels that no set of the region's has. */
export function channelFaults(plan: RegionPlan, channelsHz: readonly number[]): string[] {
  const stray = channelsHz.find((frequencyHz) =>
    plan.kind === "fixed"
      ? plan.variants.every((variant) => channelAt(variant, frequencyHz) === null)
      : frequencyHz < plan.fromHz || frequencyHz > plan.toHz,
  );
  return stray === undefined ? [] : [`${stray} Hz is no uplink channel of ${plan.plan}`];
}

/** Whether a region's uplinks know this spreading factor at this bandwidth. */
export function hasDataRate(plan: RegionPlan, spreadingFactor: number, bandwidthHz: number): boolean {
  const modulation = { kind: "lora", spreadingFactor, bandwidthHz, codingRate: "4/5" } as const;
  return plan.variants.some((variant) => uplinkDataRates(variant, modulation).length > 0);
}
