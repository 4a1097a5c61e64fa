/**
 * Published formulas that Mastlog itself does not use: the check values of `tests/data/published/` and of files of your
 * own (MASTLOG_CHECK_VALUES) run them beside those that it does.
 */
import { TMST_PERIOD_US, tmstStepUs, wrapUs } from "../../src/radio/clock.ts";
import { SPEED_OF_LIGHT_M_PER_S } from "../../src/radio/geometry.ts";
import { demodulationFloorDb } from "../../src/radio/margin.ts";
import { thermalNoiseDbm } from "../../src/radio/noise.ts";
import { IntervalUnion } from "../../src/radio/occupancy.ts";
import { binomialCdf, type ProportionInterval } from "../../src/statistics/proportions.ts";
import { theilSen } from "../../src/statistics/theil-sen.ts";

// How many frames should be lost to collisions at a given load, if nodes send at random?
// Abramson 1970, Roberts 1975 (from memory). Assumes random starts, no capture, enough demodulators: LoRa does
// somewhat better, fleets with equal periods do much worse.

/** Carried load of pure ALOHA at an offered load in Erlang: G e^-2G; at most 1/(2e) = 0.184 at G = 0.5. */
export function pureAlohaThroughput(offeredErlang: number): number {
  return offeredErlang * Math.exp(-2 * offeredErlang);
}

/** Carried load of slotted ALOHA: G e^-G; at most 1/e = 0.368 at G = 1. */
export function slottedAlohaThroughput(offeredErlang: number): number {
  return offeredErlang * Math.exp(-offeredErlang);
}

/** Share of frames lost in pure ALOHA: 1 - e^-2G. */
export function pureAlohaLoss(offeredErlang: number): number {
  return -Math.expm1(-2 * offeredErlang);
}

/**
 * Offered load in Erlang that explains a share of collision-like failures: -ln(1 - c)/2; null for a share outside
 * 0 to below 1. Use only frames 5 dB above their floor: weak links and false detections fail too (derived).
 */
export function loadFromCollisionShare(share: number): number | null {
  return share >= 0 && share < 1 ? -Math.log1p(-share) / 2 : null;
}

/**
 * Sensitivity of an ideal receiver, dBm: noise plus demodulation floor; null for no LoRa spreading factor.
 * For explanation only: margins come from SNR, because a site's noise sets its real floor.
 */
export function sensitivityDbm(
  spreadingFactor: number,
  bandwidthHz: number,
  noiseFigureDb = 6,
): number | null {
  const floorDb = demodulationFloorDb(spreadingFactor);
  return floorDb === null ? null : thermalNoiseDbm(bandwidthHz, noiseFigureDb) + floorDb;
}

type HataEnvironment = "urban-small" | "urban-large" | "suburban" | "open";

interface HataInput {
  readonly distanceM: number;
  readonly frequencyHz: number;
  readonly baseHeightM: number;
  readonly mobileHeightM: number;
  readonly environment: HataEnvironment;
}

/**
 * Hata 1980: median loss in dB, and whether the question lies in the model's domain (150 to 1500 MHz, base 30 to 200 m,
 * mobile 1 to 10 m, 1 to 20 km). Most LoRa gateways sit below 30 m, outside it.
 */
export function hataLoss(input: HataInput): { readonly lossDb: number; readonly inDomain: boolean } {
  const mhz = input.frequencyHz / 1e6;
  const km = input.distanceM / 1000;
  const { baseHeightM: hb, mobileHeightM: hm } = input;
  const logF = Math.log10(mhz);
  const mobile =
    input.environment === "urban-large"
      ? 3.2 * Math.log10(11.75 * hm) ** 2 - 4.97
      : (1.1 * logF - 0.7) * hm - (1.56 * logF - 0.8);
  const urban =
    69.55 + 26.16 * logF - 13.82 * Math.log10(hb) - mobile + (44.9 - 6.55 * Math.log10(hb)) * Math.log10(km);
  let lossDb = urban;
  if (input.environment === "suburban") {
    lossDb = urban - 2 * Math.log10(mhz / 28) ** 2 - 5.4;
  } else if (input.environment === "open") {
    lossDb = urban - 4.78 * logF ** 2 + 18.33 * logF - 40.94;
  }
  const inDomain =
    mhz >= 150 && mhz <= 1500 && hb >= 30 && hb <= 200 && hm >= 1 && hm <= 10 && km >= 1 && km <= 20;
  return { lossDb, inDomain };
}

/** Radius of the n-th Fresnel zone at a point of the path, metres. ITU-R P.526 (from memory); 60 % of the first should be clear. */
export function fresnelRadiusM(
  distanceFromAM: number,
  distanceFromBM: number,
  frequencyHz: number,
  zone = 1,
): number {
  const wavelengthM = SPEED_OF_LIGHT_M_PER_S / frequencyHz;
  return Math.sqrt(
    (zone * wavelengthM * distanceFromAM * distanceFromBM) / (distanceFromAM + distanceFromBM),
  );
}

/** Total length of the intervals within the window, microseconds: offered load; overlaps count twice. */
export function sumUs(
  intervals: Iterable<Interval>,
  window: { readonly fromUs: number; readonly toUs: number },
): number {
  let total = 0;
  for (const { startUs, endUs } of intervals) {
    total += Math.max(0, Math.min(endUs, window.toUs) - Math.max(startUs, window.fromUs));
  }
  return total;
}

/** Length of the union of the intervals within the window, microseconds: occupancy; overlaps count once. */
export function unionUs(
  intervals: Iterable<Interval>,
  window: { readonly fromUs: number; readonly toUs: number },
): number {
  const clipped: Interval[] = [];
  for (const { startUs, endUs } of intervals) {
    clipped.push({ startUs: Math.max(startUs, window.fromUs), endUs: Math.min(endUs, window.toUs) });
  }
  // In order of time every addition costs a constant.
  clipped.sort((a, b) => a.startUs - b.startUs);
  const union = new IntervalUnion();
  for (const { startUs, endUs } of clipped) {
    union.add(startUs, endUs);
  }
  return union.totalUs;
}

/**
 * Counter values in order of arrival as one growing count. Small steps back are frames out of order, not wraps.
 * Only where neighbours lie less than 35 minutes apart; over longer gaps use `TmstClock`.
 */
export function unwrapTmst(values: readonly number[]): number[] {
  const out: number[] = [];
  let last: number | null = null;
  let extended = 0;
  for (const value of values) {
    extended = last === null ? value : extended + tmstStepUs(last, value);
    last = value;
    out.push(extended);
  }
  return out;
}

interface CounterMoment {
  readonly tmstUs: number;
  /** Receiver's clock at that moment, microseconds. */
  readonly atUs: number;
}

interface ContinuityTest {
  /** Counter step minus elapsed time, wrapped to half a period, microseconds. */
  readonly residualUs: number;
  readonly toleranceUs: number;
  /** False: the concentrator restarted in between. */
  readonly continuous: boolean;
  /** Chance that a restarted counter looks continuous. */
  readonly falseMatchProbability: number;
}

/**
 * Did the concentrator keep running across a gap? Continuous when counter and clock agree to 0.5 s plus 50 ppm of
 * the gap (common practice, no source).
 */
export function continuityAcross(before: CounterMoment, after: CounterMoment): ContinuityTest {
  const elapsedUs = after.atUs - before.atUs;
  const residualUs = wrapUs(after.tmstUs - before.tmstUs - elapsedUs);
  const toleranceUs = 500_000 + 50e-6 * Math.abs(elapsedUs);
  return {
    residualUs,
    toleranceUs,
    continuous: Math.abs(residualUs) <= toleranceUs,
    falseMatchProbability: falseMatchProbability(toleranceUs),
  };
}

/** Chance that a counter which restarted at random lies within a tolerance: twice the tolerance over the period. */
export function falseMatchProbability(toleranceUs: number): number {
  return Math.min(1, (2 * toleranceUs) / TMST_PERIOD_US);
}

/**
 * How much faster than the reference a counter runs, parts per million, by Theil-Sen; null with fewer than two
 * distinct moments. Positive: the concentrator runs fast, and reads every node's frequency too low.
 * Beyond 10 ppm suspect the host's clock or the unwrapping (SX1302 packet forwarder, timersync).
 */
export function clockDriftPpm(
  readings: readonly { readonly counterUs: number; readonly referenceUs: number }[],
): number | null {
  const base = readings[0];
  if (base === undefined) {
    return null;
  }
  // The difference is small and so keeps its digits; its slope is the drift itself.
  const slope = theilSen(
    readings.map((r) => ({
      x: r.referenceUs - base.referenceUs,
      y: r.counterUs - base.counterUs - (r.referenceUs - base.referenceUs),
    })),
  ).slope;
  return slope === null ? null : slope * 1e6;
}

/**
 * Clopper and Pearson's exact interval for a proportion: limits at which the observed count or a more extreme one has
 * probability (1 - confidence)/2. NIST/SEMATECH e-Handbook 7.2.4.1. Found by bisection to 1e-12.
 */
export function clopperPearsonInterval(
  successes: number,
  trials: number,
  confidence = 0.95,
): ProportionInterval {
  if (!(trials > 0) || successes < 0 || successes > trials) {
    return { ratio: null, low: 0, high: 1 };
  }
  const tail = (1 - confidence) / 2;
  const low = successes === 0 ? 0 : solve((p) => 1 - binomialCdf(successes - 1, trials, p) > tail);
  const high = successes === trials ? 1 : solve((p) => binomialCdf(successes, trials, p) < tail);
  return { ratio: successes / trials, low, high };
}

/** The p at which `above` turns from false to true. */
function solve(above: (p: number) => boolean): number {
  let low = 0;
  let high = 1;
  while (high - low > 1e-12) {
    const middle = (low + high) / 2;
    if (above(middle)) {
      high = middle;
    } else {
      low = middle;
    }
  }
  return (low + high) / 2;
}

/** Chance below which a silence counts. Common practice, no source. */
const SILENCE_ALPHA = 0.001;

/**
 * Misses in a row that chance would produce with probability below alpha, for a node that loses a share `lossRate` of
 * its frames anyway: ceil(ln alpha / ln p). 1 for a node that never loses; null when it loses everything.
 */
export function missesNeeded(lossRate: number, alpha = SILENCE_ALPHA): number | null {
  if (!(lossRate >= 0) || lossRate >= 1) {
    return null;
  }
  // The quotient of logarithms may exceed a whole number by a hair of rounding.
  return lossRate === 0 ? 1 : Math.max(1, Math.ceil(Math.log(alpha) / Math.log(lossRate) - 1e-12));
}

/** Frames that all nodes together should have sent before their common silence counts: -ln alpha (Poisson). */
export function pooledFramesNeeded(alpha = SILENCE_ALPHA): number {
  return -Math.log(alpha);
}

/**
 * `transmitting`: frames were sent and lost on the way. `silent`: none was sent. `restarted`: the counter restarted.
 * `mixed`: in between. `undecided`: no rhythm to compare with.
 */
type CounterVerdictWord = "transmitting" | "silent" | "restarted" | "mixed" | "undecided";

interface CounterVerdict {
  /** Frames that the rhythm lets expect within the gap. */
  readonly expected: number | null;
  /** Steps of the counter across the gap, a 16-bit wrap resolved; null after a restart. */
  readonly step: number | null;
  readonly verdict: CounterVerdictWord;
}

interface CounterGap {
  readonly gapUs: number;
  /** Median interval for one counter step. */
  readonly periodUs: number;
  /** Counters on either side of the gap, 0 to 65535. */
  readonly before: number;
  readonly after: number;
}

/**
 * A fall counts as a 16-bit wrap only when the wrapped step is at most twice the expected frames plus 10, else as a
 * restart. Derived; no published rule.
 */
export function counterVerdict(gap: CounterGap): CounterVerdict {
  if (!(gap.periodUs > 0) || !(gap.gapUs >= 0)) {
    return { expected: null, step: null, verdict: "undecided" };
  }
  const expected = Math.round(gap.gapUs / gap.periodUs);
  // LoRaWAN 1.0.x, 4.3.1.5: a frame carries the 16 low bits of the counter
  const wrapped = (((gap.after - gap.before) % 65_536) + 65_536) % 65_536;
  if (gap.after < gap.before && wrapped > 2 * expected + 10) {
    return { expected, step: null, verdict: "restarted" };
  }
  if (wrapped >= 0.5 * expected && wrapped >= 2) {
    return { expected, step: wrapped, verdict: "transmitting" };
  }
  return { expected, step: wrapped, verdict: wrapped <= 1 ? "silent" : "mixed" };
}

const HOUR_US = 3_600_000_000;

/**
 * Airtime of join-requests allowed: 36 s in the first hour, 36 s in the next 10 hours, then 8.7 s in every 24 hours.
 * LoRaWAN 1.0.x, retransmissions back-off; LoRaMac-node, RegionCommon.c.
 */
const JOIN_ENVELOPE = {
  firstHourUs: 36_000_000,
  nextTenHoursUs: 36_000_000,
  laterDayUs: 8_700_000,
} as const;

interface JoinRequestHeard {
  readonly atUs: number;
  readonly airtimeUs: number;
}

interface JoinEnvelopePhase {
  readonly phase: "first hour" | "next 10 hours" | "fullest later day";
  readonly airtimeUs: number;
  readonly limitUs: number;
  readonly within: boolean;
}

interface JoinEnvelopeResult {
  readonly phases: readonly JoinEnvelopePhase[];
  /** False: the node's stack is faulty, or its power fails again and again. Requests that nobody heard are missing. */
  readonly within: boolean;
}

/**
 * Compares heard join-requests of one DevEUI, in any order, with the envelope. The first request stands for power-up:
 * hand in one series of tries, from the first after a success or a long pause.
 */
export function joinEnvelope(requests: readonly JoinRequestHeard[]): JoinEnvelopeResult {
  const startUs = requests.reduce((least, r) => Math.min(least, r.atUs), Number.POSITIVE_INFINITY);
  let firstHour = 0;
  let nextTen = 0;
  const days = new Map<number, number>();
  for (const { atUs, airtimeUs } of requests) {
    const hours = (atUs - startUs) / HOUR_US;
    if (hours < 1) {
      firstHour += airtimeUs;
    } else if (hours < 11) {
      nextTen += airtimeUs;
    } else {
      const day = Math.floor((hours - 11) / 24);
      days.set(day, (days.get(day) ?? 0) + airtimeUs);
    }
  }
  const fullestDay = [...days.values()].reduce((a, b) => Math.max(a, b), 0);
  const phases: JoinEnvelopePhase[] = [
    phase("first hour", firstHour, JOIN_ENVELOPE.firstHourUs),
    phase("next 10 hours", nextTen, JOIN_ENVELOPE.nextTenHoursUs),
    phase("fullest later day", fullestDay, JOIN_ENVELOPE.laterDayUs),
  ];
  return { phases, within: phases.every((p) => p.within) };
}

function phase(name: JoinEnvelopePhase["phase"], airtimeUs: number, limitUs: number): JoinEnvelopePhase {
  return { phase: name, airtimeUs, limitUs, within: airtimeUs <= limitUs };
}

// Where does the level of a series change, if it does?

interface PettittResult {
  /** Largest |U_t|. */
  readonly k: number;
  /** Values before the change: the change lies after the t-th. */
  readonly t: number;
  /** Two-sided, approximate, rough below 30 values; null with fewer than 4. */
  readonly p: number | null;
}

/**
 * Pettitt's test for one change point: K = max |U_t|, p = 2 exp(-6K²/(n³+n²)). Pettitt, Applied Statistics 28 (1979)
 * 126-135. Void under autocorrelation: feed hourly or daily medians.
 * @param effectiveShare n_eff / n: scales the exponent for what autocorrelation remains; 1 for independent values.
 */
export function pettitt(values: readonly number[], effectiveShare = 1): PettittResult {
  const n = values.length;
  if (n < 4) {
    return { k: 0, t: 0, p: null };
  }
  // U_t = U_{t-1} + sum_j sgn(x_t - x_j); the sum is (values below) - (values above), read off the sorted list.
  const sorted = Float64Array.from(values).sort();
  let u = 0;
  let k = 0;
  let t = 0;
  for (let i = 0; i < n - 1; i += 1) {
    const value = values[i] ?? 0;
    const below = countWhere(sorted, (v) => v < value);
    const notAbove = countWhere(sorted, (v) => v <= value);
    u += below - (n - notAbove);
    if (Math.abs(u) > k) {
      k = Math.abs(u);
      t = i + 1;
    }
  }
  const p = Math.min(1, 2 * Math.exp((-6 * k * k * effectiveShare) / (n ** 3 + n ** 2)));
  return { k, t, p };
}

/** Length of the leading run of a sorted list for which the condition holds. */
function countWhere(sorted: Float64Array, holds: (value: number) => boolean): number {
  let low = 0;
  let high = sorted.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (holds(sorted[middle] ?? 0)) {
      low = middle + 1;
    } else {
      high = middle;
    }
  }
  return low;
}

/** Estimates of samples drawn with replacement (Efron and Tibshirani, An Introduction to the Bootstrap, 1993, chapter 6). */
export function bootstrapEstimates(
  values: readonly number[],
  of: (sample: readonly number[]) => number,
  replicates: number,
  random: () => number,
): number[] {
  return Array.from({ length: replicates }, () =>
    of(values.map(() => values[Math.floor(random() * values.length)] ?? 0)),
  );
}

/**
 * The least delayed reading of every minute: network delay only ever makes a packet late, so the minima carry the
 * clock. Feed them to `clockDriftPpm`.
 */
export function leastDelayedEachMinute(
  readings: readonly { readonly counterUs: number; readonly referenceUs: number }[],
): { readonly counterUs: number; readonly referenceUs: number }[] {
  const best = new Map<number, { readonly counterUs: number; readonly referenceUs: number }>();
  for (const reading of readings) {
    const minute = Math.floor(reading.referenceUs / 60_000_000);
    const kept = best.get(minute);
    if (kept === undefined || reading.referenceUs - reading.counterUs < kept.referenceUs - kept.counterUs) {
      best.set(minute, reading);
    }
  }
  return [...best.keys()].sort((a, b) => a - b).flatMap((minute) => best.get(minute) ?? []);
}

/** Half open: `fromUs` belongs to it, `toUs` does not. */
interface Interval {
  readonly startUs: number;
  readonly endUs: number;
}

// How many frames does a gateway hear that listens to a part of the channels?

/** Mean and standard deviation of heard frames among `frames`, each on a channel chosen independently. */
export function heardFrames(frames: number, share: number): { readonly mean: number; readonly sd: number } {
  return { mean: frames * share, sd: Math.sqrt(frames * share * (1 - share)) };
}
