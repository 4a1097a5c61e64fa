/** Is a packed day read hour by hour, where a window holds a part of it? */
import { expect, it } from "vitest";
import { frameCountsByLife, framesByLife } from "../../../src/store/hours/read-frames.ts";
import { packetHourRows } from "../../../src/store/hours/read-packets.ts";
import type { Store } from "../../../src/store/open.ts";
import { writeKeptRule } from "../../../src/store/settings.ts";
import { DAY_US, FIRST_MIDNIGHT_US, recordedDays, removeAll } from "../some-days.ts";

const HOUR_US = 3_600e6;
const FIRST_DAY_HOUR = (FIRST_MIDNIGHT_US + DAY_US) / HOUR_US;

const sorted = (numbers: Iterable<number>) => [...numbers].sort((a, b) => a - b);

function framesFrom(db: Store, fromHour: number, toHour: number) {
  const window = { fromUs: fromHour * HOUR_US, toUs: toHour * HOUR_US };
  const lives = framesByLife(db, window);
  return {
    times: sorted([...lives.values()].flatMap(({ atUs, length }) => [...atUs.subarray(0, length)])),
    counts: sorted(frameCountsByLife(db, window).values()),
  };
}

it("a window of some hours holds those of a packed day, and no others", () => {
  const { db, recorder } = recordedDays(4);
  const spans = [
    [FIRST_DAY_HOUR + 3, FIRST_DAY_HOUR + 5],
    [FIRST_DAY_HOUR + 23, FIRST_DAY_HOUR + 26],
    [FIRST_DAY_HOUR, FIRST_DAY_HOUR + 24],
    // Into the hours that are not packed.
    [FIRST_DAY_HOUR + 47, FIRST_DAY_HOUR + 50],
  ] as const;
  const before = spans.map(([from, to]) => framesFrom(db, from, to));
  // Three nodes each twenty minutes; one of them is silent by then, and one begins on the next day but one.
  expect(before[0]?.counts.reduce((sum, count) => sum + count, 0)).toBe(12);
  writeKeptRule(db, { maxAgeDays: 1, maxBytes: null });
  removeAll(recorder);
  expect(db.prepare("SELECT count(*) FROM frame_day").pluck().get()).toBe(3);
  expect(spans.map(([from, to]) => framesFrom(db, from, to))).toEqual(before);
  for (const [from, to] of spans)
    expect(packetHourRows(db, 1, from, to).map(({ hour }) => hour)).toEqual(
      Array.from({ length: to - from }, (_, i) => from + i),
    );
});
