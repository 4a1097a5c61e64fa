/** Which dropouts begin at a mark that a person pinned? */
import type { DropoutRow, EpisodeRow, MarkAtBegin } from "../contract/gaps.ts";
import { beginsAtMark, type DropoutBegin, earliestMarkUs } from "../diagnosis/gap-sentences.ts";
import { isoTime } from "../model/time-range.ts";
import type { Store } from "../store/open.ts";
import { marksIn } from "../store/user-data.ts";

/** Marks that are looked through. */
const MAX_MARKS = 500;
const SLACK_US = 6 * 3_600_000_000;

/** The same rows, each with the mark at which it begins, or null. */
export function withMarks<Row extends DropoutRow | EpisodeRow>(store: Store, rows: readonly Row[]): Row[] {
  const begins = rows.map(beginOfRow);
  const fromUs = Math.min(...begins.map(earliestMarkUs));
  const toUs = Math.max(...begins.map((begin) => begin.toUs)) + SLACK_US;
  const marks = rows.length === 0 ? [] : marksIn(store, { fromUs, toUs }, MAX_MARKS);
  return rows.map((row, at) => {
    const begin = begins[at];
    const found = begin === undefined || marks.length === 0 ? null : beginsAtMark(begin, marks);
    const mark: MarkAtBegin | null =
      found === null ? null : { id: found.id, at: isoTime(found.atUs), text: found.text };
    return { ...row, mark };
  });
}

export function withMark(store: Store, row: DropoutRow): DropoutRow {
  return withMarks(store, [row])[0] ?? row;
}

function beginOfRow(row: DropoutRow | EpisodeRow): DropoutBegin {
  const common = {
    fromUs: Date.parse(row.from) * 1000,
    toUs: Date.parse(row.to) * 1000,
    gatewayEui: row.gateway,
  };
  if ("kind" in row) {
    const expected = Math.max(row.missedCounters, row.expectedByRhythm ?? 0);
    return { ...common, kind: row.kind, expected, devAddr: row.devAddr };
  }
  return {
    ...common,
    kind: "counters",
    expected: row.missedCounters / Math.max(1, row.nodes),
    devAddr: null,
  };
}
