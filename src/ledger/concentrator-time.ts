/**
 * How late did a datagram arrive? A packet's concentrator counter says when it was heard, to the microsecond, by a
 * clock that runs evenly; arrival says it with the delay of the path on top. The least delayed packets show where
 * the two clocks stand to each other; what arrives clearly behind that was held up on the way, and is dated back.
 * Otherwise a frame that one gateway's back-haul delivers seconds late would pass for a repeat, or for a frame out
 * of order.
 */
import { type CounterReading, continues, counterDelayUs, restartedBetween, wrapUs } from "../radio/clock.ts";

/** What is known of one gateway's counter against arrival. Plain data. */
export interface PathClock {
  /** Arrival minus counter (unwrapped) of the least delayed packets, microseconds. */
  offsetUs: number;
  /** The newest reading, the counter unwrapped. */
  counterUs: number;
  atUs: number;
  /** Packets in a row, or nearly, that fitted the offset: only a counter that proved even is believed. */
  trust: number;
  /** Packets in a row that came late. */
  late: number;
}

/** Spread of arrival that is no lateness. Chosen: far above a healthy network's jitter, far below the grouping window. */
const JITTER_US = 300_000;
/** Packets that must have fitted before the counter may date anything. Chosen. */
const TRUST_NEEDED = 8;
/** No datagram is believed to be later than this; the counter has jumped instead. Common practice, no source. */
export const MAX_PATH_DELAY_US = 120_000_000;
/** So many late ones in a row are no lateness: the clocks stand otherwise now. Chosen. */
const MAX_LATE = 50;
/** The same count again after so long is no packet of the same moment on another antenna. Chosen. */
const STANDS_STILL_US = 1_000_000;
/** The two clocks may drift apart by this much; crystals are within 20 ppm each (common practice, no source). */
const DRIFT_PPM = 50;

export function newPathClock(reading: CounterReading): PathClock {
  const { tmstUs, atUs } = reading;
  return { offsetUs: atUs - tmstUs, counterUs: tmstUs, atUs, trust: 0, late: 0 };
}

/**
 * Follows one reading and gives its delay in microseconds; 0 unless it is clearly late and the counter is trusted.
 * Readings must come in the order of arrival; one that arrives before its predecessor is not judged.
 */
export function pathDelayUs(clock: PathClock, reading: CounterReading): number {
  const elapsedUs = reading.atUs - clock.atUs;
  if (elapsedUs < 0) return 0;
  if (elapsedUs >= STANDS_STILL_US && unwrapNear(reading.tmstUs, clock.counterUs) === clock.counterUs) {
    // The counter did not move: it stands still, and dates nothing.
    Object.assign(clock, newPathClock(reading));
    return 0;
  }
  const before = {
    tmstUs: counterDelayUs(0, clock.counterUs),
    atUs: clock.atUs,
  };
  if (unwrapNear(reading.tmstUs, clock.counterUs) < clock.counterUs && restartedBetween(before, reading)) {
    // It fell and is small: it began again. Within two minutes of a start that looks like a packet held up.
    Object.assign(clock, newPathClock(reading));
    return 0;
  }
  const counterUs = unwrapNear(reading.tmstUs, clock.counterUs + elapsedUs);
  const delayUs = reading.atUs - counterUs - clock.offsetUs;
  const driftUs = (elapsedUs * DRIFT_PPM) / 1_000_000;
  clock.atUs = reading.atUs;
  clock.counterUs = counterUs;
  if (delayUs < -JITTER_US - driftUs || delayUs > MAX_PATH_DELAY_US || clock.late >= MAX_LATE) {
    // The counter restarted, or one of the clocks was set: what was known no longer holds.
    Object.assign(clock, newPathClock(reading));
    return 0;
  }
  if (delayUs > JITTER_US + driftUs) {
    clock.late += 1;
    // Untrusted, the later stand of the clocks may as well be the true one.
    if (clock.trust < TRUST_NEEDED) Object.assign(clock, newPathClock(reading));
    return clock.trust < TRUST_NEEDED ? 0 : Math.round(delayUs);
  }
  clock.late = 0;
  clock.trust = Math.min(clock.trust + 1, TRUST_NEEDED);
  // The lower envelope: down at once, up no faster than the clocks can drift.
  clock.offsetUs += delayUs < 0 ? delayUs : Math.min(delayUs, driftUs);
  return 0;
}

/** The unwrapped counter with these low 32 bits that lies nearest to the expected one. */
function unwrapNear(tmstUs: number, expectedUs: number): number {
  return expectedUs + wrapUs(tmstUs - expectedUs);
}

// Do a gateway's packets bear one counter, one after another, or several in turn? A counter that restarts never
// comes back to its old count; two gateways under one identifier go back and forth between theirs.

export interface LineReading {
  readonly tmstUs: number;
  readonly atUs: number;
}

export interface CounterLines {
  readonly readings: number;
  /** Counters that were distinguished, each with three packets at least. */
  readonly lines: number;
  /** How often a packet bore a counter again that another one had followed. */
  readonly returns: number;
  /** Datagrams (moments of arrival) whose packets are older than a packet that came before. */
  readonly reordered: number;
}

interface Line {
  /** Arrival minus counter. */
  offsetUs: number;
  atUs: number;
  newestUs: number;
  count: number;
  /** How often it was left for an older one. */
  returnsFrom: number;
}

// As for a restart (clock.ts): jitter of the path, and both clocks.
const COUNTER_JITTER_US = 2_000_000;
const CLOCKS_PPM = 100;
/** A single packet that came very late is no counter of its own. Chosen. */
const MIN_ON_A_LINE = 3;
/** Packets wait up to one fetch (10 ms in the reference daemons) and leave in order; a step back beyond that was overtaken. */
const FETCH_US = 50_000;
/** A step back by more is an older capture that was read later. Chosen. */
const LATEST_US = 60_000_000;
/** Lines that are remembered: a stranger could invent a counter for each packet. */
const MAX_LINES = 64;

/** `readings` in order of arrival. */
export function counterLines(readings: readonly LineReading[]): CounterLines {
  const lines: Line[] = [];
  const gone: Line[] = [];
  const overtaken = new Set<number>();
  let current: Line | null = null;
  for (const { tmstUs, atUs } of readings) {
    let line: Line | null = lines.find((one) => fits(one, tmstUs, atUs)) ?? null;
    if (line === null) {
      line = { offsetUs: atUs - tmstUs, atUs, newestUs: tmstUs, count: 0, returnsFrom: 0 };
      lines.push(line);
      if (lines.length > MAX_LINES) gone.push(...lines.splice(0, 1));
    } else if (current !== null && line !== current) {
      current.returnsFrom += 1;
    }
    const stepUs = wrapUs(tmstUs - line.newestUs);
    if (stepUs < -FETCH_US && stepUs > -LATEST_US) overtaken.add(atUs);
    else line.newestUs = tmstUs;
    line.offsetUs = atUs - tmstUs;
    line.atUs = atUs;
    line.count += 1;
    current = line;
  }
  const real = [...gone, ...lines].filter(({ count }) => count >= MIN_ON_A_LINE);
  return {
    readings: readings.length,
    lines: real.length,
    returns: real.reduce((sum, one) => sum + one.returnsFrom, 0),
    reordered: overtaken.size,
  };
}

/** Counters that one gateway is remembered to have left. More boards than this share no identifier. Chosen. */
const MAX_LEFT = 4;

/**
 * Remembers the counters that a gateway's packets have left, so that a second board under the same identifier is not
 * taken for a restart at each change. `left` is changed in place, the newest first. True: `after` goes on with a counter
 * that was left before.
 */
export function returnsToLeft(
  left: CounterReading[],
  before: CounterReading,
  after: CounterReading,
): boolean {
  if (continues(before, after)) return false;
  const at = left.findIndex((one) => continues(one, after));
  if (at >= 0) left.splice(at, 1);
  left.unshift(before);
  left.splice(MAX_LEFT);
  return at >= 0;
}

/** The longest run of packets whose counter did not move while time went on; null when it always moved. */
export interface Standstill {
  readonly packets: number;
  readonly seconds: number;
  readonly tmstUs: number;
}

/** Packets at one count within this are one moment on several antennas or channels. Chosen. */
const MIN_STANDSTILL_US = 2_000_000;

/** `readings` in order of arrival. */
export function counterStandstill(readings: readonly LineReading[]): Standstill | null {
  let longest: Standstill | null = null;
  let from = 0;
  for (const [i, { tmstUs, atUs }] of readings.entries()) {
    const first = readings[from];
    if (first === undefined || first.tmstUs !== tmstUs) {
      from = i;
      continue;
    }
    const packets = i - from + 1;
    const isLonger = longest === null || packets > longest.packets;
    if (atUs - first.atUs >= MIN_STANDSTILL_US && isLonger)
      longest = { packets, seconds: (atUs - first.atUs) / 1e6, tmstUs };
  }
  return longest;
}

function fits(line: Line, tmstUs: number, atUs: number): boolean {
  const off = wrapUs(atUs - tmstUs - line.offsetUs);
  return Math.abs(off) <= COUNTER_JITTER_US + (Math.abs(atUs - line.atUs) * CLOCKS_PPM) / 1_000_000;
}
