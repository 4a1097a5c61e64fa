/** How are differences written on the page? */
import type { Interval } from "../../../../src/contract/trials.ts";
import { figure, NOTHING, signedDb, THIN } from "../../format/format.ts";

export function decibels(value: number): string {
  return signedDb(value);
}

/** A share of frames as points: +4.1 points. */
export function points(value: number): string {
  const text = figure(value * 100, 1);
  return `${value > 0 && text !== "0.0" ? "+" : ""}${text}${THIN}points`;
}

/** "+2.9 dB (2.3 to 3.4)"; "–" where there is nothing to say. */
export function intervalWords({ estimate, low, high }: Interval, of: (value: number) => string): string {
  if (estimate === null) return NOTHING;
  const bare = (value: number) => of(value).replace(/^\+/, "").split(THIN)[0] ?? "";
  return low === null || high === null ? of(estimate) : `${of(estimate)} (${bare(low)} to ${bare(high)})`;
}
