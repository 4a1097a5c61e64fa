/**
 * Keeps the ranges of recorded time: of the service by its heartbeat and its datagrams, of a capture by the datagrams
 * in it. The ranges of a capture do not depend on the order of its datagrams.
 */
import type { Statement } from "better-sqlite3";
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { type RecordedTime, readRecordedTime } from "../recorded-time.ts";

/** A capture in which nothing comes for longer holds several ranges: its clock jumped, or it was put together. Chosen. */
export const MAX_CAPTURE_PAUSE_US = 30 * 86_400_000_000;

/** Why a range of the service begins. */
export type ServiceBegin = "start" | "sleep" | "clock-step";

/** Whose recording a datagram belongs to. */
export type RecordedSource =
  | { readonly kind: "service" }
  | { readonly kind: "capture"; readonly captureId: number | null };

/** A range of another store, with the row ids of this one. */
export interface AdoptedRange extends TimeRange {
  readonly source: RecordedSource["kind"];
  readonly captureId: number | null;
  readonly datagrams: number;
  readonly begunBy: string;
  readonly gatewayIds: readonly number[];
}

interface Row {
  id: number | null;
  fromUs: number;
  toUs: number;
  datagrams: number;
  readonly begunBy: string;
  readonly gatewayIds: Set<number>;
  readonly newGatewayIds: Set<number>;
  changed: boolean;
}

export class RecordedTimeWriter {
  readonly #db: Store;
  readonly #insert: Statement;
  readonly #update: Statement;
  readonly #lengthen: Statement;
  readonly #remove: Statement;
  readonly #addGateway: Statement;
  readonly #dropGateways: Statement;
  /** The range that a heartbeat extends; null: nobody started the service (the datagrams alone make its range). */
  #open: Row | null = null;
  /** Rows by source, the one hit last first. */
  #rows: { readonly key: string; readonly source: RecordedSource; rows: Row[] } | null = null;
  #time: RecordedTime | null = null;
  #changed: TimeRange | null = null;

  constructor(db: Store) {
    this.#db = db;
    this.#insert = db.prepare(
      "INSERT INTO recorded_range (source, capture_id, from_us, to_us, datagrams, begun_by) VALUES (?, ?, ?, ?, ?, ?)",
    );
    this.#update = db.prepare("UPDATE recorded_range SET from_us = ?, to_us = ?, datagrams = ? WHERE id = ?");
    // Leaves the index by begin alone.
    this.#lengthen = db.prepare("UPDATE recorded_range SET to_us = ?, datagrams = ? WHERE id = ?");
    this.#remove = db.prepare("DELETE FROM recorded_range WHERE id = ?");
    this.#addGateway = db.prepare(
      "INSERT OR IGNORE INTO recorded_gateway (range_id, gateway_id) VALUES (?, ?)",
    );
    this.#dropGateways = db.prepare("DELETE FROM recorded_gateway WHERE range_id = ?");
  }

  /** The recorded time up to what was flushed; the range that the service extends counts as endless. */
  get time(): RecordedTime {
    this.#time ??= readRecordedTime(this.#db, { openRowId: this.#open?.id ?? null });
    return this.#time;
  }

  /** The service listens from a moment on. */
  begin(atUs: number, begunBy: ServiceBegin): void {
    this.#write("service", null, this.#open);
    this.#open = newRow(atUs, begunBy);
  }

  /** Goes on with the range of the service that ran last; it listened up to a moment at least. */
  resume(atUs: number | null): void {
    this.#open ??=
      this.#read(
        `id = (SELECT id FROM recorded_range WHERE source = 'service' AND begun_by <> 'datagrams'
               ORDER BY from_us DESC, id DESC LIMIT 1)`,
      )[0] ?? null;
    if (atUs !== null) this.alive(atUs);
  }

  /** The service listened up to a moment. Returns false when less than `leastUs` passed since the last one. */
  alive(atUs: number, leastUs = 0): boolean {
    if (this.#open === null || atUs - this.#open.toUs < leastUs) return false;
    this.#open.toUs = Math.max(this.#open.toUs, atUs);
    this.#open.changed = true;
    return true;
  }

  /** A datagram arrived, of whomever. */
  heard(source: RecordedSource, atUs: number): void {
    const row = this.#rowFor(source, atUs);
    // What was received before the clock was set belongs to the range before.
    if (row === this.#open && atUs < row.fromUs) return;
    row.fromUs = Math.min(row.fromUs, atUs);
    row.toUs = Math.max(row.toUs, atUs);
    row.datagrams += 1;
    row.changed = true;
  }

  /** The datagram heard at a moment was a gateway's. */
  heardGateway(source: RecordedSource, gatewayId: number, atUs: number): void {
    const row = this.#rowFor(source, atUs);
    if (row.gatewayIds.has(gatewayId)) return;
    row.gatewayIds.add(gatewayId);
    row.newGatewayIds.add(gatewayId);
    row.changed = true;
  }

  /**
   * Takes in ranges of another store. One that is here already, or was shorter then, is the same range. Another
   * machine's service says nothing of the gateways of this one: what it recorded comes in as a capture does.
   */
  adopt(ranges: readonly AdoptedRange[]): void {
    this.flush();
    const row = this.#db
      .prepare(
        "SELECT id FROM recorded_range WHERE source = ? AND capture_id IS ? AND from_us = ? AND begun_by = ?",
      )
      .pluck();
    const same = (source: string, { captureId, fromUs, begunBy }: AdoptedRange) =>
      row.get(source, captureId, fromUs, begunBy) as number | undefined;
    const extend = this.#db.prepare(
      "UPDATE recorded_range SET to_us = max(to_us, ?), datagrams = max(datagrams, ?) WHERE id = ?",
    );
    for (const range of ranges) {
      const { captureId, fromUs, toUs, datagrams, begunBy, gatewayIds } = range;
      let id = same(range.source, range) ?? same("capture", range);
      if (id === undefined)
        id = Number(this.#insert.run("capture", captureId, fromUs, toUs, datagrams, begunBy).lastInsertRowid);
      else extend.run(toUs, datagrams, id);
      for (const gatewayId of gatewayIds) this.#addGateway.run(id, gatewayId);
      this.#noteChanged({ fromUs, toUs });
    }
    this.#rows = null;
    this.#time = null;
  }

  #noteChanged({ fromUs, toUs }: TimeRange): void {
    this.#changed = {
      fromUs: Math.min(fromUs, this.#changed?.fromUs ?? fromUs),
      toUs: Math.max(toUs, this.#changed?.toUs ?? toUs),
    };
  }

  /** Returns the range over which captures changed the recorded time since this was asked last. */
  takeChanged(): TimeRange | null {
    const changed = this.#changed;
    this.#changed = null;
    return changed;
  }

  /** Writes what changed, in the transaction that brought it. */
  flush(): void {
    this.#write("service", null, this.#open);
    if (this.#rows !== null) {
      const { source, rows } = this.#rows;
      const captureId = source.kind === "capture" ? source.captureId : null;
      for (const row of rows) this.#write(source.kind, captureId, row);
    }
  }

  /** Takes nothing for granted that was not committed. */
  invalidate(): void {
    this.#rows = null;
    this.#time = null;
    if (this.#open !== null) {
      const { fromUs, toUs, begunBy, id } = this.#open;
      const stored = id === null ? undefined : this.#read("id = ?", id)[0];
      this.#open = stored ?? newRow(fromUs, begunBy);
      // It listened all the same.
      this.#open.toUs = Math.max(this.#open.toUs, toUs);
      this.#open.changed = true;
    }
  }

  #write(kind: RecordedSource["kind"], captureId: number | null, row: Row | null): void {
    if (row === null || !row.changed) return;
    row.changed = false;
    if (kind === "capture") this.#noteChanged(row);
    if (row.id === null) {
      const { fromUs, toUs, datagrams, begunBy } = row;
      const { lastInsertRowid } = this.#insert.run(kind, captureId, fromUs, toUs, datagrams, begunBy);
      row.id = Number(lastInsertRowid);
      this.#time = null;
    } else if (row === this.#open) this.#lengthen.run(row.toUs, row.datagrams, row.id);
    else this.#update.run(row.fromUs, row.toUs, row.datagrams, row.id);
    for (const gatewayId of row.newGatewayIds) this.#addGateway.run(row.id, gatewayId);
    if (row.newGatewayIds.size > 0 || row !== this.#open) this.#time = null;
    row.newGatewayIds.clear();
  }

  #rowFor(source: RecordedSource, atUs: number): Row {
    if (source.kind === "service" && this.#open !== null) return this.#open;
    const key = source.kind === "service" ? "service" : `capture ${source.captureId}`;
    if (this.#rows?.key !== key) {
      this.flush();
      this.#rows = { key, source, rows: this.#stored(source) };
    }
    const { rows } = this.#rows;
    const near = rows.filter((row) => isNear(row, atUs));
    const [first, ...others] = near;
    if (first === undefined) {
      const row = newRow(atUs, "datagrams");
      rows.unshift(row);
      return row;
    }
    // The datagram joins ranges that were apart until now.
    for (const other of others) this.#join(first, other);
    if (others.length > 0) this.#rows.rows = rows.filter((row) => !others.includes(row));
    return first;
  }

  /** Its caller marks the row as changed. */
  #join(row: Row, other: Row): void {
    row.fromUs = Math.min(row.fromUs, other.fromUs);
    row.toUs = Math.max(row.toUs, other.toUs);
    row.datagrams += other.datagrams;
    for (const id of other.gatewayIds) {
      row.newGatewayIds.add(id);
      row.gatewayIds.add(id);
    }
    if (other.id === null) return;
    this.#remove.run(other.id);
    this.#dropGateways.run(other.id);
  }

  #stored(source: RecordedSource): Row[] {
    if (source.kind === "service") return this.#read("source = 'service' AND begun_by = 'datagrams'");
    return source.captureId === null
      ? this.#read("source = 'capture' AND capture_id IS NULL")
      : this.#read("capture_id = ?", source.captureId);
  }

  #read(where: string, ...values: number[]): Row[] {
    const rows = this.#db
      .prepare(
        `SELECT id, from_us AS fromUs, to_us AS toUs, datagrams, begun_by AS begunBy FROM recorded_range WHERE ${where}`,
      )
      .all(...values) as { id: number; fromUs: number; toUs: number; datagrams: number; begunBy: string }[];
    const gateways = this.#db.prepare("SELECT gateway_id FROM recorded_gateway WHERE range_id = ?").pluck();
    return rows.map((row) => ({
      ...row,
      gatewayIds: new Set(gateways.all(row.id) as number[]),
      newGatewayIds: new Set<number>(),
      changed: false,
    }));
  }
}

function newRow(atUs: number, begunBy: string): Row {
  return {
    id: null,
    fromUs: atUs,
    toUs: atUs,
    datagrams: 0,
    begunBy,
    gatewayIds: new Set(),
    newGatewayIds: new Set(),
    changed: true,
  };
}

function isNear({ fromUs, toUs }: Row, atUs: number): boolean {
  return atUs >= fromUs - MAX_CAPTURE_PAUSE_US && atUs <= toUs + MAX_CAPTURE_PAUSE_US;
}
