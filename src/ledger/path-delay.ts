/**
 * How late did a datagram arrive? A packet's concentrator counter says when it was heard, to the microsecond, by a
 * clock that runs evenly; arrival says it with the delay of the path on top. The least delayed packets show where
 * the two clocks stand to each other; what arrives clearly behind that was held up on the way, and is dated back.
 * Otherwise a frame that one gateway's back-haul delivers seconds late would pass for a repeat, or for a frame out
 * of order.
 */
import { type CounterReading, restartedBetween } from "../radio/counter-clock.ts";

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

const WRAP_US = 4_294_967_296;
/** Spread of arrival that is no lateness. Chosen: far above a healthy network's jitter, far below the grouping window. */
const JITTER_US = 300_000;
/** Packets that must have fitted before the counter may date anything. Chosen. */
const TRUST_NEEDED = 8;
/** No datagram is believed to be later than this; the counter has jumped instead. Common practice, no source. */
export const MAX_PATH_DELAY_US = 120_000_000;
/** So many late ones in a row are no lateness: the clocks stand otherwise now. Chosen. */
const MOST_LATE = 50;
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
    tmstUs: clock.counterUs - WRAP_US * Math.floor(clock.counterUs / WRAP_US),
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
  if (delayUs < -JITTER_US - driftUs || delayUs > MAX_PATH_DELAY_US || clock.late >= MOST_LATE) {
    // The counter began anew, or one of the clocks was set: what was known no longer holds.
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
  return tmstUs + WRAP_US * Math.round((expectedUs - tmstUs) / WRAP_US);
}
