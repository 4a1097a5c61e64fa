/**
 * How is a datagram made durable by one page, before the fourteen pages of its rows are written? As it came, appended to a
 * log in the store itself: blocks of one page each, written over in place. The log begins anew once all of it is rows.
 * A row for a datagram costs SQLite a page of each table and index; many datagrams at once share these pages.
 */
import { deflateRawSync, inflateRawSync } from "node:zlib";
import type { Statement } from "better-sqlite3";
import type { Arrival } from "../model/datagram.ts";
import type { Eui } from "../model/identifiers.ts";
import type { Store } from "./open.ts";

/** A datagram as it came, with what was known of it before anybody read it. */
export interface HeldDatagram extends Omit<Arrival, "digest"> {
  readonly way: "up" | "down";
  /** Down: whose it is, where that is known. */
  readonly gatewayEui: Eui | null;
  /** Why it is not to be read, if so. */
  readonly sourceFault: "source" | "loop" | null;
}

/** What an earlier run left in the log. */
export interface LeftHeld {
  readonly datagrams: readonly HeldDatagram[];
  /** The newest moment at which that service listened, as far as the log tells; null: it does not. */
  readonly listenedToUs: number | null;
}

/** Octets of the log at most. Chosen: half of it holds a minute of some 15 datagrams a second; more become rows sooner. */
const MAX_LOG_OCTETS = 512 * 1024;
/** Of a page, what SQLite itself needs around one block: page head, cell, and the row's head and number. */
const PAGE_OVERHEAD = 64;
/** Before each record: how long it is. */
const LENGTH_OCTETS = 4;
/** In a record, unpacked: how long its head is. */
const HEAD_LENGTH_OCTETS = 4;

/** In a record's head, as JSON, for each of its datagrams; their octets follow the head. */
type DatagramHead = readonly [
  atUs: number,
  octets: number,
  way: HeldDatagram["way"],
  door: Arrival["door"],
  from: string,
  fromPort: number,
  to: string,
  toPort: number,
  gatewayEui: Eui | null,
  sourceFault: HeldDatagram["sourceFault"],
];

/** A head without datagrams: the service listened at a moment. */
type Head = readonly DatagramHead[] | number;

interface Place {
  readonly generation: number;
  /** Octets written. */
  at: number;
  /** Datagrams in it, and how many of them are rows. */
  count: number;
  done: number;
}

export class HeldLog {
  readonly #blockOctets: number;
  readonly #readPlace: Statement;
  readonly #writePlace: Statement;
  readonly #readBlocks: Statement;
  readonly #writeBlock: Statement;
  readonly #removeBlocks: Statement;
  /** null: to be read. */
  #place: Place | null = null;
  /** This process writes the log: another one that records beside it leaves the log alone. */
  #isOurs = false;
  /** The block that is being filled. */
  #block: Buffer;

  constructor(db: Store) {
    this.#blockOctets = Number(db.pragma("page_size", { simple: true })) - PAGE_OVERHEAD;
    this.#block = Buffer.alloc(this.#blockOctets);
    this.#readPlace = db.prepare("SELECT generation, done FROM held_place WHERE id = 1");
    this.#writePlace = db.prepare("UPDATE held_place SET generation = ?, done = ? WHERE id = 1");
    this.#readBlocks = db
      .prepare("SELECT octets FROM held_block WHERE generation = ? ORDER BY block")
      .pluck();
    // Of the same length as before: SQLite writes over the row where it stands.
    this.#writeBlock = db.prepare(
      `INSERT INTO held_block (block, generation, octets) VALUES (?, ?, ?)
       ON CONFLICT DO UPDATE SET generation = excluded.generation, octets = excluded.octets`,
    );
    this.#removeBlocks = db.prepare("DELETE FROM held_block");
  }

  /** Time to make rows of what is here, while there is room for what comes meanwhile. */
  get isHalfFull(): boolean {
    return this.#loaded().at > MAX_LOG_OCTETS / 2;
  }

  /** Appends datagrams, within a transaction; false, and nothing is done: there is no room. */
  append(datagrams: readonly HeldDatagram[]): boolean {
    const bytes = datagrams.map((one) => one.bytes);
    if (!this.#write(recordOf(datagrams.map(headOf), bytes))) return false;
    this.#loaded().count += datagrams.length;
    return true;
  }

  /** Notes that the service listens, within a transaction; false: there is no room. */
  noteListening(atUs: number): boolean {
    return this.#write(recordOf(atUs, []));
  }

  /** So many more datagrams, from the front, are rows; within the transaction that made them. */
  done(count: number): void {
    this.#isOurs = true;
    const place = this.#loaded();
    place.done += count;
    if (place.done < place.count) {
      this.#writePlace.run(place.generation, place.done);
      return;
    }
    const generation = place.generation + 1;
    this.#writePlace.run(generation, 0);
    this.#place = { generation, at: 0, count: 0, done: 0 };
    this.#block.fill(0);
  }

  /** What is in the log and not in rows. */
  left(): LeftHeld {
    const { datagrams, listenedToUs } = this.#read();
    return { datagrams: datagrams.slice(this.#loaded().done), listenedToUs };
  }

  /** Leaves nothing of what was received in the blocks, within a transaction; call when all of it is rows. */
  wipe(): void {
    if (!this.#isOurs) return;
    const { generation, done, count } = this.#loaded();
    if (done < count) return;
    this.#removeBlocks.run();
    this.#writePlace.run(generation + 1, 0);
    this.#place = null;
  }

  /** A transaction failed: what memory holds may differ from the tables. */
  forget(): void {
    this.#place = null;
  }

  #write(octets: Buffer): boolean {
    this.#isOurs = true;
    const place = this.#loaded();
    if (place.at + octets.length > MAX_LOG_OCTETS) return false;
    for (let written = 0; written < octets.length; ) {
      const within = place.at % this.#blockOctets;
      if (within === 0) this.#block.fill(0);
      const taken = octets.copy(this.#block, within, written);
      this.#writeBlock.run(Math.floor(place.at / this.#blockOctets), place.generation, this.#block);
      place.at += taken;
      written += taken;
    }
    return true;
  }

  #loaded(): Place {
    if (this.#place !== null) return this.#place;
    const { generation, done } = this.#readPlace.get() as Pick<Place, "generation" | "done">;
    this.#place = { generation, at: 0, count: 0, done };
    const { datagrams, octets } = this.#read();
    this.#place = { generation, at: octets.end, count: datagrams.length, done };
    this.#block.fill(0);
    const blockBegin = octets.end - (octets.end % this.#blockOctets);
    octets.all.copy(this.#block, 0, blockBegin, octets.end);
    return this.#place;
  }

  #read(): {
    readonly datagrams: HeldDatagram[];
    readonly listenedToUs: number | null;
    readonly octets: { readonly all: Buffer; readonly end: number };
  } {
    const { generation } = this.#place ?? (this.#readPlace.get() as Pick<Place, "generation">);
    const all = Buffer.concat(this.#readBlocks.all(generation) as Buffer[]);
    const datagrams: HeldDatagram[] = [];
    let listenedToUs: number | null = null;
    let at = 0;
    while (at + LENGTH_OCTETS <= all.length) {
      const end = at + all.readUInt32LE(at);
      // Behind the last record the block holds nothing.
      if (end <= at || end > all.length) break;
      const record = inflateRawSync(all.subarray(at + LENGTH_OCTETS, end));
      const headEnd = HEAD_LENGTH_OCTETS + record.readUInt32LE(0);
      const head = JSON.parse(record.toString("utf8", HEAD_LENGTH_OCTETS, headEnd)) as Head;
      if (typeof head === "number") listenedToUs = Math.max(head, listenedToUs ?? head);
      else datagrams.push(...datagramsOf(head, record.subarray(headEnd)));
      at = end;
    }
    return { datagrams, listenedToUs, octets: { all, end: at } };
  }
}

/** Whether a store holds something that is no rows yet; read by any connection. */
export function isAnythingHeld(db: Store): boolean {
  return (
    db.prepare("SELECT 1 FROM held_block JOIN held_place USING (generation) LIMIT 1").pluck().get() !==
    undefined
  );
}

function headOf(datagram: HeldDatagram): DatagramHead {
  const { bytes, atUs, way, door, from, to, gatewayEui, sourceFault } = datagram;
  const ends = [from.address, from.port, to.address, to.port] as const;
  return [atUs, bytes.length, way, door, ...ends, gatewayEui, sourceFault];
}

function* datagramsOf(heads: readonly DatagramHead[], octets: Uint8Array): Generator<HeldDatagram> {
  let begin = 0;
  for (const [atUs, length, way, door, from, fromPort, to, toPort, gatewayEui, sourceFault] of heads) {
    const bytes = octets.slice(begin, begin + length);
    begin += length;
    const ends = { from: { address: from, port: fromPort }, to: { address: to, port: toPort } };
    yield { bytes, atUs, ...ends, door, way, gatewayEui, sourceFault };
  }
}

/** Packed: datagrams are text that repeats itself. */
function recordOf(head: Head, bytes: readonly Uint8Array[]): Buffer {
  const text = Buffer.from(JSON.stringify(head));
  const headLength = Buffer.alloc(HEAD_LENGTH_OCTETS);
  headLength.writeUInt32LE(text.length);
  const packed = deflateRawSync(Buffer.concat([headLength, text, ...bytes]));
  const length = Buffer.alloc(LENGTH_OCTETS);
  length.writeUInt32LE(LENGTH_OCTETS + packed.length);
  return Buffer.concat([length, packed]);
}
