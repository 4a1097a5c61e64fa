/**
 * How fast does a concentrator's counter run against a clock that is known, and how sure is that? Arrival carries the
 * delay of the path, which only ever makes a packet late: the least delayed packet of each block of packets carries the
 * clock. Where a gateway dates its packets by GPS, its own time is better by orders of magnitude and is taken instead.
 * A restart sets the counter back but leaves its crystal alone: the stretches between restarts share one slope.
 */

import { mad, median } from "../statistics/robust.ts";
import { type Point, pooledTheilSen } from "../statistics/theil-sen.ts";
import { wrapUs } from "./clock.ts";

export interface DriftReading {
  /** The counter as it came, 32 bits. */
  readonly tmstUs: number;
  /** Arrival on the capturing clock. */
  readonly atUs: number;
  /** The gateway's own time of the packet, where it gave one. */
  readonly gatewayTimeUs: number | null;
}

export interface CounterDrift {
  /** Parts per million, positive: the counter runs fast. Null when it cannot be known closely enough. */
  readonly ppm: number | null;
  /** 95 % interval; null with fewer than eight blocks. */
  readonly lowPpm: number | null;
  readonly highPpm: number | null;
  /** What it was held against. */
  readonly against: "arrival" | "gateway-time";
  readonly readings: number;
  /** Sum of the stretches, restarts left out. */
  readonly spanSeconds: number;
}

/** Blocks in all, each of equally many packets. Chosen: enough for an interval, few enough to leave each a prompt packet. */
const BLOCKS = 48;
/** Fewer points than this give no interval worth its name. Chosen. */
const MIN_BLOCKS = 8;
/** An interval wider than this on either side tells nothing about a crystal of some ppm. Chosen. */
const WIDEST_HALF_PPM = 5;
/** A drift so many times its half interval is beyond doubt, however wide that is. Chosen. */
const PLAIN_TIMES = 10;
/** The gateway's time is believed within this distance of arrival. Common practice, no source. */
const SANE_OFFSET_US = 5_000_000;
/** Time that the daemon computes from the counter scatters by microseconds; a host's clock read in passing, by milliseconds. */
const MAX_SCATTER_US = 100;
const MAX_POINTS = 240;

/** `stretches`: the readings between two restarts each, in order of arrival. */
export function counterDrift(stretches: readonly (readonly DriftReading[])[]): CounterDrift {
  const byArrival = againstArrival(stretches);
  return againstGatewayTime(stretches) ?? byArrival;
}

/** Half the interval's width; null without one. */
export function halfWidthPpm({ lowPpm, highPpm }: CounterDrift): number | null {
  return lowPpm === null || highPpm === null ? null : (highPpm - lowPpm) / 2;
}

/**
 * Seconds of the same traffic that would narrow the interval to ± `wantedPpm`, those that passed included; null when
 * nothing is known yet. The error of a slope falls with the span to the power of 3/2.
 */
export function secondsNeeded(drift: CounterDrift, wantedPpm: number): number | null {
  const half = halfWidthPpm(drift);
  if (half === null) return null;
  return drift.spanSeconds * Math.max(1, half / wantedPpm) ** (2 / 3);
}

function againstArrival(stretches: readonly (readonly DriftReading[])[]): CounterDrift {
  const series = stretches.map((readings) => pointsOf(readings, ({ atUs }) => atUs));
  const total = series.reduce((sum, points) => sum + points.length, 0);
  const size = Math.max(1, Math.ceil(total / BLOCKS));
  // Within a block the least delayed packet is the one that stands highest above the line: the line must be known a little.
  let slope = 0;
  let prompt: Point[][] = [];
  for (let round = 0; round < 3; round += 1) {
    prompt = series.map((points) => mostPrompt(points, size, slope));
    const fit = pooledTheilSen(prompt);
    if (fit === null) break;
    slope = fit.slope;
  }
  return conclude(prompt, series, "arrival");
}

function againstGatewayTime(stretches: readonly (readonly DriftReading[])[]): CounterDrift | null {
  const dated = stretches.map((readings) =>
    readings.filter(
      ({ gatewayTimeUs, atUs }) => gatewayTimeUs !== null && Math.abs(gatewayTimeUs - atUs) <= SANE_OFFSET_US,
    ),
  );
  const series = dated.map((readings) => pointsOf(readings, ({ gatewayTimeUs }) => gatewayTimeUs ?? 0));
  const total = series.reduce((sum, points) => sum + points.length, 0);
  if (total < MIN_BLOCKS) return null;
  const every = Math.max(1, Math.ceil(total / MAX_POINTS));
  const thinned = series.map((points) => points.filter((_, i) => i % every === 0));
  const fit = pooledTheilSen(thinned);
  if (fit === null) return null;
  const scatter = thinned.flatMap((points) => {
    const rests = points.map(({ x, y }) => y - fit.slope * x);
    const middle = median(rests) ?? 0;
    return rests.map((rest) => rest - middle);
  });
  if ((mad(scatter) ?? Number.POSITIVE_INFINITY) > MAX_SCATTER_US) return null;
  const drift = conclude(thinned, series, "gateway-time");
  return drift.ppm === null ? null : drift;
}

function conclude(
  chosen: readonly (readonly Point[])[],
  series: readonly (readonly Point[])[],
  against: CounterDrift["against"],
): CounterDrift {
  const spanUs = series.reduce((sum, points) => sum + (points.at(-1)?.x ?? 0) - (points[0]?.x ?? 0), 0);
  const facts = {
    against,
    readings: series.reduce((sum, points) => sum + points.length, 0),
    spanSeconds: spanUs / 1e6,
  };
  const points = chosen.reduce((sum, one) => sum + one.length, 0);
  const fit = points < MIN_BLOCKS ? null : pooledTheilSen(chosen);
  if (fit === null) return { ppm: null, lowPpm: null, highPpm: null, ...facts };
  const [lowPpm, highPpm] = [fit.low * 1e6, fit.high * 1e6];
  const half = (highPpm - lowPpm) / 2;
  const isClose = half <= WIDEST_HALF_PPM || Math.abs(fit.slope * 1e6) >= PLAIN_TIMES * half;
  return { ppm: isClose ? fit.slope * 1e6 : null, lowPpm, highPpm, ...facts };
}

/** x: the reference since the first reading; y: what the counter gained on it. The reference says how often it wrapped. */
function pointsOf(
  readings: readonly DriftReading[],
  referenceUs: (reading: DriftReading) => number,
): Point[] {
  const first = readings[0];
  if (first === undefined) return [];
  const points = readings.map((reading) => {
    const x = referenceUs(reading) - referenceUs(first);
    const gained = reading.tmstUs - first.tmstUs - x;
    return { x, y: wrapUs(gained) };
  });
  return points.sort((a, b) => a.x - b.x);
}

function mostPrompt(points: readonly Point[], size: number, slope: number): Point[] {
  const best: Point[] = [];
  for (let from = 0; from < points.length; from += size) {
    const block = points.slice(from, from + size);
    best.push(block.reduce((a, b) => (b.y - slope * b.x > a.y - slope * a.x ? b : a)));
  }
  return best;
}
