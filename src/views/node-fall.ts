/** The standing fall of one node's row: what its frames in the window say, read no further than they are at hand. */
import type { StandingFall } from "../contract/link.ts";
import type { LinkFrame } from "../diagnosis/link-frame.ts";
import { FALL_LIMITS, standingFall } from "../diagnosis/standing-fall.ts";
import { intersect, totalUs, unite } from "../model/time-range.ts";
import { DAY_US, HOUR_US, mediansOfSeries } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import { type FrameSeries, NO_LEVEL } from "../store/hours/frame-series.ts";
import type { Reach } from "./reachability.ts";

/** A longer series is judged by medians of its hours: a month of frames is too much work for a row of a list. */
const HOURLY_ABOVE_US = 2 * DAY_US;
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
  const fall = standingFall(lastUs - firstUs > HOURLY_ABOVE_US ? hourlyFrames(frames) : framesOf(frames));
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
 * Whether there may be one, cheaply, for hundreds of rows: the last hour must lie below the best hour by half of what
 * counts, in SNR or RSSI.
 */
function mayHaveFallen(frames: FrameSeries): boolean {
  return [frames.snrTenths, frames.rssiTenths].some((tenths) => {
    const hours = mediansOfSeries(levelsOf(frames, tenths), HOUR_US);
    let best = Number.NEGATIVE_INFINITY;
    for (const { value } of hours) best = Math.max(best, value);
    const last = Math.min(...hours.slice(-2).map(({ value }) => value));
    return best - last >= FALL_LIMITS.leastDb / 2;
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

function framesOf(frames: FrameSeries): LinkFrame[] {
  return Array.from({ length: frames.length }, (_, i) =>
    frameOf(
      frames.atUs[i] ?? 0,
      frames.counter[i] ?? 0,
      frames.dataRate[i] ?? 0,
      levelOf(frames.snrTenths[i]),
      levelOf(frames.rssiTenths[i]),
    ),
  );
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
