/**
 * How are the frames of an hour written in one row? A head (JSON: what the small numbers below stand for), then one
 * column after the other, each value of a fixed width, frames in order of time. About 20 octets a frame.
 */
import type { HeardCounter } from "../../ledger/gaps/gap-detector.ts";
import type { HeardFrame } from "../queries/frames.ts";
import { type FrameSeries, NO_LEVEL } from "./frame-series.ts";
import { fromDifferences, fromPlanes, isPacked, unpack } from "./packed.ts";

export interface FrameHead {
  readonly frames: number;
  /** Row ids of the lives. */
  readonly lives: readonly number[];
  readonly dataRates: readonly number[];
  /** Sets of gateways, by row id. */
  readonly gateways: readonly (readonly number[])[];
}

/** Columns in order, with octets a value. Wide ones first, so that each begins at a multiple of its width. */
const COLUMNS = {
  at: 4,
  counter: 4,
  airtime: 4,
  life: 2,
  snr: 2,
  rssi: 2,
  receptions: 2,
  rate: 2,
  heard: 2,
  repeat: 1,
};

export interface FrameColumns {
  /** Microseconds since the hour began. */
  readonly at: Uint32Array;
  readonly counter: Uint32Array;
  readonly airtime: Uint32Array;
  /** Places in the head; so are `rate` and `heard`. */
  readonly life: Uint16Array;
  readonly snr: Int16Array;
  readonly rssi: Int16Array;
  readonly receptions: Uint16Array;
  readonly rate: Uint16Array;
  readonly heard: Uint16Array;
  readonly repeat: Uint8Array;
}

/** In the order in which they lie. */
export const NAMES = Object.keys(COLUMNS) as (keyof FrameColumns)[];

/** Octets of the number that says how long the head is. */
const LENGTH_OCTETS = 4;

/** `hourUs`: when the hour began. null: more frames, lives or kinds than the columns can tell, or a number too large. */
export function encodeFrameHour(frames: readonly HeardFrame[], hourUs: number): Uint8Array | null {
  const lives = new Places<number>();
  const dataRates = new Places<number>();
  const gateways = new Places<string>();
  const n = frames.length;
  const columns = emptyColumns(n);
  const { at, counter, airtime, life, snr, rssi, receptions, rate, heard, repeat } = columns;
  for (const [i, frame] of frames.entries()) {
    if (frame.counter > 0xffff_ffff || frame.airtimeUs > 0xffff_ffff || frame.receptions > 0xffff)
      return null;
    at[i] = frame.atUs - hourUs;
    counter[i] = frame.counter;
    airtime[i] = frame.airtimeUs;
    life[i] = lives.of(frame.lifeId);
    snr[i] = frame.snrTenths ?? NO_LEVEL;
    rssi[i] = frame.rssiTenths ?? NO_LEVEL;
    receptions[i] = frame.receptions;
    rate[i] = dataRates.of(frame.dataRate);
    heard[i] = gateways.of(JSON.stringify([...frame.gatewayIds].sort((a, b) => a - b)));
    repeat[i] = frame.repeat;
  }
  if (Math.max(lives.size, dataRates.size, gateways.size) > TAKEN_OUT) return null;
  const head: FrameHead = {
    frames: n,
    lives: lives.all(),
    dataRates: dataRates.all(),
    gateways: gateways.all().map((text) => JSON.parse(text) as number[]),
  };
  return frameRow(head, columns);
}

/** The columns of so many frames. */
export function emptyColumns(frames: number): FrameColumns {
  return {
    at: new Uint32Array(frames),
    counter: new Uint32Array(frames),
    airtime: new Uint32Array(frames),
    life: new Uint16Array(frames),
    snr: new Int16Array(frames),
    rssi: new Int16Array(frames),
    receptions: new Uint16Array(frames),
    rate: new Uint16Array(frames),
    heard: new Uint16Array(frames),
    repeat: new Uint8Array(frames),
  };
}

/** A row of these columns. */
export function frameRow(head: FrameHead, columns: FrameColumns): Uint8Array {
  const text = paddedText(JSON.stringify(head));
  const parts = [new Uint32Array([text.length]), text, ...NAMES.map((name) => columns[name])];
  return Buffer.concat(parts.map((one) => new Uint8Array(one.buffer, one.byteOffset, one.byteLength)));
}

/**
 * Whether some frame of an hour was heard by these gateways and by others too: its row tells the best reception of all,
 * so that it does not answer for these alone.
 */
export function isShared(columns: Uint8Array, gatewayIds: ReadonlySet<number>): boolean {
  const { buffer, byteOffset } = plainFrameHour(columns);
  return headOf(buffer, byteOffset).head.gateways.some(
    (heard) => heard.some((id) => gatewayIds.has(id)) && !heard.every((id) => gatewayIds.has(id)),
  );
}

/** Stands for the life of a frame that was taken out: no place of a head is so large, and readers pass it over. */
export const TAKEN_OUT = 0xffff;

/**
 * The row without the frames of some lives, and without those that one gateway alone heard; it is named nowhere any more.
 * null: nothing of either is in it.
 */
export function withoutFrames(
  columns: Uint8Array,
  { lifeIds, gatewayId }: { readonly lifeIds: ReadonlySet<number>; readonly gatewayId: number | null },
): Uint8Array | null {
  const copy = Uint8Array.from(plainFrameHour(columns));
  const { head, end, life, heard } = columnsOf(copy);
  const isGone = head.lives.map((id) => lifeIds.has(id));
  const isAlone = head.gateways.map((set) => set.length === 1 && set[0] === gatewayId);
  const isNamed = gatewayId !== null && head.gateways.some((set) => set.includes(gatewayId));
  if (!isNamed && !isGone.includes(true)) return null;
  for (let i = 0; i < head.frames; i++)
    if (isGone[life[i] ?? 0] === true || isAlone[heard[i] ?? 0] === true) life[i] = TAKEN_OUT;
  const named = { ...head, gateways: head.gateways.map((set) => set.filter((id) => id !== gatewayId)) };
  // No longer than before: the columns stay where they are.
  copy.set(Buffer.from(JSON.stringify(named).padEnd(end - LENGTH_OCTETS), "latin1"), LENGTH_OCTETS);
  return copy;
}

/** A row as its columns are read: plain, and at a multiple of four octets. */
export function plainFrameHour(columns: Uint8Array): Uint8Array {
  if (isPacked(columns)) return unpackFrameHour(columns);
  return columns.byteOffset % 4 === 0 ? columns : Uint8Array.from(columns);
}

/** A row that an earlier version packed by itself; days are packed since (frame-days.ts). */
function unpackFrameHour(packed: Uint8Array): Uint8Array {
  const row = unpack(packed);
  const columns = columnsOf(row);
  fromPlanes(
    row.slice(columns.end),
    NAMES.map((name) => columns[name]),
  );
  const { at, counter, airtime, rate, life, snr, rssi } = columns;
  for (let i = 0; i < rssi.length; i++) rssi[i] = (rssi[i] ?? 0) + (snr[i] ?? 0);
  fromDifferences(at, null);
  for (const values of [counter, airtime, rate]) fromDifferences(values, life);
  return row;
}

/** The columns of a plain row, in place; it begins at a multiple of four octets. `end`: of the head. */
export function columnsOf({
  buffer,
  byteOffset,
}: Uint8Array): FrameColumns & { readonly head: FrameHead; readonly end: number } {
  const { head, end } = headOf(buffer, byteOffset);
  const n = head.frames;
  let offset = end;
  const place = (octets: number): number => {
    const begin = offset;
    offset += n * octets;
    return begin;
  };
  return {
    head,
    end,
    at: new Uint32Array(buffer, place(COLUMNS.at), n),
    counter: new Uint32Array(buffer, place(COLUMNS.counter), n),
    airtime: new Uint32Array(buffer, place(COLUMNS.airtime), n),
    life: new Uint16Array(buffer, place(COLUMNS.life), n),
    snr: new Int16Array(buffer, place(COLUMNS.snr), n),
    rssi: new Int16Array(buffer, place(COLUMNS.rssi), n),
    receptions: new Uint16Array(buffer, place(COLUMNS.receptions), n),
    rate: new Uint16Array(buffer, place(COLUMNS.rate), n),
    heard: new Uint16Array(buffer, place(COLUMNS.heard), n),
    repeat: new Uint8Array(buffer, place(COLUMNS.repeat), n),
  };
}

/** How many frames of each life an hour holds, one after the other. `only`: those that these gateways heard, if none is shared. */
export function countFrameHour(
  columns: Uint8Array,
  only: ReadonlySet<number> | null,
  add: (lifeId: number, frames: number) => void,
): void {
  const { head, life, heard } = columnsOf(plainFrameHour(columns));
  const isOwn = ownSets(head, only);
  const counts = new Uint32Array(head.lives.length);
  for (let i = 0; i < head.frames; i++) {
    const place = life[i] ?? 0;
    counts[place] = (counts[place] ?? 0) + (isOwn[heard[i] ?? 0] ?? 0);
  }
  for (const [place, lifeId] of head.lives.entries())
    if ((counts[place] ?? 0) > 0) add(lifeId, counts[place] ?? 0);
}

/** 1 for each set of gateways that counts. */
function ownSets({ gateways }: FrameHead, only: ReadonlySet<number> | null): Uint8Array {
  return Uint8Array.from(gateways, (heard) => Number(only === null || heard.some((id) => only.has(id))));
}

/** The head of a row, and where its columns begin. */
function headOf(buffer: ArrayBufferLike, byteOffset: number): { head: FrameHead; end: number } {
  const [headLength = 0] = new Uint32Array(buffer, byteOffset, 1);
  const text = Buffer.from(buffer, byteOffset + LENGTH_OCTETS, headLength).toString("latin1");
  return { head: JSON.parse(text) as FrameHead, end: byteOffset + LENGTH_OCTETS + headLength };
}

/** Adds the frames of an hour to the series of their lives; lives without one are left out. `only`: as for countFrameHour. */
export function addFrameHour(
  columns: Uint8Array,
  hourUs: number,
  only: ReadonlySet<number> | null,
  seriesOf: (lifeId: number) => FrameSeries | undefined,
): void {
  const { head, at, counter, airtime, life, snr, rssi, receptions, rate, heard, repeat } = columnsOf(
    plainFrameHour(columns),
  );
  const n = head.frames;
  const sets = head.gateways.length;
  const isOwn = ownSets(head, only);
  // A life of which nothing counts gets no series.
  const places = new Uint8Array(head.lives.length);
  for (let i = 0; i < n; i++) if (isOwn[heard[i] ?? 0] === 1) places[life[i] ?? 0] = 1;
  const series = head.lives.map((id, place) => (places[place] === 1 ? seriesOf(id) : undefined));
  const known = new Uint8Array(series.length * sets);
  for (let i = 0; i < n; i++) {
    const own = series[life[i] ?? 0];
    if (own === undefined || isOwn[heard[i] ?? 0] === 0) continue;
    own.add(
      hourUs + (at[i] ?? 0),
      counter[i] ?? 0,
      repeat[i] ?? 0,
      head.dataRates[rate[i] ?? 0] ?? 0,
      airtime[i] ?? 0,
      snr[i] ?? NO_LEVEL,
      rssi[i] ?? NO_LEVEL,
      receptions[i] ?? 0,
    );
    const pair = (life[i] ?? 0) * sets + (heard[i] ?? 0);
    if (known[pair] === 1) continue;
    known[pair] = 1;
    for (const id of head.gateways[heard[i] ?? 0] ?? []) own.gatewayIds.add(id);
  }
}

/**
 * The counters of an hour that are heard first and lie above what is asked of their life, in order of time. `aboveOf`: null
 * for a life that is not asked for. `only`: as for countFrameHour.
 */
export function addHeardCounters(
  columns: Uint8Array,
  hourUs: number,
  only: ReadonlySet<number> | null,
  aboveOf: (lifeId: number) => number | null,
  add: (lifeId: number, heard: HeardCounter) => void,
): void {
  const { head, at, counter, life, heard, repeat } = columnsOf(plainFrameHour(columns));
  const sets = head.gateways.map((ids) => (only === null ? ids : ids.filter((id) => only.has(id))));
  const above = Float64Array.from(head.lives, (id) => aboveOf(id) ?? Number.POSITIVE_INFINITY);
  for (let i = 0; i < head.frames; i++) {
    const place = life[i] ?? 0;
    const one = counter[i] ?? 0;
    // A frame that was taken out has no place among the lives.
    if (repeat[i] !== 0 || !(one > (above[place] ?? Number.POSITIVE_INFINITY))) continue;
    const gatewayIds = sets[heard[i] ?? 0] ?? [];
    if (gatewayIds.length > 0)
      add(head.lives[place] ?? 0, { counter: one, atUs: hourUs + (at[i] ?? 0), gatewayIds });
  }
}

/** Gives each value a number of its own, from 0, in order of appearance. */
export class Places<T> {
  readonly #places = new Map<T, number>();

  get size(): number {
    return this.#places.size;
  }

  of(value: T): number {
    let place = this.#places.get(value);
    if (place === undefined) {
      place = this.#places.size;
      this.#places.set(value, place);
    }
    return place;
  }

  all(): T[] {
    return [...this.#places.keys()];
  }
}

/** Filled up with spaces, so that what follows begins at a multiple of four octets. */
function paddedText(json: string): Uint8Array {
  return Buffer.from(json.padEnd(Math.ceil(json.length / 4) * 4), "latin1");
}
