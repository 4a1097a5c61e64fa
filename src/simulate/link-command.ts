/** How does the network command data rate and power? The LinkADRReq of a region. */
import { regionPlan, uplinkDataRates } from "../radio/regions/region-plan.ts";
import type { MacCommand } from "../wire/lorawan/mac-commands.ts";
import type { Node, Scenario } from "./scenario.ts";

/** LoRaWAN L2 1.0.4, section 5.2 (number from memory); power in steps of 2 dB below the most (regional parameters). */
export function linkCommand(
  { region }: Scenario,
  node: Node,
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
function channelMask(region: string, node: Node): { chMask: number; chMaskCntl: number } {
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
