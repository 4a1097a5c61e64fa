/** How strong is a node: the spread of RSSI, SNR and margin over its frames? */
import type { Spread } from "../contract/index.ts";
import { rounded } from "../model/rounding.ts";
import { linkMarginDb } from "../radio/margin.ts";
import { quantile } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import { type FrameSeries, NO_LEVEL } from "../store/hours/frame-series.ts";
import type { HeardFrame } from "../store/queries/frames.ts";

interface Levels {
  readonly rssiDbm: Spread;
  readonly snrDb: Spread;
  readonly marginDb: Spread;
}

/** Levels of the best hearing of each frame, or of each hearing of one gateway. */
export function levelsOf(
  hearings: readonly Pick<HeardFrame, "dataRate" | "snrTenths" | "rssiTenths">[],
): Levels {
  const rssi: number[] = [];
  const snr: number[] = [];
  const margin: number[] = [];
  for (const { dataRate, snrTenths, rssiTenths } of hearings) {
    if (rssiTenths !== null) rssi.push(rssiTenths / 10);
    if (snrTenths === null) continue;
    snr.push(snrTenths / 10);
    const one = marginDb(snrTenths, dataRate);
    if (one !== null) margin.push(one);
  }
  return { rssiDbm: spreadOf(rssi), snrDb: spreadOf(snr), marginDb: spreadOf(margin) };
}

/** The same of the best reception of each frame of a series: levels are few, so that equal ones are counted. */
export function levelsOfSeries({ length, snrTenths, rssiTenths, dataRate }: FrameSeries): Levels {
  const rssi = new LevelCounts();
  const snr = new LevelCounts();
  const margins = new Map<number, LevelCounts>();
  for (let i = 0; i < length; i++) {
    const rssiOne = rssiTenths[i] ?? NO_LEVEL;
    if (rssiOne !== NO_LEVEL) rssi.add(rssiOne, 1);
    const snrOne = snrTenths[i] ?? NO_LEVEL;
    if (snrOne === NO_LEVEL) continue;
    snr.add(snrOne, 1);
    const rate = dataRate[i] ?? 0;
    let ofRate = margins.get(rate);
    if (ofRate === undefined) {
      ofRate = new LevelCounts();
      margins.set(rate, ofRate);
    }
    ofRate.add(snrOne, 1);
  }
  const margin = new LevelCounts();
  for (const [rate, counts] of margins)
    for (const [tenths, count] of counts.all()) {
      const one = marginDb(tenths, rate);
      if (one !== null) margin.add(Math.round(one * 10), count);
    }
  return { rssiDbm: rssi.spread(), snrDb: snr.spread(), marginDb: margin.spread() };
}

/** How often each level was met, in tenths of a dB. */
class LevelCounts {
  readonly #counts = new Map<number, number>();
  #total = 0;

  add(tenths: number, count: number): void {
    this.#counts.set(tenths, (this.#counts.get(tenths) ?? 0) + count);
    this.#total += count;
  }

  /** In order of level. */
  all(): [number, number][] {
    return [...this.#counts].sort((a, b) => a[0] - b[0]);
  }

  spread(): Spread {
    const levels = this.all();
    const at = (p: number) => {
      const place = (this.#total - 1) * p;
      const lower = levelAt(levels, Math.floor(place));
      const upper = levelAt(levels, Math.ceil(place));
      return lower === null || upper === null
        ? null
        : rounded(lower + (place - Math.floor(place)) * (upper - lower), 2);
    };
    return { median: at(0.5), p10: at(0.1), p90: at(0.9), count: this.#total };
  }
}

/** The level at a place in order, in dB. */
function levelAt(levels: readonly (readonly [number, number])[], place: number): number | null {
  let before = 0;
  for (const [tenths, count] of levels) {
    before += count;
    if (place < before) return tenths / 10;
  }
  return null;
}

/** Quantile of type 7, as in src/statistics/robust.ts; null for no values. */
export function quantileOfSorted(sorted: Float64Array, p: number): number | null {
  const place = (sorted.length - 1) * p;
  const lower = sorted[Math.floor(place)];
  const upper = sorted[Math.ceil(place)];
  return lower === undefined || upper === undefined
    ? null
    : lower + (place - Math.floor(place)) * (upper - lower);
}

/** SNR over the demodulation floor of the spreading factor; null for anything but LoRa. */
export function marginDb(snrTenths: number | null, dataRate: number): number | null {
  if (snrTenths === null) return null;
  const spreadingFactor = spreadingFactorOf(dataRate);
  if (spreadingFactor === null) return null;
  const margin = linkMarginDb(snrTenths / 10, spreadingFactor);
  return rounded(margin, 1);
}

export function spreadingFactorOf(dataRate: number): number | null {
  const modulation = modulationFromCodes(dataRate, 0);
  return modulation.kind === "lora" ? modulation.spreadingFactor : null;
}

export function spreadOf(values: number[]): Spread {
  const at = (p: number) => {
    return rounded(quantile(values, p), 2);
  };
  return { median: at(0.5), p10: at(0.1), p90: at(0.9), count: values.length };
}
