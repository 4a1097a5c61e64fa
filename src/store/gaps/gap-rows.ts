/** How is a dropout named, and how far around it does its evidence reach? */
import { formatDevAddr } from "../../model/identifiers.ts";
import type { TimeRange } from "../../model/time-range.ts";

/** What found it; with the life and its beginning it names a dropout. */
export type Tag = "run" | "episode" | "end" | "shared";

const MARKS: Readonly<Record<Tag, string>> = { run: "r", episode: "e", end: "x", shared: "s" };

/** "01A2B3C4-1-1773478800000-r": the same however often everything is derived anew. */
export function gapId(devAddr: number, life: number, fromUs: number, tag: Tag): string {
  return `${formatDevAddr(devAddr)}-${life}-${Math.round(fromUs / 1000)}-${MARKS[tag]}`;
}

const HOUR_US = 3_600_000_000;
const DAY_US = 24 * HOUR_US;
/** Intervals of the node's rhythm looked at before and after. Chosen: enough for a tenth percentile. */
const INTERVALS_BEFORE = 60;
const INTERVALS_AFTER = 8;

/** What was before is looked at for between six hours (a trouble may have begun some time before it cost a frame) and a day, what came after for between one hour (a join loop needs that to show) and two. */
export function contextOf({
  fromUs,
  toUs,
  rhythmUs,
}: {
  readonly fromUs: number;
  readonly toUs: number;
  readonly rhythmUs: number | null;
}): TimeRange {
  const rhythm = rhythmUs ?? 600_000_000;
  return {
    fromUs: fromUs - Math.round(Math.min(DAY_US, Math.max(6 * HOUR_US, INTERVALS_BEFORE * rhythm))),
    toUs: toUs + Math.round(Math.min(2 * HOUR_US, Math.max(HOUR_US, INTERVALS_AFTER * rhythm))),
  };
}
