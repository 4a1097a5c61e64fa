/** Which hours of a window were gathered, and what of it is to be read from the rows? */
import { subtract, type TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { prepared } from "../queries/statement.ts";

export const GATHERED_HOUR_US = 3_600_000_000;

export interface WindowParts {
  /** Whole hours that were gathered, in order: from the first on, up to the one before the second. */
  readonly hours: readonly { readonly from: number; readonly to: number }[];
  /** All else of the window, in order. */
  readonly rest: readonly TimeRange[];
}

export function windowParts(store: Store, window: TimeRange): WindowParts {
  const closedToUs = prepared(store, "SELECT closed_to_us FROM hour_progress WHERE id = 1")
    .pluck()
    .get() as number;
  const from = Math.ceil(window.fromUs / GATHERED_HOUR_US);
  const to = Math.floor(Math.min(window.toUs, closedToUs) / GATHERED_HOUR_US);
  if (from >= to) return { hours: [], rest: [window] };
  const due = prepared(store, "SELECT hour FROM hour_due WHERE hour >= ? AND hour < ? ORDER BY hour")
    .pluck()
    .all(from, to) as number[];
  const hours: { from: number; to: number }[] = [];
  let begin = from;
  for (const hour of [...due, to]) {
    if (hour > begin) hours.push({ from: begin, to: hour });
    begin = hour + 1;
  }
  const gathered = hours.map((part) => ({
    fromUs: part.from * GATHERED_HOUR_US,
    toUs: part.to * GATHERED_HOUR_US,
  }));
  return { hours, rest: subtract([window], gathered) };
}
