/**
 * What did the gateways hear in whole past hours, packet by packet? A window that moves with the clock is asked for every
 * few seconds and moves by as much, so that a reading connection keeps the hours that it has read for one: of the next
 * answer only the hour under way is read again. An hour is kept while neither it nor the one before (a frame may have begun
 * there) changes: what is gathered is noted when it changes (migrations/018), stays noted until it is gathered again, and
 * that is counted (hour-gatherer.ts). Once the count has moved on, nothing that was kept is used.
 */
import type { TimeRange } from "../../model/time-range.ts";
import { narrowedGateways } from "../narrowed.ts";
import type { Store } from "../open.ts";
import { columnsOf, isWriting, onceAnAnswer, prepared } from "../queries/statement.ts";
import { removedToUs } from "../retention.ts";
import { regathered } from "../settings.ts";
import { GATHERED_HOUR_US } from "./gathered.ts";

/** Packets kept of all hours, some 100 octets each; and hours, the newest. Chosen: a day, and what is looked at before it. */
const MAX_PACKETS = 80_000;
const MAX_HOURS = 36;
/** Hours that one answer reads in full, to be kept. Chosen: no answer takes more than some hundredths of a second longer. */
const MAX_READ = 4;

/** Expressions of the columns, over a reception `r` and its frame `f`: what is small shares one number. */
const COLUMNS = {
  /** See packetOf. */
  small: `(((r.gateway_id * 4 + r.crc) * 16 + r.coding_rate) * 256 + min(255, coalesce(length(r.payload), 0))) * 2
    + coalesce(f.repeat, 0)`,
  at: "r.at_us - @from",
  frequency: "r.frequency_hz",
  airtime: "r.airtime_us",
  dataRate: "r.data_rate",
  /** RSSI and SNR. */
  levels: "(r.rssi_tenths + 32768) * 65536 + coalesce(r.snr_tenths + 32768, 0)",
  frame: "r.frame_id",
  devAddr: "f.dev_addr",
  life: "f.life_id",
  counter: "f.counter",
} as const;

/** 1: a replay, or heard by another antenna than the first; it tells no level of its node. */
const NO_LEVEL = "iif(r.antenna <> 0 OR f.replay <> 0, 1, 0)";

/** Packets column by column, in order of time; null (in an hour that is kept: not a number) where there is none. */
export type PacketColumns = { readonly [name in keyof typeof COLUMNS]: ArrayLike<number | null> } & {
  /** Times count from here. */
  readonly fromUs: number;
};

/** Packets that ended in a stretch, without ghosts and secondary antennas, from the rows. */
export function packetColumns(store: Store, { fromUs, toUs }: TimeRange): PacketColumns {
  return { fromUs, ...named(read(store, { fromUs, toUs }, Object.values(COLUMNS), "AND r.further = 0")) };
}

function read(
  store: Store,
  { fromUs, toUs }: TimeRange,
  columns: readonly string[],
  condition = "",
): (number | null)[][] {
  return columnsOf(
    store,
    columns,
    `FROM reception r INDEXED BY reception_by_time LEFT JOIN main.frame f ON f.id = r.frame_id
     WHERE r.at_us >= @from AND r.at_us < @to AND r.ghost = 0 ${condition}`,
    { from: fromUs, to: toUs },
  );
}

function named<T>(lists: readonly T[]): { readonly [name in keyof typeof COLUMNS]: T } {
  // As many lists as there are names.
  return Object.fromEntries(Object.keys(COLUMNS).map((name, i) => [name, lists[i]])) as {
    [name in keyof typeof COLUMNS]: T;
  };
}

/** A whole hour that is kept; with the rows of secondary antennas. */
export interface HeardHour extends PacketColumns {
  readonly length: number;
  /** 1: the row of a secondary antenna. */
  readonly secondary: Uint8Array;
  /** Places of the packets that tell a level of a node, in order of time, gateway and life. */
  readonly levelled: Uint32Array;
}

function heardHour(store: Store, hour: number): HeardHour {
  const fromUs = hour * GATHERED_HOUR_US;
  const range = { fromUs, toUs: fromUs + GATHERED_HOUR_US };
  const lists = read(store, range, [...Object.values(COLUMNS), NO_LEVEL, "r.further"]);
  const columns = named(lists.map((list) => Float64Array.from(list, (value) => value ?? Number.NaN)));
  const [without = [], secondary = []] = lists.slice(-2);
  const { at, small, life, levels } = columns;
  const places = Uint32Array.from(at.keys()).filter(
    (i) =>
      without[i] === 0 &&
      crcOf(small[i] ?? 0) === 0 &&
      !Number.isNaN(life[i] ?? Number.NaN) &&
      !Number.isNaN(levels[i] ?? Number.NaN),
  );
  places.sort(
    (a, b) =>
      (at[a] ?? 0) - (at[b] ?? 0) ||
      gatewayOf(small[a] ?? 0) - gatewayOf(small[b] ?? 0) ||
      (life[a] ?? 0) - (life[b] ?? 0) ||
      a - b,
  );
  return {
    fromUs,
    ...columns,
    length: at.length,
    secondary: Uint8Array.from(secondary, (value) => value ?? 0),
    levelled: places,
  };
}

/** Of the small numbers of a packet: its gateway, row id. */
export function gatewayOf(small: number): number {
  return Math.floor(small / 32_768);
}

/** Of the small numbers of a packet: the code of its CRC. */
export function crcOf(small: number): number {
  return Math.floor(small / 8_192) % 4;
}

interface Kept {
  /** Of the state of the store in which they hold. */
  readonly key: string;
  readonly hours: Map<number, HeardHour>;
}

const kept = new WeakMap<Store, Kept>();

/** The hours of one answer. */
export class HeardHours {
  readonly #store: Store;
  /** null: none are kept for this answer. */
  readonly #kept: Kept | null;
  readonly #due: ReadonlySet<number>;
  /** From this hour on hours are kept, as far as they are closed. */
  readonly #fromHour: number;
  readonly #toHour: number;
  #left = MAX_READ;

  /** A window that moves with the clock is asked for again: the next answer will need the same hours. */
  constructor(store: Store, { toUs, live }: TimeRange & { readonly live: boolean }) {
    const isKept = live && !isWriting(store) && narrowedGateways(store) === null;
    this.#store = store;
    this.#kept = isKept ? keptOf(store) : null;
    this.#due = new Set(isKept ? dueHours(store) : []);
    this.#toHour = isKept ? Math.min(closedToHour(store), Math.floor(toUs / GATHERED_HOUR_US)) : 0;
    this.#fromHour = isKept ? firstKept(store, this.#toHour) : 0;
    for (const hour of this.#kept?.hours.keys() ?? [])
      if (hour < this.#fromHour) this.#kept?.hours.delete(hour);
  }

  /** An hour since 1970; null: it is to be read from its rows. */
  hour(hour: number): HeardHour | null {
    if (this.#kept === null || hour < this.#fromHour || hour >= this.#toHour) return null;
    if (this.#due.has(hour) || this.#due.has(hour - 1)) return null;
    const { hours } = this.#kept;
    let known = hours.get(hour);
    if (known === undefined && this.#left > 0) {
      this.#left -= 1;
      known = heardHour(this.#store, hour);
      hours.set(hour, known);
    }
    return known ?? null;
  }

  /** The parts of a stretch in order of time: hours that are kept, cut at its ends, and what is to be read. */
  partsOf({ fromUs, toUs }: TimeRange): (TimeRange | HeardPart)[] {
    const parts: (TimeRange | HeardPart)[] = [];
    let readFromUs = fromUs;
    for (let hour = Math.floor(fromUs / GATHERED_HOUR_US); hour * GATHERED_HOUR_US < toUs; hour++) {
      const known = this.hour(hour);
      if (known === null) continue;
      if (readFromUs < known.fromUs) parts.push({ fromUs: readFromUs, toUs: known.fromUs });
      parts.push({ hour: known, from: placeOf(known, fromUs), to: placeOf(known, toUs) });
      readFromUs = known.fromUs + GATHERED_HOUR_US;
    }
    if (readFromUs < toUs) parts.push({ fromUs: readFromUs, toUs });
    return parts;
  }
}

/** The packets of an hour from one place up to before another. */
export interface HeardPart {
  readonly hour: HeardHour;
  readonly from: number;
  readonly to: number;
}

/** Those of an answer; the parts of the answer share what is read. */
export function heardHours(store: Store, window: TimeRange & { readonly live: boolean }): HeardHours {
  return onceAnAnswer(store, window, "heard hours", () => new HeardHours(store, window));
}

/** For what reads a stretch once: all of it from the rows. */
export function noHeardHours(store: Store): HeardHours {
  return new HeardHours(store, { fromUs: 0, toUs: 0, live: false });
}

function keptOf(store: Store): Kept {
  const key = `${removedToUs(store)}/${regathered(store)}`;
  let known = kept.get(store);
  if (known?.key !== key) {
    known = { key, hours: new Map() };
    kept.set(store, known);
  }
  return known;
}

/** The oldest hour that is kept: they are as many, from the newest back, as there is room for. */
function firstKept(store: Store, toHour: number): number {
  let left = MAX_PACKETS;
  for (let hour = toHour - 1; hour >= toHour - MAX_HOURS; hour--) {
    left -= receptionsOf(store, hour);
    if (left < 0) return hour + 1;
  }
  return toHour - MAX_HOURS;
}

function closedToHour(store: Store): number {
  const closedToUs = prepared(store, "SELECT closed_to_us FROM hour_progress WHERE id = 1").pluck().get();
  return Math.floor(Number(closedToUs) / GATHERED_HOUR_US);
}

function dueHours(store: Store): number[] {
  return prepared(store, "SELECT hour FROM hour_due").pluck().all() as number[];
}

function receptionsOf(store: Store, hour: number): number {
  const sum = prepared(
    store,
    "SELECT sum(receptions) FROM gateway CROSS JOIN gateway_hour ON gateway_id = gateway.id WHERE hour = ?",
  )
    .pluck()
    .get(hour) as number | null;
  return sum ?? 0;
}

/** The first place at a moment or after it. */
function placeOf(hour: HeardHour, atUs: number): number {
  return firstAt(hour.length, atUs - hour.fromUs, (place) => hour.at[place] ?? 0);
}

/** The same among the packets that tell a level. */
export function levelledFrom({ fromUs, at, levelled }: HeardHour, atUs: number): number {
  return firstAt(levelled.length, atUs - fromUs, (place) => at[levelled[place] ?? 0] ?? 0);
}

function firstAt(length: number, at: number, timeOf: (place: number) => number): number {
  let low = 0;
  let high = length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (timeOf(middle) < at) low = middle + 1;
    else high = middle;
  }
  return low;
}
