/** In which forms are rows taken out? Comma-separated values, JSON lines, Parquet. */
import { ByteWriter, ParquetWriter, type SchemaElement } from "hyparquet-writer";
import { type Column, type ColumnType, type Page, type Row, timeText } from "./table.ts";

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
