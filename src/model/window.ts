/**
 * Over which stretch of time is a question asked? Half open: `fromUs` belongs to it, `toUs` does not.
 */
export interface TimeWindow {
  /** Microseconds since 1970. */
  readonly fromUs: number;
  readonly toUs: number;
}

export const MINUTE_US = 60_000_000;

/** The whole minute, counted from 1970, in which a moment lies: the key of every roll-up. */
export function minuteOf(atUs: number): number {
  return Math.floor(atUs / MINUTE_US);
}

/** ISO 8601 in UTC with milliseconds, the form of every interface. */
export function isoTime(atUs: number): string {
  return new Date(atUs / 1000).toISOString();
}
