/**
 * How does a scenario tell time? Moments are offsets from the start of the run, written `h:mm:ss` or in seconds.
 */
import { z } from "zod";

/** `1:05:00` or 3900, as whole microseconds since the start of the run. */
export const Offset = z
  .union([
    z.number().min(0),
    z.string().regex(/^\d+:[0-5]\d:[0-5]\d$/, "a time is written h:mm:ss or in seconds"),
  ])
  .transform((value) => {
    if (typeof value === "number") return Math.round(value * 1e6);
    const [hours = 0, minutes = 0, seconds = 0] = value.split(":").map(Number);
    return (hours * 3600 + minutes * 60 + seconds) * 1e6;
  });

/** Which moment of the world is a moment of the run? Live, the run starts now and may go faster than it is written. */
export interface ScenarioClock {
  /** Microseconds since 1970 at which the run starts. */
  readonly startUs: number;
  /** How many seconds of the scenario pass in one second. */
  readonly speed: number;
}

/** Microseconds since 1970 of a moment of the run. */
export function worldUs(clock: ScenarioClock, atUs: number): number {
  return clock.startUs + Math.round(atUs / clock.speed);
}

/** A stretch of the run, half open, microseconds since its start. */
export interface TimeRange {
  readonly fromUs: number;
  readonly toUs: number;
}

/** Whether a moment lies in one of the stretches. */
export function isWithin(stretches: readonly TimeRange[], atUs: number): boolean {
  return stretches.some(({ fromUs, toUs }) => atUs >= fromUs && atUs < toUs);
}

/** Whole microseconds of seconds. */
export function seconds(value: number): number {
  return Math.round(value * 1e6);
}
