/** The frames of all lives in a window: gathered hours as they are, the rest from the rows. */
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { framesInWindow, type HeardFrame } from "../queries/frames.ts";
import { prepared } from "../queries/statement.ts";
import { addFrameHour } from "./frame-columns.ts";
import { FrameSeries, NO_LEVEL } from "./frame-series.ts";
import { GATHERED_HOUR_US, windowParts } from "./gathered.ts";

/** By row id of the life, each in order of time. */
export function framesByLife(store: Store, window: TimeRange): Map<number, FrameSeries> {
  const lives = new Map<number, FrameSeries>();
  const seriesOf = (lifeId: number): FrameSeries => {
    let series = lives.get(lifeId);
    if (series === undefined) {
      series = new FrameSeries();
      lives.set(lifeId, series);
    }
    return series;
  };
  const { hours, rest } = windowParts(store, window);
  const hourRows = prepared(
    store,
    "SELECT hour, columns FROM frame_hour WHERE hour >= ? AND hour < ? ORDER BY hour",
  );
  const parts = [
    ...hours.map(({ from, to }) => ({
      fromUs: from * GATHERED_HOUR_US,
      add: () => {
        const rows = hourRows.iterate(from, to) as IterableIterator<{ hour: number; columns: Uint8Array }>;
        for (const { hour, columns } of rows) addFrameHour(columns, hour * GATHERED_HOUR_US, seriesOf);
      },
    })),
    ...rest.map((range) => ({
      fromUs: range.fromUs,
      add: () => {
        for (const frame of framesInWindow(store, range)) addFrame(seriesOf(frame.lifeId), frame);
      },
    })),
  ];
  for (const { add } of parts.sort((a, b) => a.fromUs - b.fromUs)) add();
  return lives;
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
