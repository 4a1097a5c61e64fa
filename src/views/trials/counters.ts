/**
 * Which counters did each node send while both sides of a trial were compared, and what did each side read of them?
 * The stored frames become the evidence that the judgement rests on.
 */
import type { Rate, Reading } from "../../diagnosis/trials/evidence.ts";
import { describeModulation } from "../../model/modulation.ts";
import { contains, type TimeRange } from "../../model/time-range.ts";
import { demodulationFloorDb } from "../../radio/demodulation-floor.ts";
import { modulationFromCodes } from "../../store/data-rate-code.ts";
import type { Hearing, TrialFrame } from "../../store/queries/trial-frames.ts";

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
const MOST_MISSED_RUNNING = 500;
const MHZ_125 = 125_000;

/**
 * The counters of one life in order, its frames given in order of time. Missed ones are dated into their gap by the
 * node's rhythm. The first and the last are left out: they are known only because somebody heard them, which would count
 * in favour of whoever did.
 */
export function countersOf(frames: readonly TrialFrame[]): CounterSent[] {
  const byCounter = new Map<number, TrialFrame[]>();
  for (const frame of frames) {
    const known = byCounter.get(frame.counter);
    if (known === undefined) byCounter.set(frame.counter, [frame]);
    else known.push(frame);
  }
  const heard = [...byCounter].sort(([x], [y]) => x - y);
  const counters: CounterSent[] = [];
  heard.forEach(([counter, own], i) => {
    const [frame] = own;
    if (frame === undefined) return;
    const before = heard[i - 1];
    const earlier = before?.[1][0];
    if (before !== undefined && earlier !== undefined) {
      const missed = counter - before[0] - 1;
      const step = (frame.atUs - earlier.atUs) / (missed + 1);
      for (let k = 1; k <= missed && missed <= MOST_MISSED_RUNNING; k++) {
        const atUs = earlier.atUs + k * step;
        counters.push({ atUs, rate: rateOf(earlier.dataRate), frequencyHz: null, hearings: [] });
      }
    }
    if (i === 0 || i === heard.length - 1) return;
    counters.push({
      atUs: frame.atUs,
      rate: rateOf(frame.dataRate),
      frequencyHz: frame.frequencyHz,
      hearings: own.flatMap(({ hearings }) => hearings),
    });
  });
  return counters;
}

const rates = new Map<number, Rate>();

/** Floors and levels are told for 125 kHz: twice the bandwidth takes in twice the noise. */
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
  // A stranger may invent data rates; no more are remembered than any plan has.
  if (rates.size < 100) rates.set(code, rate);
  return rate;
}

function bandwidthDb(bandwidthHz: number): number {
  return 10 * Math.log10(bandwidthHz / MHZ_125);
}

/** The best of a receiver's hearings; null when it heard nothing. `rate`: to tell the SNR in 125 kHz. */
export function readingOf(
  hearings: readonly Hearing[],
  { gatewayId, antenna }: Receiver,
  rate: Rate,
): Reading | null {
  let best: Hearing | null = null;
  for (const hearing of hearings) {
    if (hearing.gatewayId !== gatewayId || (antenna !== null && hearing.antenna !== antenna)) continue;
    if (best === null || (hearing.snrTenths ?? -1e9) > (best.snrTenths ?? -1e9)) best = hearing;
  }
  if (best === null) return null;
  const tenths = (value: number | null) => (value === null ? null : value / 10);
  const snrDb = tenths(best.snrTenths);
  return {
    snrDb: snrDb === null ? null : snrDb + widthOf(rate),
    rssiDbm: tenths(best.rssiTenths),
    signalRssiDbm: tenths(best.signalRssiTenths),
  };
}

function widthOf({ label }: Rate): number {
  const width = /BW(\d+(?:\.\d+)?)$/.exec(label)?.[1];
  return width === undefined ? 0 : bandwidthDb(Number(width) * 1000);
}

export function within<T extends { readonly atUs: number }>(
  items: readonly T[],
  stretches: readonly TimeRange[],
): T[] {
  return items.filter(({ atUs }) => contains(stretches, atUs));
}
