/**
 * What does a region allow a site's nodes and gateways? Channels and data rates from the published regional
 * parameters, for what a scenario leaves open or lists, and the LinkADRReq by which its network commands them.
 */
import { channelAt, regionPlan, uplinkDataRates } from "../radio/regions/region-plan.ts";
import type { MacCommand } from "../wire/lorawan/mac-commands.ts";

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

/** Sentences about channels and data rates that the region does not have. */
export function* regionContradictions({
  region,
  channelsHz,
  nodes,
  strangers,
}: RegionUse): Generator<string> {
  if (region === "none") {
    if (channelsHz.length === 0) yield "without a region, channelsHz must be listed";
    return;
  }
  const plan = regionPlan(region);
  if (plan === null) {
    yield `no region is called ${region}`;
    return;
  }
  const stray = channelsHz.find((frequencyHz) =>
    plan.kind === "fixed"
      ? plan.variants.every((variant) => channelAt(variant, frequencyHz) === null)
      : frequencyHz < plan.fromHz || frequencyHz > plan.toHz,
  );
  if (stray !== undefined) yield `${stray} Hz is no uplink channel of ${plan.plan}`;
  for (const { name, spreadingFactor, bandwidthHz } of [...nodes, ...strangers]) {
    const modulation = { kind: "lora", spreadingFactor, bandwidthHz, codingRate: "4/5" } as const;
    if (plan.variants.every((variant) => uplinkDataRates(variant, modulation).length === 0))
      yield `${name} sends with SF${spreadingFactor} at ${bandwidthHz / 1000} kHz, which is not an uplink data rate of ${plan.plan}`;
  }
}

interface Sender {
  readonly name: string;
  readonly spreadingFactor: number;
  readonly bandwidthHz: number;
}

/** What a scenario asks of its region. */
interface RegionUse {
  readonly region: string;
  readonly channelsHz: readonly number[];
  readonly nodes: readonly Sender[];
  readonly strangers: readonly Sender[];
}

/** What a command must know of the node that it is for. */
interface CommandedNode {
  readonly bandwidthHz: number;
  readonly channelsHz: readonly number[];
  readonly transmitPowerDbm: number;
  readonly transmissions: number;
}

/** LoRaWAN L2 1.0.4, section 5.2 (number from memory); power in steps of 2 dB below the most (regional parameters). */
export function linkCommand(
  region: string,
  node: CommandedNode,
  link: { readonly spreadingFactor: number; readonly powerDbm: number },
): MacCommand {
  const [variant] = regionPlan(region)?.variants ?? [];
  const modulation = {
    kind: "lora",
    spreadingFactor: link.spreadingFactor,
    bandwidthHz: node.bandwidthHz,
    codingRate: "4/5",
  } as const;
  const [dataRate = 0] = variant === undefined ? [] : uplinkDataRates(variant, modulation);
  return {
    cid: 0x03,
    name: "LinkADRReq",
    dataRate,
    txPower: Math.max(0, Math.round((node.transmitPowerDbm - link.powerDbm) / 2)),
    ...channelMask(region, node),
    nbTrans: node.transmissions,
  };
}

/** The mask that leaves a node its channels: of one bank of sixteen, or all of the plan. */
function channelMask(region: string, node: CommandedNode): { chMask: number; chMaskCntl: number } {
  const plan = regionPlan(region);
  if (plan === null || plan.kind === "dynamic")
    return { chMask: 2 ** Math.min(16, node.channelsHz.length) - 1, chMaskCntl: 0 };
  const indices = (plan.variants[0]?.channels ?? [])
    .filter(({ frequencyHz }) => node.channelsHz.includes(frequencyHz))
    .map(({ index }) => index);
  const bank = Math.floor((indices[0] ?? 0) / 16);
  if (indices.some((index) => Math.floor(index / 16) !== bank)) return { chMask: 0, chMaskCntl: 6 };
  return { chMask: indices.reduce((mask, index) => mask | (1 << (index % 16)), 0), chMaskCntl: bank };
}

/** The largest spreading factor that a region's uplinks have at 125 kHz. */
export function slowestFactor(region: string): number {
  const rates = [...(regionPlan(region)?.variants[0]?.dataRates.values() ?? [])];
  const factors = rates.flatMap((rate) =>
    rate.modulation === "LORA" && rate.direction !== "down" && rate.bwHz === 125_000 ? [rate.sf] : [],
  );
  return factors.length === 0 ? 12 : Math.max(...factors);
}
