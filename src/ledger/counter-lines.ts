/**
 * Do a gateway's packets bear one counter, one after another, or several in turn? A counter that begins anew never
 * comes back to its old count; two gateways under one identifier go back and forth between theirs.
 */
import { TMST_PERIOD_US } from "../radio/clock.ts";
import { type CounterReading, continues } from "../radio/counter-clock.ts";

export interface LineReading {
  readonly tmstUs: number;
  readonly atUs: number;
}

export interface CounterLines {
  readonly readings: number;
  /** Counters that were told apart, each with three packets at least. */
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

// As for a restart (counter-clock.ts): jitter of the path, and both clocks.
const JITTER_US = 2_000_000;
const CLOCKS_PPM = 100;
/** A single packet that came very late is no counter of its own. Chosen. */
const LEAST_ON_A_LINE = 3;
/** Packets wait up to one fetch (10 ms in the reference daemons) and leave in order; a step back beyond that was overtaken. */
const FETCH_US = 50_000;
/** A step back by more is an older capture that was read later. Chosen. */
const LATEST_US = 60_000_000;
/** Lines that are remembered: a stranger could invent a counter for each packet. */
const MOST_LINES = 64;

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
      if (lines.length > MOST_LINES) gone.push(...lines.splice(0, 1));
    } else if (current !== null && line !== current) {
      current.returnsFrom += 1;
    }
    const stepUs = wrap(tmstUs - line.newestUs);
    if (line.count > 0 && stepUs < -FETCH_US && stepUs > -LATEST_US) overtaken.add(atUs);
    else line.newestUs = tmstUs;
    line.offsetUs = atUs - tmstUs;
    line.atUs = atUs;
    line.count += 1;
    current = line;
  }
  const real = [...gone, ...lines].filter(({ count }) => count >= LEAST_ON_A_LINE);
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
  const off = wrap(atUs - tmstUs - line.offsetUs);
  return Math.abs(off) <= JITTER_US + (Math.abs(atUs - line.atUs) * CLOCKS_PPM) / 1_000_000;
}

function wrap(us: number): number {
  return us - TMST_PERIOD_US * Math.round(us / TMST_PERIOD_US);
}
