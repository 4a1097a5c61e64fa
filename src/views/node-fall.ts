/** The standing fall of one node's row: what its frames in the window say, read no further than they are at hand. */
import type { StandingFall } from "../contract/link.ts";
import type { LinkFrame } from "../diagnosis/link-frame.ts";
import { FALL_LIMITS, standingFall } from "../diagnosis/standing-fall.ts";
import { intersect, totalUs, unite } from "../model/time-range.ts";
import { DAY_US, HOUR_US, mediansOfSeries } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import { type FrameSeries, NO_LEVEL } from "../store/hours/frame-series.ts";
import type { Reach } from "./reachability.ts";

/** Of a longer series the newest part is judged frame by frame, all of it by medians of its hours: a month of frames is too much work for a row of a list. */
const NEWEST_US = 2 * DAY_US;
/** So much before a moment is compared with what comes after it. Chosen. */
const BEFORE_US = 6 * HOUR_US;
const MIN_SLOTS_BEFORE = 2;
/** With one of its gateways unheard for so much of the time since, the best level fell because of that. Chosen. */
const UNHEARD_SHARE = 1 / 3;

/**
 * The fall, or null: none, or told by a gateway's absence. `gateways`: EUIs of those that heard the node; the level is
 * that of the best of them at each frame, so it falls when that one is out.
 */
export function fallOf(
  frames: FrameSeries,
  gateways: readonly string[],
  { reaches }: { readonly reaches: readonly Reach[] },
): StandingFall | null {
  if (!mayHaveFallen(frames)) return null;
  const { length, atUs } = frames;
  const firstUs = atUs[0] ?? 0;
  const lastUs = atUs[length - 1] ?? 0;
  const fall =
    standingFall(framesOf(frames, lastUs - NEWEST_US)) ??
    (lastUs - firstUs > NEWEST_US ? standingFall(hourlyFrames(frames)) : null);
  if (fall === null) return null;
  const since = { fromUs: Date.parse(fall.notAfter) * 1000, toUs: lastUs };
  const isAbsence = reaches.some(
    (reach) =>
      gateways.includes(reach.gateway.eui) &&
      totalUs(intersect(unite([...reach.outages, ...reach.notRecorded]), [since])) >
        UNHEARD_SHARE * (since.toUs - since.fromUs),
  );
  return isAbsence ? null : fall;
}

/**
 * Whether there may be one, cheaply, for hundreds of rows: from some moment on the mean level to the end must lie below
 * that of the hours before by two thirds of what counts, in SNR or RSSI.
 */
function mayHaveFallen(frames: FrameSeries): boolean {
  const lastUs = frames.atUs[frames.length - 1] ?? 0;
  const spanUs = lastUs - (frames.atUs[0] ?? 0);
  const slotUs = spanUs > NEWEST_US ? HOUR_US : HOUR_US / 4;
  const leastDb = (2 / 3) * FALL_LIMITS.leastDb;
  return [frames.snrTenths, frames.rssiTenths].some((tenths) => {
    const slots = mediansOfSeries(levelsOf(frames, tenths), slotUs);
    const sums = [0];
    for (const { value } of slots) sums.push((sums.at(-1) ?? 0) + value);
    const mean = (from: number, to: number) => ((sums[to] ?? 0) - (sums[from] ?? 0)) / (to - from);
    const reach = Math.ceil(BEFORE_US / slotUs);
    return slots.some(
      ({ tUs }, cut) =>
        cut >= MIN_SLOTS_BEFORE &&
        lastUs - tUs > FALL_LIMITS.leastHeldUs / 2 &&
        mean(Math.max(0, cut - reach), cut) - mean(cut, slots.length) >= leastDb,
    );
  });
}

/** In dB or dBm, without what was not reported. */
function levelsOf({ length, atUs }: FrameSeries, tenths: Int16Array) {
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
  const told = tenths.filter((one) => one !== NO_LEVEL).sort();
  const upper = told[told.length >> 1];
  if (upper === undefined) return null;
  return (told.length % 2 === 1 ? upper : (upper + (told[(told.length >> 1) - 1] ?? upper)) / 2) / 10;
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
