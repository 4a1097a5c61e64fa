/**
 * On which channel and with which data rate may the network answer an uplink? First and second receive window of each
 * region, from the regional parameters.
 */
import type { LoraModulation } from "../model/modulation.ts";
import { type RegionPlan, regionPlan } from "../radio/regions/region-plan.ts";
import type { Transmission } from "./transmission.ts";

export interface DownlinkWindow {
  readonly frequencyHz: number;
  readonly modulation: LoraModulation;
  /** From the end of the uplink. */
  readonly afterUs: number;
}

// LoRaWAN regional defaults (LoRaMac-node RegionCommon.h): 1 s and 2 s after data, 5 s and 6 s after a join-request.
const DATA_WINDOWS_US = [1_000_000, 2_000_000] as const;
const JOIN_WINDOWS_US = [5_000_000, 6_000_000] as const;

// RP002, RX2 defaults; AS923 follows its group's first default channel. CN470: LoRaMac-node (from memory).
const RX2: Readonly<Record<string, readonly [hz: number, sf: number, bwHz: number]>> = {
  EU868: [869_525_000, 12, 125_000],
  US915: [923_300_000, 12, 500_000],
  AU915: [923_300_000, 12, 500_000],
  "AS923-1": [923_200_000, 10, 125_000],
  "AS923-2": [921_400_000, 10, 125_000],
  "AS923-3": [916_600_000, 10, 125_000],
  "AS923-4": [917_300_000, 10, 125_000],
  CN470: [505_300_000, 12, 125_000],
  CN779: [786_000_000, 12, 125_000],
  EU433: [434_665_000, 12, 125_000],
  IN865: [866_550_000, 10, 125_000],
  KR920: [921_900_000, 12, 125_000],
  RU864: [869_100_000, 12, 125_000],
};

/** Both windows after an uplink: the first on (or paired with) its channel, the second on the region's own. */
export function downlinkWindows(region: string, uplink: Transmission): readonly DownlinkWindow[] {
  const [first, second] = uplink.counter === null ? JOIN_WINDOWS_US : DATA_WINDOWS_US;
  return [
    { ...firstWindow(regionPlan(region), uplink), afterUs: first },
    { ...rx2Window({ region, channelsHz: [uplink.frequencyHz] }), afterUs: second },
  ];
}

/** The region's own channel and data rate for the second window; without a region the site's first channel. */
export function rx2Window({
  region,
  channelsHz,
}: {
  readonly region: string;
  readonly channelsHz: readonly number[];
}): Omit<DownlinkWindow, "afterUs"> {
  const [frequencyHz, spreadingFactor, bandwidthHz] = RX2[region] ?? [channelsHz[0] ?? 0, 12, 125_000];
  return { frequencyHz, modulation: lora(spreadingFactor, bandwidthHz) };
}

/**
 * Dynamic plans answer on the uplink's own channel and data rate. US915 and AU915 answer on channel number modulo 8,
 * 500 kHz, same spreading factor at offset 0; CN470 on its paired downlink channel.
 */
function firstWindow(
  plan: RegionPlan | null,
  { frequencyHz, modulation }: Transmission,
): Omit<DownlinkWindow, "afterUs"> {
  if (plan === null || plan.kind === "dynamic") return { frequencyHz, modulation };
  const [variant] = plan.variants.filter(({ channels }) =>
    channels.some((c) => c.frequencyHz === frequencyHz),
  );
  const channel = variant?.channels.find((c) => c.frequencyHz === frequencyHz);
  const downlinks = variant?.downlinkHz ?? [];
  const downlinkHz = channel === undefined ? undefined : downlinks[channel.index % downlinks.length];
  return {
    frequencyHz: downlinkHz ?? frequencyHz,
    modulation: lora(modulation.spreadingFactor, plan.name === "CN470" ? 125_000 : 500_000),
  };
}

function lora(spreadingFactor: number, bandwidthHz: number): LoraModulation {
  return { kind: "lora", spreadingFactor, bandwidthHz, codingRate: "4/5" };
}
