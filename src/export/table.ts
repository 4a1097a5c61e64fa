/** What does a table that is taken out consist of, and how is one made? Typed columns, rows in pages, parts by date and gateway. */
import { ByteWriter, ParquetWriter, type SchemaElement } from "hyparquet-writer";
import type { AskedWindow } from "../views/window.ts";

/** int64 where 32 bits may not suffice; time: microseconds since 1970, UTC. */
export type ColumnType = "text" | "int32" | "int64" | "number" | "boolean" | "time";

export interface Column {
  /** Head of the column and key of the JSON object: the API's, with its unit. */
  readonly name: string;
  readonly type: ColumnType;
}

export type Cell = string | number | boolean | null;
export type Row = readonly Cell[];

export interface ExportScope {
  readonly window: AskedWindow;
  readonly gatewayEui?: string | undefined;
  readonly devAddr?: string | undefined;
}

/** Some rows, and which share of the work is done with them, 0 to 1. */
export interface Page {
  readonly rows: readonly Row[];
  readonly share: number;
}

/** Rows of one date (UTC), and of one gateway where rows have one. */
export interface Part {
  readonly date: string;
  readonly gatewayEui: string | null;
  readonly pages: Iterable<Page>;
}

export interface Table {
  readonly columns: readonly Column[];
  /** All rows, never more than a page in memory. */
  pages(): Iterable<Page>;
  /** The same by date and gateway; a part is read to its end before the next is asked for. */
  parts(): Iterable<Part>;
}

const DAY_US = 86_400_000_000;

/** The day (UTC) in which a moment lies. */
export function dayOf(atUs: number): {
  readonly date: string;
  readonly fromUs: number;
  readonly toUs: number;
} {
  const fromUs = Math.floor(atUs / DAY_US) * DAY_US;
  return { date: new Date(fromUs / 1000).toISOString().slice(0, 10), fromUs, toUs: fromUs + DAY_US };
}

let lastSecond = Number.NaN;
let lastText = "";

/** ISO 8601 in UTC with microseconds. */
export function timeText(atUs: number): string {
  const second = Math.floor(atUs / 1e6);
  if (second !== lastSecond) {
    lastSecond = second;
    lastText = new Date(second * 1000).toISOString().slice(0, 19);
  }
  return `${lastText}.${String(Math.round(atUs - second * 1e6)).padStart(6, "0")}Z`;
}

/** Microseconds from the API's own time text. */
export function timeUs(text: string): number {
  return Date.parse(text) * 1000;
}

// How is a table made of rows that come one by one?

/** A column with where its cell comes from. */
export interface Field<Of> {
  readonly name: string;
  readonly type: ColumnType;
  readonly of: (row: Of) => Cell;
}

const PAGE = 500;

/** A table from rows that come one by one; `dateOf`: in which day a row counts, `gatewayOf`: at which gateway. */
export function tableOf<Of>(
  fields: readonly Field<Of>[],
  rows: () => Iterable<{ readonly row: Of; readonly share: number }>,
  dateOf: (row: Of) => string,
  gatewayOf: ((row: Of) => string) | null,
): Table {
  const columns: readonly Column[] = fields.map(({ name, type }) => ({ name, type }));
  const cells = (row: Of): Row => fields.map(({ of }) => of(row));
  function* pages(): Generator<Page> {
    let page: Row[] = [];
    let share = 0;
    for (const one of rows()) {
      page.push(cells(one.row));
      share = one.share;
      if (page.length < PAGE) continue;
      yield { rows: page, share };
      page = [];
    }
    if (page.length > 0) yield { rows: page, share };
  }
  function* parts(): Generator<Part> {
    // Few against receptions: one row a node, link, gap, gateway or channel.
    const byPart = new Map<string, { date: string; gatewayEui: string | null; rows: Row[] }>();
    for (const { row } of rows()) {
      const date = dateOf(row);
      const gatewayEui = gatewayOf === null ? null : gatewayOf(row);
      const key = `${date} ${gatewayEui}`;
      const part = byPart.get(key) ?? { date, gatewayEui, rows: [] };
      part.rows.push(cells(row));
      byPart.set(key, part);
    }
    for (const { rows: own, ...part } of byPart.values()) yield { ...part, pages: [{ rows: own, share: 1 }] };
  }
  return { columns, pages, parts };
}

export function text<Of>(name: string, of: (row: Of) => string | null): Field<Of> {
  return { name, type: "text", of };
}
export function whole<Of>(name: string, of: (row: Of) => number | null): Field<Of> {
  return { name, type: "int64", of };
}
export function real<Of>(name: string, of: (row: Of) => number | null): Field<Of> {
  return { name, type: "number", of };
}
export function yes<Of>(name: string, of: (row: Of) => boolean): Field<Of> {
  return { name, type: "boolean", of };
}
export function time<Of>(name: string, of: (row: Of) => string): Field<Of> {
  return { name, type: "time", of: (row) => timeUs(of(row)) };
}

// In which forms are rows taken out? Comma-separated values, JSON lines, Parquet.

// Comma-separated values: RFC 4180, with a head, lines ended by CR LF, UTF-8.
//
// A spreadsheet takes text that begins with = + - @, a tab or a carriage return for a formula. Names come from people
// and from the air, so such text gets an apostrophe before it (OWASP, "CSV Injection"). Numbers stay numbers.

const FORMULA = /^[=+\-@\t\r]/;
// RFC 4180 section 2, rules 5 to 7.
const TO_QUOTE = /[",\r\n]/;

function textField(text: string): string {
  const safe = FORMULA.test(text) ? `'${text}` : text;
  return TO_QUOTE.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}

export function csvHead(columns: readonly Column[]): string {
  return `${columns.map(({ name }) => textField(name)).join(",")}\r\n`;
}

export function csvRows(columns: readonly Column[], rows: readonly Row[]): string {
  let text = "";
  for (const row of rows) {
    for (let i = 0; i < columns.length; i++) {
      if (i > 0) text += ",";
      const cell = row[i];
      if (cell === null || cell === undefined) continue;
      if (typeof cell === "string") text += textField(cell);
      else if (typeof cell === "number") text += columns[i]?.type === "time" ? timeText(cell) : String(cell);
      else text += cell ? "true" : "false";
    }
    text += "\r\n";
  }
  return text;
}

// Rows as JSON lines: one object a row, keys and units as in the API, times in ISO 8601.

export function jsonRows(columns: readonly Column[], rows: readonly Row[]): string {
  const keys = columns.map(({ name }, i) => `${i === 0 ? "{" : ","}${JSON.stringify(name)}:`);
  let text = "";
  for (const row of rows) {
    for (let i = 0; i < columns.length; i++) {
      const cell = row[i] ?? null;
      text += keys[i];
      if (typeof cell === "number" && columns[i]?.type === "time") text += `"${timeText(cell)}"`;
      else text += typeof cell === "string" ? JSON.stringify(cell) : String(cell);
    }
    text += "}\n";
  }
  return text;
}

// Rows as Parquet: typed, compressed (Snappy), in row groups. Written by hyparquet-writer, a group at a time: no more
// than one is in memory. Times are microseconds in UTC; a column that may be empty is optional.

/** Rows of a group. Chosen: some 10 MB of memory while it is made, and large enough to compress well. */
const ROWS_A_GROUP = 50_000;

type Typed = Pick<SchemaElement, "type" | "converted_type" | "logical_type">;

const TYPES: Readonly<Record<ColumnType, Typed>> = {
  text: { type: "BYTE_ARRAY", converted_type: "UTF8" },
  int32: { type: "INT32" },
  int64: { type: "INT64" },
  number: { type: "DOUBLE" },
  boolean: { type: "BOOLEAN" },
  time: { type: "INT64", logical_type: { type: "TIMESTAMP", isAdjustedToUTC: true, unit: "MICROS" } },
};

/** One file, in pieces; the share done with each. */
export function* parquetFile(
  columns: readonly Column[],
  pages: Iterable<Page>,
  createdBy: string,
): Generator<{ readonly bytes: Uint8Array; readonly share: number }> {
  const sink = new ByteWriter();
  const schema: SchemaElement[] = [
    { name: "root", num_children: columns.length },
    ...columns.map(
      ({ name, type }): SchemaElement => ({ name, repetition_type: "OPTIONAL", ...TYPES[type] }),
    ),
  ];
  const file = new ParquetWriter({ writer: sink, schema, createdBy });
  let rows: Row[] = [];
  let share = 0;
  for (const page of pages) {
    rows.push(...page.rows);
    share = page.share;
    if (rows.length < ROWS_A_GROUP) continue;
    writeGroup(file, columns, rows);
    rows = [];
    yield { bytes: drained(sink), share };
  }
  if (rows.length > 0) writeGroup(file, columns, rows);
  // The sink is memory, so nothing is waited for.
  void file.finish();
  yield { bytes: drained(sink), share: 1 };
}

function writeGroup(file: ParquetWriter, columns: readonly Column[], rows: readonly Row[]): void {
  const columnData = columns.map(({ name, type }, i) => ({ name, data: columnOf(rows, i, type) }));
  void file.write({ columnData, rowGroupSize: rows.length });
}

function columnOf(rows: readonly Row[], index: number, type: ColumnType): unknown[] {
  const isWide = type === "int64" || type === "time";
  return rows.map((row) => {
    const cell = row[index] ?? null;
    return isWide && typeof cell === "number" ? BigInt(Math.round(cell)) : cell;
  });
}

/** Takes out what was written; the offsets of the file go on. */
function drained(sink: ByteWriter): Uint8Array {
  const bytes = Uint8Array.from(sink.getBytes());
  sink.index = 0;
  return bytes;
}
