/** The frames of all lives in a window: gathered hours as they are, the rest from the rows. */
import type { HeardCounter } from "../../ledger/gaps/gap-detector.ts";
import type { TimeRange } from "../../model/time-range.ts";
import { narrowedGateways } from "../narrowed.ts";
import type { Store } from "../open.ts";
import { frameCounts, framesInWindow, framesOfLives, type HeardFrame } from "../queries/frames.ts";
import { prepared } from "../queries/statement.ts";
import { addFrameHour, addHeardCounters, countFrameHour, isShared } from "./frame-columns.ts";
import { unpackFrameDay } from "./frame-days.ts";
import { FrameSeries, NO_LEVEL } from "./frame-series.ts";
import { GATHERED_HOUR_US, windowParts } from "./gathered.ts";
import { DAY_HOURS, type HourRow } from "./packed.ts";

/** By row id of the life, each in order of time. `lifeIds`: only of these. */
export function framesByLife(
  store: Store,
  window: TimeRange,
  lifeIds?: ReadonlySet<number>,
): Map<number, FrameSeries> {
  const lives = new Map<number, FrameSeries>();
  const seriesOf = (lifeId: number): FrameSeries | undefined => {
    if (lifeIds?.has(lifeId) === false) return undefined;
    let series = lives.get(lifeId);
    if (series === undefined) {
      series = new FrameSeries();
      lives.set(lifeId, series);
    }
    return series;
  };
  goThrough(
    store,
    window,
    (columns, hourUs, only) => addFrameHour(columns, hourUs, only, seriesOf),
    (range) => {
      const frames =
        lifeIds === undefined ? framesInWindow(store, range) : framesOfLives(store, [...lifeIds], range);
      for (const frame of frames) {
        const series = seriesOf(frame.lifeId);
        if (series !== undefined) addFrame(series, frame);
      }
    },
  );
  return lives;
}

/**
 * The counters of some lives that were heard first within a window and lie above one of each, in the order of the counters.
 * `above`: that counter by row id of the life.
 */
export function heardCountersByLife(
  store: Store,
  window: TimeRange,
  above: ReadonlyMap<number, number>,
): Map<number, HeardCounter[]> {
  const lives = new Map<number, HeardCounter[]>();
  const add = (lifeId: number, heard: HeardCounter) => {
    const own = lives.get(lifeId);
    if (own === undefined) lives.set(lifeId, [heard]);
    else own.push(heard);
  };
  const aboveOf = (lifeId: number) => above.get(lifeId) ?? null;
  goThrough(
    store,
    window,
    (columns, hourUs, only) => addHeardCounters(columns, hourUs, only, aboveOf, add),
    (range) => {
      for (const { lifeId, repeat, counter, atUs, gatewayIds } of framesInWindow(store, range))
        if (repeat === 0 && counter > (aboveOf(lifeId) ?? Number.POSITIVE_INFINITY))
          add(lifeId, { counter, atUs, gatewayIds });
    },
  );
  for (const own of lives.values()) own.sort((a, b) => a.counter - b.counter || a.atUs - b.atUs);
  return lives;
}

/** Goes through a window in order of time: its gathered hours, and the rest by its rows. */
function goThrough(
  store: Store,
  window: TimeRange,
  addHour: (columns: Uint8Array, hourUs: number, only: ReadonlySet<number> | null) => void,
  addRows: (range: TimeRange) => void,
): void {
  const { hours, rest } = windowParts(store, window);
  const only = narrowedGateways(store);
  const parts = [
    ...hours.map(({ from, to }) => ({
      fromUs: from * GATHERED_HOUR_US,
      add: () => {
        for (const { hour, columns } of hourRows(store, from, to))
          if (only !== null && isShared(columns, only)) addRows(hourRange(hour));
          else addHour(columns, hour * GATHERED_HOUR_US, only);
      },
    })),
    ...rest.map((range) => ({ fromUs: range.fromUs, add: () => addRows(range) })),
  ];
  for (const { add } of parts.sort((a, b) => a.fromUs - b.fromUs)) add();
}

/** How many frames of each life a window holds, by its row id. */
export function frameCountsByLife(store: Store, window: TimeRange): Map<number, number> {
  const counts = new Map<number, number>();
  const add = (lifeId: number, frames: number) => counts.set(lifeId, (counts.get(lifeId) ?? 0) + frames);
  const { hours, rest } = windowParts(store, window);
  const only = narrowedGateways(store);
  const addRows = (range: TimeRange) => {
    for (const [lifeId, frames] of frameCounts(store, range)) add(lifeId, frames);
  };
  for (const { from, to } of hours)
    for (const { hour, columns } of hourRows(store, from, to))
      if (only !== null && isShared(columns, only)) addRows(hourRange(hour));
      else countFrameHour(columns, only, add);
  for (const range of rest) addRows(range);
  return counts;
}

function hourRange(hour: number): TimeRange {
  return { fromUs: hour * GATHERED_HOUR_US, toUs: (hour + 1) * GATHERED_HOUR_US };
}

/** In order: days are packed from the oldest on. */
function* hourRows(store: Store, from: number, to: number): Generator<HourRow> {
  const days = prepared(store, "SELECT columns FROM frame_day WHERE day >= ? AND day < ? ORDER BY day")
    .pluck()
    .iterate(Math.floor(from / DAY_HOURS), Math.ceil(to / DAY_HOURS)) as IterableIterator<Uint8Array>;
  for (const day of days)
    for (const row of unpackFrameDay(day)) if (row.hour >= from && row.hour < to) yield row;
  yield* prepared(
    store,
    "SELECT hour, columns FROM frame_hour WHERE hour >= ? AND hour < ? ORDER BY hour",
  ).iterate(from, to) as IterableIterator<HourRow>;
}

/** The frames of one life, in order of time, as a series. */
export function seriesOfFrames(frames: readonly HeardFrame[]): FrameSeries {
  const series = new FrameSeries();
  for (const frame of frames) addFrame(series, frame);
  return series;
}

function addFrame(series: FrameSeries, frame: HeardFrame): void {
  const { atUs, counter, repeat, dataRate, airtimeUs, snrTenths, rssiTenths, receptions } = frame;
  series.add(
    atUs,
    counter,
    repeat,
    dataRate,
    airtimeUs,
    snrTenths ?? NO_LEVEL,
    rssiTenths ?? NO_LEVEL,
    receptions,
  );
  for (const id of frame.gatewayIds) series.gatewayIds.add(id);
}
