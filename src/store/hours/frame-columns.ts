/**
 * How are the frames of an hour written in one row? A head (JSON: what the small numbers below stand for), then one
 * column after the other, each value of a fixed width, frames in order of time. About 20 octets a frame.
 */
import type { HeardCounter } from "../../ledger/gaps/gap-detector.ts";
import type { HeardFrame } from "../queries/frames.ts";
import { type FrameSeries, NO_LEVEL } from "./frame-series.ts";
import { isPacked, pack, unpack } from "./packed.ts";

interface Head {
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

const NAMES = Object.keys(COLUMNS) as (keyof typeof COLUMNS)[];

/** Octets of the number that says how long the head is. */
const LENGTH_OCTETS = 4;

/** `hourUs`: when the hour began. null: more frames, lives or kinds than the columns can tell, or a number too large. */
export function encodeFrameHour(frames: readonly HeardFrame[], hourUs: number): Uint8Array | null {
  const lives = new Places<number>();
  const dataRates = new Places<number>();
  const gateways = new Places<string>();
  const n = frames.length;
  const at = new Uint32Array(n);
  const counter = new Uint32Array(n);
  const airtime = new Uint32Array(n);
  const life = new Uint16Array(n);
  const snr = new Int16Array(n);
  const rssi = new Int16Array(n);
  const receptions = new Uint16Array(n);
  const rate = new Uint16Array(n);
  const heard = new Uint16Array(n);
  const repeat = new Uint8Array(n);
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
  const head: Head = {
    frames: n,
    lives: lives.all(),
    dataRates: dataRates.all(),
    gateways: gateways.all().map((text) => JSON.parse(text) as number[]),
  };
  const text = paddedText(JSON.stringify(head));
  const length = new Uint32Array([text.length]);
  const columns = [length, text, at, counter, airtime, life, snr, rssi, receptions, rate, heard, repeat];
  return Buffer.concat(columns.map((one) => new Uint8Array(one.buffer, one.byteOffset, one.byteLength)));
}

/**
 * Whether some frame of an hour was heard by these gateways and by others too: its row tells the best reception of all,
 * so that it does not answer for these alone.
 */
export function isShared(columns: Uint8Array, gatewayIds: ReadonlySet<number>): boolean {
  const { buffer, byteOffset } = aligned(columns);
  return headOf(buffer, byteOffset).head.gateways.some(
    (heard) => heard.some((id) => gatewayIds.has(id)) && !heard.every((id) => gatewayIds.has(id)),
  );
}

/** Stands for the life of a frame that was taken out: no place of a head is so large, and readers pass it over. */
const TAKEN_OUT = 0xffff;

/**
 * The row without the frames of some lives, and without those that one gateway alone heard; it is named nowhere any more.
 * null: nothing of either is in it.
 */
export function withoutFrames(
  columns: Uint8Array,
  { lifeIds, gatewayId }: { readonly lifeIds: ReadonlySet<number>; readonly gatewayId: number | null },
): Uint8Array | null {
  const isSmall = isPacked(columns);
  const copy = isSmall ? unpackFrameHour(columns) : Uint8Array.from(columns);
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
  return isSmall ? packFrameHour(copy) : copy;
}

/** The octets of a row as they are read, at a multiple of four. */
function aligned(columns: Uint8Array): Uint8Array {
  if (isPacked(columns)) return unpackFrameHour(columns);
  return columns.byteOffset % 4 === 0 ? columns : Uint8Array.from(columns);
}

/**
 * A row in less room. What a node does again and again says little: times count from the frame before; counter, airtime
 * and data rate from the frame before of the same life; the power from the SNR; and the octets of one weight lie together.
 */
export function packFrameHour(columns: Uint8Array): Uint8Array {
  if (isPacked(columns)) return columns;
  const copy = Uint8Array.from(columns);
  turn(copy, false);
  return pack(inPlanes(copy, false));
}

function unpackFrameHour(columns: Uint8Array): Uint8Array {
  const copy = inPlanes(unpack(columns), true);
  turn(copy, true);
  return copy;
}

/** Makes differences of what is stored as such, in place; `isBack`: the other way round. Lives and SNR stay as they are. */
function turn(columns: Uint8Array, isBack: boolean): void {
  const { at, counter, airtime, rate, life, snr, rssi } = columnsOf(columns);
  const sign = isBack ? 1 : -1;
  for (let i = 0; i < rssi.length; i++) rssi[i] = (rssi[i] ?? 0) + sign * (snr[i] ?? 0);
  for (const values of [at, counter, airtime, rate]) {
    const before = new Float64Array(values === at ? 1 : TAKEN_OUT + 1);
    for (let i = 0; i < values.length; i++) {
      const of = values === at ? 0 : (life[i] ?? 0);
      const value = values[i] ?? 0;
      // Numbers without a sign: what goes below zero comes round again.
      values[i] = value + sign * (before[of] ?? 0);
      before[of] = isBack ? (values[i] ?? 0) : value;
    }
  }
}

/** The columns of a row, in place; it begins at a multiple of four octets. `end`: of the head. */
function columnsOf({ buffer, byteOffset }: Uint8Array) {
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

/** The octets of each column by their weight, all lowest ones first; `isBack`: the other way round. */
function inPlanes(columns: Uint8Array, isBack: boolean): Uint8Array {
  const { head, end } = headOf(columns.buffer, columns.byteOffset);
  const { frames } = head;
  let begin = end;
  const turned = Uint8Array.from(columns);
  for (const name of NAMES) {
    const octets = COLUMNS[name];
    for (let octet = 0; octet < octets; octet++) {
      const plane = begin + octet * frames;
      for (let i = 0, apart = begin + octet; i < frames; i++, apart += octets)
        if (isBack) turned[apart] = columns[plane + i] ?? 0;
        else turned[plane + i] = columns[apart] ?? 0;
    }
    begin += octets * frames;
  }
  return turned;
}

/** How many frames of each life an hour holds, one after the other. `only`: those that these gateways heard, if none is shared. */
export function countFrameHour(
  columns: Uint8Array,
  only: ReadonlySet<number> | null,
  add: (lifeId: number, frames: number) => void,
): void {
  const { head, life, heard } = columnsOf(aligned(columns));
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
function ownSets({ gateways }: Head, only: ReadonlySet<number> | null): Uint8Array {
  return Uint8Array.from(gateways, (heard) => Number(only === null || heard.some((id) => only.has(id))));
}

/** The head of a row, and where its columns begin. */
function headOf(buffer: ArrayBufferLike, byteOffset: number): { head: Head; end: number } {
  const [headLength = 0] = new Uint32Array(buffer, byteOffset, 1);
  const text = Buffer.from(buffer, byteOffset + LENGTH_OCTETS, headLength).toString("latin1");
  return { head: JSON.parse(text) as Head, end: byteOffset + LENGTH_OCTETS + headLength };
}

/** Adds the frames of an hour to the series of their lives; lives without one are left out. `only`: as for countFrameHour. */
export function addFrameHour(
  columns: Uint8Array,
  hourUs: number,
  only: ReadonlySet<number> | null,
  seriesOf: (lifeId: number) => FrameSeries | undefined,
): void {
  const { head, at, counter, airtime, life, snr, rssi, receptions, rate, heard, repeat } = columnsOf(
    aligned(columns),
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
  const { head, at, counter, life, heard, repeat } = columnsOf(aligned(columns));
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
class Places<T> {
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
