/** The standing fall of one node's row: what its frames in the window say, read no further than they are at hand. */
import type { StandingFall } from "../contract/link.ts";
import { FALL_LIMITS, standingFall } from "../diagnosis/link-changes.ts";
import { type LinkFrame, SATURATED_DB } from "../diagnosis/link-frame.ts";
import { intersect, totalUs, unite } from "../model/time-range.ts";
import { DAY_US, HOUR_US, mediansOfSeries, type TimedSeries } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import { type FrameSeries, NO_LEVEL } from "../store/hours/frame-series.ts";
import type { Reach } from "./reachability.ts";

/** Of a longer series the newest part is judged frame by frame, all of it by medians of its hours: a month of frames is too much work for a row of a list. */
const NEWEST_US = 2 * DAY_US;
/** So much before a moment is compared with what comes after it. Chosen. */
const BEFORE_US = 6 * HOUR_US;
const MIN_SLOTS_BEFORE = 2;
/** Values of the six that a level needs: one may lie beyond the slot. */
const MIN_VALUES = 5;
/** From a share of a quarter on the power judges; medians of hours may reach it a little earlier. */
const NEARLY_SATURATED_SHARE = 0.15;
/** With one of its gateways unheard for so much of the time since, the best level fell because of that. Chosen. */
const UNHEARD_SHARE = 1 / 3;

/** Where a fall may be found, and by how much the mean level went down there. */
export interface SuspectedFall {
  /** In the newest part, frame by frame. */
  readonly isRecent: boolean;
  /** In the medians of the hours of all of it. */
  readonly isOlder: boolean;
  readonly dropDb: number;
}

/**
 * Whether there may be a fall, cheaply, for hundreds of rows; null: there is none. From some moment on the mean level to the end
 * must lie below that of the hours before by two thirds of what counts, in SNR or RSSI.
 */
export function suspectedFall(frames: FrameSeries): SuspectedFall | null {
  const { length, atUs } = frames;
  const firstUs = atUs[0] ?? 0;
  const lastUs = atUs[length - 1] ?? 0;
  const isLong = lastUs - firstUs > NEWEST_US;
  const snr = levelsOf(frames, frames.snrTenths);
  const rssi = levelsOf(frames, frames.rssiTenths);
  const leastDb = (2 / 3) * FALL_LIMITS.leastDb;
  const drop = (part: (levels: TimedSeries) => TimedSeries, isHourly: boolean) => {
    const ofSnr = largestDrop(part(snr), isHourly, lastUs);
    return isTold(part(snr)) ? ofSnr : Math.max(ofSnr, largestDrop(part(rssi), isHourly, lastUs));
  };
  const recentDb = drop((levels) => (isLong ? since(levels, lastUs - NEWEST_US) : levels), false);
  const olderDb = isLong ? drop((levels) => levels, true) : 0;
  const dropDb = Math.max(recentDb, olderDb);
  return dropDb < leastDb ? null : { isRecent: recentDb >= leastDb, isOlder: olderDb >= leastDb, dropDb };
}

/** Whether the SNR alone tells of falls (levelSeries): there is one, and it does not saturate. */
function isTold({ values }: TimedSeries): boolean {
  let high = 0;
  for (const value of values) if (value > SATURATED_DB) high += 1;
  return values.length > 0 && high < NEARLY_SATURATED_SHARE * values.length;
}

/**
 * The fall, or null: none, or known by a gateway's absence. `gateways`: EUIs of those that heard the node; the level is
 * that of the best of them at each frame, so it falls when that one is out.
 */
export function fallOf(
  frames: FrameSeries,
  { isRecent, isOlder }: SuspectedFall,
  gateways: readonly string[],
  { reaches }: { readonly reaches: readonly Reach[] },
): StandingFall | null {
  const lastUs = frames.atUs[frames.length - 1] ?? 0;
  const fall =
    (isRecent ? standingFall(framesOf(frames, lastUs - NEWEST_US)) : null) ??
    (isOlder ? standingFall(hourlyFrames(frames)) : null);
  if (fall === null) return null;
  const heldSince = { fromUs: Date.parse(fall.notAfter) * 1000, toUs: lastUs };
  const isAbsence = reaches.some(
    (reach) =>
      gateways.includes(reach.gateway.eui) &&
      totalUs(intersect(unite([...reach.outages, ...reach.notRecorded]), [heldSince])) >
        UNHEARD_SHARE * (heldSince.toUs - heldSince.fromUs),
  );
  return isAbsence ? null : fall;
}

/**
 * By how much the level went down at some moment, at most: mean over some hours before it less that over as many hours
 * behind it, or over all to the end where that is less. Tried over 6 hours, over 12 and so on, for a slow fall.
 */
function largestDrop(levels: TimedSeries, isHourly: boolean, lastUs: number): number {
  const slotUs = isHourly ? HOUR_US : HOUR_US / 4;
  const slots = mediansOfSeries(levels, slotUs);
  const n = slots.length;
  const sums = new Float64Array(n + 1);
  for (const [i, { value }] of slots.entries()) sums[i + 1] = (sums[i] ?? 0) + value;
  const mean = (from: number, to: number) => ((sums[to] ?? 0) - (sums[from] ?? 0)) / (to - from);
  const count = levels.tUs.length;
  let before = 0;
  let most = 0;
  for (let cut = MIN_SLOTS_BEFORE; cut < n; cut++) {
    const atUs = slots[cut]?.tUs ?? lastUs;
    const beginUs = Math.floor(atUs / slotUs) * slotUs;
    while (before < count && (levels.tUs[before] ?? 0) < beginUs) before += 1;
    const [high, low] = isHourly ? [cut, n - cut] : [before, count - before];
    if (high < MIN_VALUES) continue;
    if (low < MIN_VALUES || lastUs - atUs <= FALL_LIMITS.leastHeldUs / 2) break;
    const rest = mean(cut, n);
    for (let reach = Math.ceil(BEFORE_US / slotUs); ; reach *= 2) {
      const level = mean(Math.max(0, cut - reach), cut);
      most = Math.max(most, level - Math.max(rest, mean(cut, Math.min(n, cut + reach))));
      if (reach >= Math.max(cut, n - cut)) break;
    }
  }
  return most;
}

/** The part from a moment on. */
function since({ tUs, values }: TimedSeries, fromUs: number): TimedSeries {
  let from = tUs.length;
  while (from > 0 && (tUs[from - 1] ?? 0) >= fromUs) from -= 1;
  return { tUs: tUs.subarray(from), values: values.subarray(from) };
}

/** In dB or dBm, without what was not reported. */
function levelsOf({ length, atUs }: FrameSeries, tenths: Int16Array): TimedSeries {
  const tUs = new Float64Array(length);
  const values = new Float64Array(length);
  let count = 0;
  for (let i = 0; i < length; i++) {
    const one = tenths[i] ?? NO_LEVEL;
    if (one === NO_LEVEL) continue;
    tUs[count] = atUs[i] ?? 0;
    values[count++] = one / 10;
  }
  return { tUs: tUs.subarray(0, count), values: values.subarray(0, count) };
}

function framesOf(frames: FrameSeries, fromUs: number): LinkFrame[] {
  const newest: LinkFrame[] = [];
  for (let i = 0; i < frames.length; i++) {
    const atUs = frames.atUs[i] ?? 0;
    if (atUs < fromUs) continue;
    const [snrDb, rssiDbm] = [levelOf(frames.snrTenths[i]), levelOf(frames.rssiTenths[i])];
    newest.push(frameOf(atUs, frames.counter[i] ?? 0, frames.dataRate[i] ?? 0, snrDb, rssiDbm));
  }
  return newest;
}

function levelOf(tenths: number | undefined): number | null {
  return tenths === undefined || tenths === NO_LEVEL ? null : tenths / 10;
}

/** One frame an hour: its medians, and the data rate of its middle frame. */
function hourlyFrames(frames: FrameSeries): LinkFrame[] {
  const hourly: LinkFrame[] = [];
  for (let from = 0; from < frames.length; ) {
    const hour = Math.floor((frames.atUs[from] ?? 0) / HOUR_US);
    let to = from + 1;
    while (to < frames.length && Math.floor((frames.atUs[to] ?? 0) / HOUR_US) === hour) to += 1;
    const middle = (from + to) >> 1;
    hourly.push(
      frameOf(
        frames.atUs[middle] ?? 0,
        frames.counter[middle] ?? 0,
        frames.dataRate[middle] ?? 0,
        medianLevel(frames.snrTenths.subarray(from, to)),
        medianLevel(frames.rssiTenths.subarray(from, to)),
      ),
    );
    from = to;
  }
  return hourly;
}

function medianLevel(tenths: Int16Array): number | null {
  const known = tenths.filter((one) => one !== NO_LEVEL).sort();
  const upper = known[known.length >> 1];
  if (upper === undefined) return null;
  return (known.length % 2 === 1 ? upper : (upper + (known[(known.length >> 1) - 1] ?? upper)) / 2) / 10;
}

function frameOf(
  atUs: number,
  counter: number,
  dataRate: number,
  snrDb: number | null,
  rssiDbm: number | null,
): LinkFrame {
  const modulation = modulationFromCodes(dataRate, 0);
  const isLora = modulation.kind === "lora";
  return {
    atUs,
    counter,
    spreadingFactor: isLora ? modulation.spreadingFactor : null,
    bandwidthHz: isLora ? modulation.bandwidthHz : null,
    frequencyHz: null,
    snrDb,
    rssiDbm,
    signalRssiDbm: null,
    frequencyOffsetHz: null,
  };
}
