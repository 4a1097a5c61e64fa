/**
 * Airtime and busy time of each channel at each gateway over any window, exact to the microsecond: whole minutes
 * from the roll-ups, the ragged ends from the receptions themselves.
 */
import { MINUTE_US, type TimeWindow } from "../model/window.ts";
import { IntervalUnion } from "../radio/utilisation.ts";
import type { Store } from "../store/open.ts";
import { channelCells, channelIntervals } from "../store/queries/channels.ts";

export interface ChannelSum {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  receptions: number;
  crcBad: number;
  /** Sum, clipped to the window. */
  airtimeUs: number;
  /** Union, clipped to the window. */
  busyUs: number;
}

/** `gatewayIds`: only of these. */
export function sumChannels(store: Store, window: TimeWindow, gatewayIds?: readonly number[]): ChannelSum[] {
  const sums = new Map<string, ChannelSum>();
  const sumOf = (gatewayId: number, frequencyHz: number): ChannelSum => {
    const key = `${gatewayId}/${frequencyHz}`;
    let sum = sums.get(key);
    if (sum === undefined) {
      sum = { gatewayId, frequencyHz, receptions: 0, crcBad: 0, airtimeUs: 0, busyUs: 0 };
      sums.set(key, sum);
    }
    return sum;
  };
  const firstWhole = Math.ceil(window.fromUs / MINUTE_US);
  const endWhole = Math.floor(window.toUs / MINUTE_US);
  if (firstWhole >= endWhole) {
    addEnd(store, window, sumOf);
  } else {
    const minutes = endWhole - firstWhole;
    for (const row of channelCells(store, firstWhole, endWhole, minutes, gatewayIds)) {
      const sum = sumOf(row.gatewayId, row.frequencyHz);
      sum.receptions += row.receptions;
      sum.crcBad += row.crcBad;
      sum.airtimeUs += row.airtimeUs;
      sum.busyUs += row.busyUs;
    }
    addEnd(store, { fromUs: window.fromUs, toUs: firstWhole * MINUTE_US }, sumOf);
    addEnd(store, { fromUs: endWhole * MINUTE_US, toUs: window.toUs }, sumOf);
  }
  if (gatewayIds === undefined) return [...sums.values()];
  const asked = new Set(gatewayIds);
  return [...sums.values()].filter(({ gatewayId }) => asked.has(gatewayId));
}

/** A stretch shorter than two minutes, summed from the receptions that were on the air in it. */
function addEnd(
  store: Store,
  stretch: TimeWindow,
  sumOf: (gatewayId: number, frequencyHz: number) => ChannelSum,
): void {
  if (stretch.toUs <= stretch.fromUs) return;
  const unions = new Map<ChannelSum, IntervalUnion>();
  for (const { gatewayId, frequencyHz, atUs, airtimeUs, crc } of channelIntervals(store, stretch)) {
    const sum = sumOf(gatewayId, frequencyHz);
    const startUs = Math.max(stretch.fromUs, atUs - airtimeUs);
    const endUs = Math.min(stretch.toUs, atUs);
    sum.airtimeUs += Math.max(0, endUs - startUs);
    const union = unions.get(sum) ?? new IntervalUnion();
    unions.set(sum, union);
    sum.busyUs += union.add(startUs, endUs);
    // A packet counts where it ends.
    if (atUs >= stretch.toUs) continue;
    sum.receptions += 1;
    if (crc === 1) sum.crcBad += 1;
  }
}
