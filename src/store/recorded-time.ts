/**
 * When did Mastlog record? Reads the ranges in which the service listened or that captures cover. What is missing from
 * them was recorded by nobody: no loss, silence, outage or load follows from it.
 */
import { subtract, type TimeRange, unite } from "../model/time-range.ts";
import type { Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";
import { removedToUs } from "./retention.ts";

/** Rotated captures join over three times their mean distance between datagrams, but over no more than this. Chosen. */
const MAX_ROTATION_US = 60_000_000;
const ROTATION_SPACINGS = 3;

export interface RecordedRow extends TimeRange {
  readonly id: number;
  readonly source: "service" | "capture";
  readonly datagrams: number;
  readonly gatewayIds: ReadonlySet<number>;
}

/** What was recorded of one gateway, of several, or of any, in order of time. */
export class RecordedTime {
  /** Nothing later than this is known. */
  readonly untilUs: number;
  readonly #rows: readonly RecordedRow[];
  readonly #byGateway = new Map<number, readonly TimeRange[]>();
  #all: readonly TimeRange[] | null = null;

  constructor(rows: readonly RecordedRow[], untilUs = Number.MAX_SAFE_INTEGER) {
    this.#rows = rows;
    this.untilUs = untilUs;
  }

  /**
   * Returns what was recorded within a range: of these gateways (at least one of them), or of any gateway. The service
   * records a gateway from the range on in which it first heard it; a capture records the gateways that it holds,
   * and those of the captures that it goes on from.
   */
  ranges({ fromUs, toUs }: TimeRange, gatewayIds?: readonly number[]): TimeRange[] {
    return clip(this.#of(gatewayIds), fromUs, toUs);
  }

  /** Returns what was not recorded within a range. */
  missing(range: TimeRange, gatewayIds?: readonly number[]): TimeRange[] {
    return subtract([range], this.ranges(range, gatewayIds));
  }

  #of(gatewayIds: readonly number[] | undefined): readonly TimeRange[] {
    if (gatewayIds === undefined) {
      this.#all ??= unite([...serviceRanges(this.#rows), ...chains(this.#rows)]);
      return this.#all;
    }
    const [only, ...others] = gatewayIds;
    if (only === undefined) return [];
    if (others.length === 0) return this.#ofOne(only);
    return unite(gatewayIds.flatMap((id) => this.#ofOne(id)));
  }

  #ofOne(gatewayId: number): readonly TimeRange[] {
    const known = this.#byGateway.get(gatewayId);
    if (known !== undefined) return known;
    const service = this.#rows.filter(({ source }) => source === "service");
    const firstUs = service.find(({ gatewayIds }) => gatewayIds.has(gatewayId))?.fromUs;
    const ranges = unite([
      ...(firstUs === undefined ? [] : serviceRanges(service.filter(({ toUs }) => toUs >= firstUs))),
      ...chains(this.#rows).filter(({ gatewayIds }) => gatewayIds.has(gatewayId)),
    ]);
    this.#byGateway.set(gatewayId, ranges);
    return ranges;
  }
}

/**
 * Reads all recorded ranges. `openRowId`: the range that this process still extends; it counts as endless. `untilUs`: as
 * they were then; a capture that goes on later ends with the last datagram before, and holds the gateways of before.
 */
export function readRecordedTime(
  store: Store,
  { openRowId = null, untilUs = Number.MAX_SAFE_INTEGER }: RecordedReading = {},
): RecordedTime {
  const gateways = new Map<number, Set<number>>();
  for (const [rangeId, gatewayId] of prepared(store, "SELECT range_id, gateway_id FROM recorded_gateway")
    .raw()
    .all() as [number, number][]) {
    const set = gateways.get(rangeId);
    if (set === undefined) gateways.set(rangeId, new Set([gatewayId]));
    else set.add(gatewayId);
  }
  const rows = prepared(
    store,
    `SELECT id, source, from_us AS fromUs, to_us AS toUs, datagrams FROM recorded_range ORDER BY from_us, id`,
  ).all() as Omit<RecordedRow, "gatewayIds">[];
  return new RecordedTime(
    rows.flatMap((row) => {
      const gatewayIds = gateways.get(row.id) ?? new Set<number>();
      // Half open: the newest datagram lies inside.
      const toUs = row.id === openRowId ? Number.MAX_SAFE_INTEGER : row.toUs + 1;
      const whole = { ...row, toUs, gatewayIds };
      return toUs <= untilUs + 1 ? [whole] : asOf(store, whole, untilUs);
    }),
    untilUs,
  );
}

export interface RecordedReading {
  readonly openRowId?: number | null;
  readonly untilUs?: number;
}

/** A range that goes on later, as it was at a moment; none when it had not begun. */
function asOf(store: Store, row: RecordedRow, untilUs: number): RecordedRow[] {
  if (row.fromUs > untilUs) return [];
  // Which gateways had been heard by then is not known any more: those of the whole range.
  if (untilUs < removedToUs(store)) return [{ ...row, toUs: untilUs + 1 }];
  const lastOf = prepared(
    store,
    "SELECT max(at_us) FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us <= ?",
  ).pluck();
  const lasts = [...row.gatewayIds].flatMap((id) => {
    const lastUs = lastOf.get(id, row.fromUs, untilUs) as number | null;
    return lastUs === null ? [] : [{ id, lastUs }];
  });
  const gatewayIds = new Set(lasts.map(({ id }) => id));
  if (row.source === "service") return [{ ...row, toUs: untilUs + 1, gatewayIds }];
  const lastUs = Math.max(row.fromUs, ...lasts.map((one) => one.lastUs));
  return [{ ...row, toUs: lastUs + 1, gatewayIds }];
}

/** Returns a reader of a store that nobody writes to meanwhile: read once, when it is first asked for. */
export function recordedTimeOf(store: Store): () => RecordedTime {
  let time: RecordedTime | null = null;
  return () => {
    time ??= readRecordedTime(store);
    return time;
  };
}

/** Returns the ranges recorded between two moments, of any gateway or of these (at least one of them). */
export function recordedRanges(
  store: Store,
  fromUs: number,
  toUs: number,
  gatewayIds?: readonly number[],
): TimeRange[] {
  return readRecordedTime(store).ranges({ fromUs, toUs }, gatewayIds);
}

/**
 * Returns the present, microseconds: the system's clock, or the newest moment that a running service recorded where that
 * is up to a day ahead, because the clock was set back while it listened.
 */
export function presentUs(store: Store, systemUs: number): number {
  const newestUs = prepared(
    store,
    "SELECT max(to_us) FROM recorded_range WHERE source = 'service' AND to_us < ?",
  )
    .pluck()
    .get(systemUs + MAX_AHEAD_US) as number | null;
  return Math.max(systemUs, newestUs ?? systemUs);
}

/** Returns when this machine's clock was set forward while a service listened, from a moment on. */
export function clockStepsUs(store: Store, fromUs: number): number[] {
  return prepared(
    store,
    "SELECT from_us FROM recorded_range WHERE source = 'service' AND begun_by = 'clock-step' AND from_us >= ? ORDER BY from_us",
  )
    .pluck()
    .all(fromUs) as number[];
}

/** A clock further ahead than this was wrong; its times are not taken for the present. Chosen. */
const MAX_AHEAD_US = 86_400_000_000;

interface Chain extends TimeRange {
  readonly gatewayIds: ReadonlySet<number>;
}

function serviceRanges(rows: readonly RecordedRow[]): TimeRange[] {
  return rows.filter(({ source }) => source === "service");
}

/** Captures that follow each other closely, as rotated files do, are one recording. */
function chains(rows: readonly RecordedRow[]): Chain[] {
  const made: { fromUs: number; toUs: number; slackUs: number; gatewayIds: Set<number> }[] = [];
  for (const row of rows) {
    if (row.source !== "capture") continue;
    const slackUs = rotationUs(row);
    const last = made.at(-1);
    if (last !== undefined && row.fromUs - last.toUs <= Math.max(last.slackUs, slackUs)) {
      if (row.toUs >= last.toUs) last.slackUs = slackUs;
      last.toUs = Math.max(last.toUs, row.toUs);
      for (const id of row.gatewayIds) last.gatewayIds.add(id);
    } else {
      const { fromUs, toUs, gatewayIds } = row;
      made.push({ fromUs, toUs, slackUs, gatewayIds: new Set(gatewayIds) });
    }
  }
  return made;
}

function rotationUs({ fromUs, toUs, datagrams }: RecordedRow): number {
  if (datagrams < 2) return 0;
  return Math.min(MAX_ROTATION_US, (ROTATION_SPACINGS * (toUs - fromUs)) / (datagrams - 1));
}

function clip(ranges: readonly TimeRange[], fromUs: number, toUs: number): TimeRange[] {
  let low = 0;
  let high = ranges.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((ranges[middle]?.toUs ?? 0) <= fromUs) low = middle + 1;
    else high = middle;
  }
  const clipped: TimeRange[] = [];
  for (let i = low; i < ranges.length; i++) {
    const range = ranges[i];
    if (range === undefined || range.fromUs >= toUs) break;
    clipped.push({ fromUs: Math.max(range.fromUs, fromUs), toUs: Math.min(range.toUs, toUs) });
  }
  return clipped;
}
