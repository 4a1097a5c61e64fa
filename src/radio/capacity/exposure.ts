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
import { groupBy } from "../../model/group-by.ts";
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
  /** Who sends it, where it is one's own. */
  readonly sender?: object;
}

export type Exposure = Readonly<Record<CaptureRule, number>>;

/** Symbols of preamble, of 8, that may be overlapped without harm: five are enough to lock. Bor et al. 2016, from memory. */
const HARMLESS_SYMBOLS = 3;

/** How a frame is sent: what of it a change of its data rate changes. */
type Sending = Pick<HeardSignal, "spreadingFactor" | "airtimeUs">;

/** The traffic of one channel and bandwidth, column by column. */
interface Columns {
  readonly sources: readonly Source[];
  readonly spreadingFactors: Uint8Array;
  readonly airtimesUs: Float64Array;
  readonly ratesPerUs: Float64Array;
  /** By gateway; not a number where it did not hear one. */
  readonly levelsDbm: ReadonlyMap<number, Float64Array>;
}

/** Spreading factors of a threshold's row; beyond them the tables are silent. */
const SPREADING_FACTORS = 13;

/** Traffic that goes on; hundreds of thousands of pairs are compared, so that it is held in columns. */
export class Traffic {
  readonly #channels: ReadonlyMap<string, Columns>;

  constructor(sources: readonly Source[]) {
    const channels = groupBy(sources, channelOf);
    this.#channels = new Map([...channels].map(([key, own]) => [key, columnsOf(own)]));
  }

  /**
   * Expected number of spoilers of one frame were it sent in each of some ways, heard at the same levels; 0 for a frame
   * without a level. `except`: a sender whose traffic does not count.
   */
  exposuresOf(frame: HeardSignal, ways: readonly Sending[] = [frame], except?: object): Exposure[] {
    const channel = this.#channels.get(channelOf(frame));
    const ratiosDb = channel === undefined ? null : bestRatios(frame, channel, except);
    return ways.map((way) =>
      channel === undefined || ratiosDb === null
        ? { least: 0, theory: 0, most: 0 }
        : exposureOf(way, frame.bandwidthHz, channel, ratiosDb),
    );
  }
}

function channelOf({ frequencyHz, bandwidthHz }: HeardSignal): string {
  return `${frequencyHz}/${bandwidthHz}`;
}

function columnsOf(sources: readonly Source[]): Columns {
  const levelsDbm = new Map<number, Float64Array>();
  for (const [i, source] of sources.entries())
    for (const [gateway, level] of source.levelsDbm) {
      const own = levelsDbm.get(gateway) ?? new Float64Array(sources.length).fill(Number.NaN);
      levelsDbm.set(gateway, own);
      own[i] = level;
    }
  return {
    sources,
    spreadingFactors: Uint8Array.from(sources, ({ spreadingFactor }) => spreadingFactor),
    airtimesUs: Float64Array.from(sources, ({ airtimeUs }) => airtimeUs),
    ratesPerUs: Float64Array.from(sources, ({ ratePerUs }) => ratePerUs),
    levelsDbm,
  };
}

/**
 * By how many dB a frame stands over each other where it stands best, for that gateway must lose it too; not a number
 * where some gateway did not hear the other. null: no gateway heard the frame, or one of them none of the others.
 */
function bestRatios(
  frame: HeardSignal,
  { sources, levelsDbm }: Columns,
  except?: object,
): Float64Array | null {
  if (frame.levelsDbm.size === 0) return null;
  const ratiosDb = new Float64Array(sources.length).fill(Number.NEGATIVE_INFINITY);
  for (const [gateway, level] of frame.levelsDbm) {
    const others = levelsDbm.get(gateway);
    if (others === undefined) return null;
    for (let i = 0; i < ratiosDb.length; i++)
      ratiosDb[i] = Math.max(ratiosDb[i] ?? 0, level - (others[i] ?? Number.NaN));
  }
  if (except !== undefined)
    for (const [i, { sender }] of sources.entries()) if (sender === except) ratiosDb[i] = Number.NaN;
  return ratiosDb;
}

function exposureOf(way: Sending, bandwidthHz: number, channel: Columns, ratiosDb: Float64Array): Exposure {
  const { spreadingFactors, airtimesUs, ratesPerUs } = channel;
  const { spreadingFactor, airtimeUs } = way;
  const theoryDb = thresholdsOf(THEORY_DB, spreadingFactor);
  const measuredDb = thresholdsOf(MEASURED_DB, spreadingFactor);
  const harmlessUs = (HARMLESS_SYMBOLS * 2 ** spreadingFactor * 1e6) / bandwidthHz;
  let least = 0;
  let theory = 0;
  let most = 0;
  for (let i = 0; i < ratiosDb.length; i++) {
    const ratioDb = ratiosDb[i] ?? Number.NaN;
    if (Number.isNaN(ratioDb)) continue;
    const other = spreadingFactors[i] ?? 0;
    const otherUs = airtimesUs[i] ?? 0;
    const ratePerUs = ratesPerUs[i] ?? 0;
    const isByTheory = ratioDb < (theoryDb[other] ?? theoryDb[0] ?? 0);
    const isByMeasure = ratioDb < (measuredDb[other] ?? measuredDb[0] ?? 0);
    if (isByTheory) theory += ratePerUs * (airtimeUs + otherUs);
    if (isByTheory && isByMeasure) least += ratePerUs * (airtimeUs + otherUs);
    if (isByTheory || isByMeasure) most += ratePerUs * (airtimeUs + otherUs);
    else if (other === spreadingFactor) most += ratePerUs * Math.max(0, otherUs - 2 * harmlessUs);
  }
  return { least, theory, most };
}

/**
 * By the spreading factor of the frame, then of the other. Outside SF7 to SF12 the tables are silent: as within one
 * spreading factor.
 */
function thresholdsDb(table: readonly (readonly number[])[]): readonly Float64Array[] {
  const factors = Array.from({ length: SPREADING_FACTORS }, (_, factor) => factor);
  return factors.map((wanted) =>
    Float64Array.from(factors, (other) => table[wanted - 7]?.[other - 7] ?? table[0]?.[0] ?? 6),
  );
}

const THEORY_DB = thresholdsDb(CAPTURE_GOURSAUD_2015);
const MEASURED_DB = thresholdsDb(CAPTURE_CROCE_2018);

function thresholdsOf(table: readonly Float64Array[], spreadingFactor: number): Float64Array {
  return table[spreadingFactor] ?? table[0] ?? new Float64Array(SPREADING_FACTORS);
}
