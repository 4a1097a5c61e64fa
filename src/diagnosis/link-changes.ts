/** When did the level of a link step, and was it the link rather than the data rate? */
import type { FrequencyOffsetFigure, LinkShift, LinkTrend, StandingFall } from "../contract/link.ts";
import { isoTime } from "../model/time-range.ts";
import {
  demodulationFloorDb,
  frequencyOffsetLimitHz,
  frequencyOffsetPpm,
  frequencyOffsetWarningHz,
} from "../radio/margin.ts";
import { intervalT } from "../statistics/distributions.ts";
import { levelShifts, SHIFT_RULE } from "../statistics/level-shifts.ts";
import { HOUR_US, median } from "../statistics/robust.ts";
import { effectiveCount, standardDeviation } from "../statistics/series.ts";
import type { DatedShift } from "../statistics/step-fit.ts";
import { MIN_MEDIANS, TREND_RULE, type Trend, trendOf } from "../statistics/trend.ts";
import {
  decibel,
  duration,
  figure,
  plural,
  probability,
  signedWithUnit,
  sizeInDb,
  withUnit,
} from "../words/format.ts";
import {
  type LevelMeasure,
  type LinkFrame,
  levelSeries,
  MEASURE_NAMES,
  marginOf,
  momentUtc,
  powerSeries,
  snrSeries,
} from "./link-frame.ts";

interface ShiftFindings {
  readonly shifts: readonly LinkShift[];
  readonly words: string;
}

/** Frames on each side whose data rate and levels are compared. */
const NEAR_FRAMES = 60;
/** Two measures that step within this time step together. */
const TOGETHER_US = 15 * 60e6;
/** With a median margin below this, frames lost at the floor hide a part of a fall (chosen, dB). */
const HIDDEN_BELOW_DB = 2.5;
/** A change that is longer than this is shown by begin and end. */
const SPELLED_US = 10 * 60e6;

/** `frames` in order of time, from before the window where there are any; steps before `fromUs` are left out. */
export function linkShifts(frames: readonly LinkFrame[], fromUs: number): ShiftFindings {
  const { measure, points } = levelSeries(frames);
  const found = levelShifts(points);
  const shifts = found.shifts.flatMap(
    (shift, i) => shiftRow(framesBeside(frames, found.shifts, i), shift, measure) ?? [],
  );
  if (measure === "signal-power") {
    // A strong link whose SNR falls although its power stays: the noise rose.
    const ofSnr = levelShifts(snrSeries(frames)).shifts;
    for (const [i, shift] of ofSnr.entries()) {
      const near = shifts.some((one) => Math.abs(Date.parse(one.at) * 1000 - shift.atUs) < TOGETHER_US);
      const row = near ? null : shiftRow(framesBeside(frames, ofSnr, i), shift, "snr");
      if (row !== null) shifts.push(row);
    }
    shifts.sort((a, b) => a.at.localeCompare(b.at));
  }
  const within = shifts.filter(({ at }) => Date.parse(at) * 1000 >= fromUs);
  const newest = within.at(-1);
  if (newest !== undefined) return { shifts: within, words: newest.sentence };
  return {
    shifts: within,
    words: found.enough
      ? `No step of ${SHIFT_RULE.leastSize}\u202FdB or more stands out from the wander of this link.`
      : "Not enough to say: a step needs half an hour of frames, six on each side.",
  };
}

/** The frames from the shift before to the one after: the levels beside a step reach no further. */
function framesBeside(
  frames: readonly LinkFrame[],
  shifts: readonly DatedShift[],
  index: number,
): readonly LinkFrame[] {
  const fromUs = shifts[index - 1]?.atUs ?? Number.NEGATIVE_INFINITY;
  const toUs = shifts[index + 1]?.atUs ?? Number.POSITIVE_INFINITY;
  return frames.filter(({ atUs }) => atUs >= fromUs && atUs <= toUs);
}

function shiftRow(frames: readonly LinkFrame[], shift: DatedShift, measure: LevelMeasure): LinkShift | null {
  const before = frames.filter(({ atUs }) => atUs <= shift.notBeforeUs).slice(-NEAR_FRAMES);
  const after = frames.filter(({ atUs }) => atUs >= shift.notAfterUs).slice(0, NEAR_FRAMES);
  const withDataRateChange = usualFactor(before) !== usualFactor(after);
  if (withDataRateChange && measure === "snr" && isSurvivors(before, after, shift.to - shift.from))
    return null;
  const marginFromDb = medianOf(before.map(marginOf));
  const marginToDb = medianOf(after.map(marginOf));
  const sizeDb = round(shift.to - shift.from);
  const lower = shift.to < shift.from ? marginToDb : marginFromDb;
  const atLeast = measure === "snr" && lower !== null && lower < HIDDEN_BELOW_DB;
  const row = {
    at: isoTime(shift.atUs),
    notBefore: isoTime(shift.notBeforeUs),
    notAfter: isoTime(shift.notAfterUs),
    measure,
    fromMedianDb: round(shift.from),
    toMedianDb: round(shift.to),
    sizeDb,
    sizeInterval95: sizeInterval(before, after, sizeDb, measure),
    atLeast,
    pValue: shift.p,
    marginFromDb,
    marginToDb,
    snrFromDb: medianOf(before.map(({ snrDb }) => snrDb)),
    snrToDb: medianOf(after.map(({ snrDb }) => snrDb)),
    withDataRateChange,
  };
  return { ...row, sentence: sentenceOf(row, shift, powerChange(before, after)) };
}

/** So much wider than that of a mean is the scatter of a median, of values about normal: √(π/2). */
const OF_MEDIAN = Math.sqrt(Math.PI / 2);

/**
 * 95 % interval of a size, after minus before: Student's, with the scatter of each side and as many values as those
 * are worth that do not follow from their neighbours. Null with fewer than three values on a side.
 */
function sizeInterval(
  before: readonly LinkFrame[],
  after: readonly LinkFrame[],
  sizeDb: number,
  measure: LevelMeasure,
): [number, number] | null {
  const sides = (measure === "snr" ? [before, after].map(snrSeries) : powerBeside(before, after)).map(
    (side) => side.map(({ value }) => value),
  );
  if (sides.some(({ length }) => length < 3)) return null;
  let power = 0;
  let worth = 0;
  for (const values of sides) {
    const count = effectiveCount(values);
    power += standardDeviation(values) ** 2 / count;
    worth += count;
  }
  const half = intervalT(0.95, Math.max(1, worth - 2)) * OF_MEDIAN * Math.sqrt(power);
  return [round(sizeDb - half), round(sizeDb + half)];
}

/** One source for both sides: never two figures mixed. */
function powerBeside(before: readonly LinkFrame[], after: readonly LinkFrame[]) {
  const power = powerSeries([...before, ...after]);
  const cut = after[0]?.atUs ?? Number.POSITIVE_INFINITY;
  return [power.filter(({ tUs }) => tUs < cut), power.filter(({ tUs }) => tUs >= cut)];
}

/**
 * After a change of data rate the frames that are heard were chosen by another floor. Judged above the higher of the
 * two floors only: does the step remain?
 */
function isSurvivors(before: readonly LinkFrame[], after: readonly LinkFrame[], size: number): boolean {
  const floors = [usualFactor(before), usualFactor(after)].map((factor) =>
    factor === null ? null : demodulationFloorDb(factor),
  );
  if (floors.some((floor) => floor === null)) return false;
  const least = Math.max(...floors.map((floor) => floor ?? 0)) + 1;
  const level = (frames: readonly LinkFrame[]) =>
    median(snrSeries(frames).map(({ value }) => Math.max(least, value))) ?? least;
  const change = level(after) - level(before);
  return Math.sign(change) !== Math.sign(size) || Math.abs(change) < SHIFT_RULE.leastSize;
}

function usualFactor(frames: readonly LinkFrame[]): number | null {
  const counts = new Map<number | null, number>();
  for (const { spreadingFactor } of frames)
    counts.set(spreadingFactor, (counts.get(spreadingFactor) ?? 0) + 1);
  let usual: number | null = null;
  let most = 0;
  for (const [factor, count] of counts)
    if (count > most) {
      usual = factor;
      most = count;
    }
  return usual;
}

function powerChange(before: readonly LinkFrame[], after: readonly LinkFrame[]): number | null {
  const [from, to] = powerBeside(before, after).map((side) => median(side.map(({ value }) => value)));
  return from == null || to == null ? null : to - from;
}

function sentenceOf(
  row: Pick<LinkShift, "measure" | "sizeDb" | "sizeInterval95" | "atLeast" | "withDataRateChange">,
  shift: DatedShift,
  powerDb: number | null,
): string {
  const verb = row.sizeDb < 0 ? "fell" : "rose";
  const name = MEASURE_NAMES[row.measure];
  const title = name.charAt(0).toUpperCase() + name.slice(1);
  const long = shift.notAfterUs - shift.notBeforeUs > SPELLED_US;
  const when = long
    ? `between ${momentUtc(shift.notBeforeUs)} and ${momentUtc(shift.notAfterUs)}`
    : `at about ${momentUtc(shift.atUs)}`;
  const because =
    row.measure === "snr" && row.sizeDb < 0 && powerDb !== null && Math.abs(powerDb) < -row.sizeDb / 3
      ? "; the signal's power stayed, so the noise rose"
      : "";
  const rate = row.withDataRateChange ? ", together with a change of data rate" : "";
  return `${title} ${verb} by ${sizeInDb(row)} ${when}${rate}${because}.`;
}

function medianOf(values: readonly (number | null)[]): number | null {
  const middle = median(values.filter((value): value is number => value !== null));
  return middle === null ? null : round(middle);
}

function round(value: number): number {
  return Math.round(value * 10) / 10;
}

// Does a link get better or worse, in plain words?

/**
 * Theil-Sen slope of hourly or daily medians with Mann-Kendall significance, widened for autocorrelation. `steps`: how
 * many level shifts were found: a step fools a slope, and is said first.
 */
export function linkTrend(frames: readonly LinkFrame[], steps: number): LinkTrend {
  const { measure, points } = levelSeries(frames);
  const trend = trendOf(points);
  const { slopePerDay, slopeLow, slopeHigh, p, spanDays } = trend;
  const shared = {
    measure,
    slopePerDay,
    interval95: slopeLow === null || slopeHigh === null ? null : ([slopeLow, slopeHigh] as [number, number]),
    p,
    points: trend.points,
    effectivePoints: trend.effectivePoints,
    spanDays,
  };
  const step = steps === 0 || trend.outcome !== "real" ? "" : STEP_WARNING;
  return { ...shared, verdict: verdictOf(trend), words: `${trendWords(trend)}${step}` };
}

const STEP_WARNING = " The level stepped in this window, and a step makes a slope.";

function verdictOf({ outcome, slopePerDay }: Trend): LinkTrend["verdict"] {
  if (outcome === "few" || outcome === "short") return "not enough";
  if (outcome !== "real") return "no trend";
  return (slopePerDay ?? 0) < 0 ? "falls" : "rises";
}

/** A trend of a level in dB by `TREND_RULE`, in a sentence: what it is, or what is missing. */
export function trendWords({ outcome, slopePerDay, spanDays, points, effectivePoints, p }: Trend): string {
  if (outcome === "few") {
    const slots = spanDays >= TREND_RULE.leastSpanDays ? "days" : "hours";
    return `Not enough to say: values on ${points} ${slots}, ${MIN_MEDIANS} are needed.`;
  }
  if (outcome === "short")
    return `Not enough to say: ${figure(spanDays, 1)} days are too short a span, ${TREND_RULE.leastSpanDays} are needed.`;
  const slope = slopePerDay ?? 0;
  const basis = `${plural(points, "median")} worth ${Math.round(effectivePoints ?? 0)}, p ${probability(p)}`;
  if (outcome === "real")
    return `${slope < 0 ? "Falls" : "Rises"} by ${withUnit(Math.abs(slope), 2, "dB")} a day (${basis}).`;
  const size = `${signedWithUnit(slope, 2, "dB")} a day`;
  if (outcome === "chance") return `No change beyond chance: ${size} (${basis}).`;
  const over = `${decibel(Math.abs(slope) * spanDays)} over the window, ${TREND_RULE.leastChange}\u202FdB count`;
  return `Beyond chance but small: ${size}, ${over} (${basis}).`;
}

// How far are the crystals of node and gateway apart, and does it grow?

/** A drift counts from 500 Hz over the window on (chosen: a TCXO moves less between seasons at 868 MHz). */
const OFFSET_RULE = { mostP: 0.01, leastChange: 500, leastSpanDays: 7 };

/** null when no frame has one: SX1301 forwarders give none. */
export function offsetOf(frames: readonly LinkFrame[]): FrequencyOffsetFigure | null {
  const offsets = frames.flatMap(({ atUs, frequencyOffsetHz, frequencyHz, bandwidthHz }) =>
    frequencyOffsetHz === null ? [] : [{ tUs: atUs, value: frequencyOffsetHz, frequencyHz, bandwidthHz }],
  );
  const medianHz = median(offsets.map(({ value }) => value));
  const last = offsets.at(-1);
  if (medianHz === null || last === undefined || last.bandwidthHz === null) return null;
  const carrierHz = median(offsets.flatMap(({ frequencyHz }) => (frequencyHz === null ? [] : [frequencyHz])));
  const limitHz = frequencyOffsetLimitHz(last.bandwidthHz);
  const away = Math.abs(medianHz);
  const standing =
    away >= limitHz ? "bad" : away >= frequencyOffsetWarningHz(last.bandwidthHz) ? "look" : "good";
  const ppm = carrierHz === null ? 0 : frequencyOffsetPpm(medianHz, carrierHz);
  const trend = trendOf(offsets, OFFSET_RULE);
  const drift =
    trend.outcome === "real" ? ` It drifts by ${withUnit(trend.slopePerDay ?? 0, 0, "Hz a day")}.` : "";
  const of = `${Math.round((away / limitHz) * 100)}\u202F% of the ${withUnit(limitHz / 1000, 1, "kHz")} at which 3\u202FdB are lost`;
  return {
    count: offsets.length,
    medianHz: Math.round(medianHz),
    ppm: Math.round(ppm * 100) / 100,
    limitHz,
    slopePerDayHz: trend.slopePerDay,
    standing,
    words: `${withUnit(medianHz, 0, "Hz")} (${withUnit(ppm, 2, "ppm")}), node and gateway together: ${of}.${drift}`,
  };
}

// Did a link fall and stay low to the end of what was heard: by how much, when, and since how long?

/** When a fall needs a look. Both chosen: less is within what weather and parked vehicles do in a day. */
export const FALL_LIMITS = { leastDb: 6, leastHeldUs: HOUR_US } as const;

/**
 * The newest step down that still holds at the last frame, or null. Found as every step of a link is (`linkShifts`);
 * of the limits' size at least, held for the limits' time at least, not taken back by later steps, and the last hour
 * lies nearer to the low level than to the high one. `frames` in order of time.
 */
export function standingFall(frames: readonly LinkFrame[]): StandingFall | null {
  const lastUs = frames.at(-1)?.atUs;
  if (lastUs === undefined) return null;
  const { shifts } = linkShifts(frames, Number.NEGATIVE_INFINITY);
  const shift = shifts.findLast((one) => one.sizeDb <= -FALL_LIMITS.leastDb);
  if (shift === undefined) return null;
  const heldUs = lastUs - Date.parse(shift.notAfter) * 1000;
  if (heldUs < FALL_LIMITS.leastHeldUs || isTakenBack(shift, shifts) || !isLow(frames, lastUs, shift))
    return null;
  const { at, notBefore, notAfter, measure, sizeDb, sizeInterval95, atLeast, withDataRateChange, sentence } =
    shift;
  return {
    at,
    notBefore,
    notAfter,
    measure,
    sizeDb,
    sizeInterval95,
    atLeast,
    withDataRateChange,
    heldSeconds: Math.round(heldUs / 1e6),
    sentence,
    clause: `${MEASURE_NAMES[measure]} fell by ${sizeInDb(shift)} and has stayed low for ${duration(heldUs / 1e6)}`,
  };
}

/** Whether later steps of the same measure brought the level back to within the limit of where it was. */
function isTakenBack(fall: LinkShift, shifts: readonly LinkShift[]): boolean {
  const last = shifts.findLast(({ measure }) => measure === fall.measure) ?? fall;
  return last.toMedianDb > fall.fromMedianDb - FALL_LIMITS.leastDb;
}

function isLow(frames: readonly LinkFrame[], lastUs: number, fall: LinkShift): boolean {
  const series = fall.measure === "snr" ? snrSeries(frames) : powerSeries(frames);
  const newest = series.filter(({ tUs }) => tUs >= lastUs - HOUR_US).map(({ value }) => value);
  const level = median(newest);
  return level !== null && level < (fall.fromMedianDb + fall.toMedianDb) / 2;
}
