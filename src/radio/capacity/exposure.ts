/**
 * How often would one frame be spoilt, were a given traffic sent once more beside it?
 *
 * For a frame i the expected number of spoilers is Σ rate_j × exposure_ij over the transmissions j on its channel and
 * bandwidth (unslotted ALOHA for mixed lengths, thinned by capture: src/radio/collisions.ts; Abramson 1970, Roberts
 * 1975, Kingman 1993, from memory). exposure_ij is Ti + Tj where j is strong enough to spoil i by the table of capture,
 * else 0. A frame that several gateways heard is lost only where all of them lose it, so j must spoil it at each; a
 * gateway that did not hear j does not lose i to it.
 *
 * Three rules of capture, because the sources differ (src/radio/collisions.ts): `theory`, the table of Goursaud and Gorce
 * 2015 alone; `least`, lost only where that table and the one of Croce et al. 2018 both say so; `most`, lost where either
 * says so, and where an earlier frame of the same spreading factor holds the demodulator whatever the powers, once it has
 * five symbols of preamble (Bor et al. 2016, from memory).
 */
import { CAPTURE_CROCE_2018, CAPTURE_GOURSAUD_2015 } from "../collisions.ts";

/** From what spoils least to what spoils most. */
export const CAPTURE_RULES = ["least", "theory", "most"] as const;
export type CaptureRule = (typeof CAPTURE_RULES)[number];

/** One transmission as it was heard. */
export interface HeardSignal {
  readonly frequencyHz: number;
  readonly spreadingFactor: number;
  readonly bandwidthHz: number;
  readonly airtimeUs: number;
  /** Signal power at each gateway that heard it, by row id. */
  readonly levelsDbm: ReadonlyMap<number, number>;
}

/** Traffic that goes on at its mean rate. */
export interface Source extends HeardSignal {
  /** Transmissions a microsecond that this one stands for. */
  readonly ratePerUs: number;
}

export type Exposure = Readonly<Record<CaptureRule, number>>;

/** Symbols of preamble, of 8, that may be overlapped without harm: five are enough to lock. Bor et al. 2016, from memory. */
const HARMLESS_SYMBOLS = 3;

/** Expected number of spoilers of one frame; 0 for a frame without a level. */
export function exposureTo(frame: HeardSignal, sources: Iterable<Source>): Exposure {
  let least = 0;
  let theory = 0;
  let most = 0;
  if (frame.levelsDbm.size === 0) return { least, theory, most };
  const { spreadingFactor, bandwidthHz, frequencyHz, airtimeUs } = frame;
  const harmlessUs = (HARMLESS_SYMBOLS * 2 ** spreadingFactor * 1e6) / bandwidthHz;
  for (const source of sources) {
    if (source.frequencyHz !== frequencyHz || source.bandwidthHz !== bandwidthHz) continue;
    const byTheory = thresholdDb(CAPTURE_GOURSAUD_2015, frame, source);
    const byMeasure = thresholdDb(CAPTURE_CROCE_2018, frame, source);
    let isHeardByAll = true;
    let bestRatioDb = Number.NEGATIVE_INFINITY;
    for (const [gateway, level] of frame.levelsDbm) {
      const other = source.levelsDbm.get(gateway);
      if (other === undefined) {
        isHeardByAll = false;
        break;
      }
      // The gateway where it stands best must lose it too.
      bestRatioDb = Math.max(bestRatioDb, level - other);
    }
    if (!isHeardByAll) continue;
    const bothUs = airtimeUs + source.airtimeUs;
    const isByTheory = bestRatioDb < byTheory;
    const isByMeasure = bestRatioDb < byMeasure;
    if (isByTheory) theory += source.ratePerUs * bothUs;
    if (isByTheory && isByMeasure) least += source.ratePerUs * bothUs;
    if (isByTheory || isByMeasure) most += source.ratePerUs * bothUs;
    else if (source.spreadingFactor === spreadingFactor)
      most += source.ratePerUs * Math.max(0, source.airtimeUs - 2 * harmlessUs);
  }
  return { least, theory, most };
}

function thresholdDb(table: readonly (readonly number[])[], wanted: HeardSignal, other: HeardSignal): number {
  // Outside SF7 to SF12 the tables are silent: as within one spreading factor.
  return table[wanted.spreadingFactor - 7]?.[other.spreadingFactor - 7] ?? table[0]?.[0] ?? 6;
}
