/**
 * Which side is better, is there no difference that matters, or is it too early to say? And if so, how many more frames
 * would settle it?
 */

import type { PowerReadings } from "../../radio/noise.ts";
import { normalQuantile } from "../../statistics/distributions.ts";
import { holmAdjusted } from "../../statistics/proportions.ts";
import type { PresumedCommon } from "../../statistics/series.ts";
import type { Estimate } from "./node-effect.ts";

export type VerdictWord = "a" | "b" | "no difference" | "not enough";

/** Differences within these are no difference. Chosen: less than a careful person can repeat in the field. */
export interface EquivalenceLimits {
  readonly snrDb: number;
  /** Share of frames: 0.01 is one point. */
  readonly delivery: number;
}
export const LIMITS: EquivalenceLimits = { snrDb: 1, delivery: 0.01 };

/** a minus b; null where a difference could not be estimated at all. */
export interface Differences {
  readonly snr: Estimate | null;
  readonly delivery: Estimate | null;
}

/** Chance of a false "better". */
const LEVEL = 0.05;
/** And of a difference of delivery that overrules one of level to the other side. Chosen. */
const CONTRADICTING_LEVEL = 0.005;

/**
 * "No difference" when the intervals of both lie within the limits. Else the clearer difference decides when it would
 * stand out by itself among two (Holm's correction); where
 * the two contradict each other, delivery has the last word if it is clear.
 */
export function verdictOf({ snr, delivery }: Differences, limits: EquivalenceLimits = LIMITS): VerdictWord {
  if (delivery === null && snr === null) return "not enough";
  if (isWithin(snr, limits.snrDb) && isWithin(delivery, limits.delivery)) return "no difference";
  const [pSnr = null, pDelivery = null] = holmAdjusted([snr?.p ?? null, delivery?.p ?? null]);
  const bySnr = snr !== null && pSnr !== null && pSnr <= LEVEL ? sideOf(snr) : null;
  const byDelivery = delivery !== null && pDelivery !== null && pDelivery <= LEVEL ? sideOf(delivery) : null;
  // Frames that get through are what counts, but a slim chance does not outvote a clear difference in level.
  if (bySnr !== null && byDelivery !== null && bySnr !== byDelivery)
    return (pDelivery ?? 1) <= CONTRADICTING_LEVEL ? byDelivery : bySnr;
  return byDelivery ?? bySnr ?? "not enough";
}

/** The p by which a pair of sides takes its place among other pairs: of the clearer difference, allowing for both. */
export function clearerP({ snr, delivery }: Differences): number | null {
  const known = holmAdjusted([snr?.p ?? null, delivery?.p ?? null]).filter((p) => p !== null);
  return known.length === 0 ? null : Math.min(...known);
}

function isWithin(estimate: Estimate | null, limit: number): boolean {
  return estimate === null || (estimate.low > -limit && estimate.high < limit);
}

function sideOf({ estimate }: Estimate): "a" | "b" {
  return estimate > 0 ? "a" : "b";
}

/** The chance that the trial is settled when it has as many frames as are said to be needed. */
export const POWER = 0.8;

/**
 * Frames in all, had from the start, at which four of five trials like this one would be settled, taking what was found
 * as the truth: one of the differences stands out, or both lie within the limits. `frames`: those had so far; the
 * variance falls with their number, but for what nodes differ among themselves. Infinity when no number would do.
 */
export function framesInAll(
  frames: number,
  { snr, delivery }: Differences,
  limits: EquivalenceLimits = LIMITS,
): number {
  const measures = [
    { estimate: snr, limit: limits.snrDb },
    { estimate: delivery, limit: limits.delivery },
  ].flatMap(({ estimate, limit }) => (estimate === null ? [] : [{ estimate, limit }]));
  if (measures.length === 0) return Number.POSITIVE_INFINITY;
  const share = measures.map(({ estimate, limit }) => ({
    differs: framesFor(frames, estimate, Math.abs(estimate.estimate), clearZ(measures.length)),
    agrees: framesFor(frames, estimate, limit - lastingDifference(estimate), equalZ(estimate)),
  }));
  const differs = Math.min(...share.map((one) => one.differs));
  const agrees = Math.max(...share.map((one) => one.agrees));
  return Math.min(differs, agrees);
}

/** Size of a difference without what chance alone would make of none: the square of an estimate is too large by its variance. */
function lastingDifference({ estimate, variance }: Estimate): number {
  return Math.sqrt(Math.max(0, estimate * estimate - variance));
}

/** Standard errors by which a true difference must exceed 0. */
function clearZ(measures: number): number {
  return normalQuantile(1 - LEVEL / (2 * measures)) + normalQuantile(POWER);
}

/** And by which it must stay below the limit: about the middle, chance may carry it to either side. */
function equalZ(estimate: Estimate): number {
  const isCentral = lastingDifference(estimate) === 0;
  return normalQuantile(1 - LEVEL / 2) + normalQuantile(isCentral ? (1 + POWER) / 2 : POWER);
}

/** Frames at which `z` standard errors are no more than `room`. */
function framesFor(frames: number, { variance, lastingVariance }: Estimate, room: number, z: number): number {
  const allowed = room > 0 ? (room / z) ** 2 - lastingVariance : 0;
  return allowed > 0
    ? (frames * Math.max(0, variance - lastingVariance)) / allowed
    : Number.POSITIVE_INFINITY;
}

// What does a trial rest on? Counters by node, each with what either side read of it. Made by the view from what is
// stored, or by a simulation; judged by paired.ts and sequential.ts.

/** What one side read of a frame; the SNR in a bandwidth of 125 kHz, null where it is not reported (FSK). */
export type Reading = PowerReadings;

/** The modulation of a frame as far as a trial needs it. */
export interface Rate {
  /** `SF9BW125`. */
  readonly label: string;
  /** Demodulation floor, as an SNR in 125 kHz; null for anything but LoRa. */
  readonly floorDb: number | null;
}

/** One counter of a node: sent once or more, heard by either side or not. In order of time. */
export interface Sent {
  /** Microseconds since 1970; of a counter that nobody heard, where its rhythm puts it. */
  readonly atUs: number;
  readonly rate: Rate;
  /** null: nobody heard it. */
  readonly frequencyHz: number | null;
  /** null: that side did not hear it. */
  readonly a: Reading | null;
  readonly b: Reading | null;
}

export interface NodeEvidence {
  readonly devAddr: string;
  readonly name: string | null;
}

/** A node that both sides could hear at once. */
export interface PairedNode extends NodeEvidence {
  readonly sent: readonly Sent[];
}

export interface PairedEvidence {
  readonly nodes: readonly PairedNode[];
}

/** One counter as the moved side heard it or not, and as the control heard it. */
export interface SentOnce extends Omit<Sent, "a" | "b"> {
  readonly heard: Reading | null;
  /** What the gateway that stood still read; null: not heard, or there is none. */
  readonly control: Reading | null;
}

/** A node in both periods of a trial. */
export interface SequentialNode extends NodeEvidence {
  readonly a: readonly SentOnce[];
  readonly b: readonly SentOnce[];
  /** Moments at which the network may have changed the node's power (an accepted LinkADRReq). */
  readonly powerChangesUs: readonly number[];
}

export interface SequentialEvidence {
  readonly nodes: readonly SequentialNode[];
  /** Whether `control` readings mean anything. */
  readonly hasControl: boolean;
  /** What moves all nodes at once, where more is presumed of it than within a trial. */
  readonly common?: PresumedCommon;
}

/**
 * Above this SNR only "at least" is believed: concentrators stop rising at +10 to +14 dB (common practice, no source),
 * and bend before.
 */
export const SNR_CEILING_DB = 7;
/** A receiver whose weakest tenth lies this far above the floor loses nothing to the floor: the knee ends at +5 dB. */
export const CLEAR_OF_FLOOR_DB = 6;
