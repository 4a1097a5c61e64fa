/**
 * Rows as Parquet: typed, compressed (Snappy), in row groups. Written by hyparquet-writer, a group at a time: no more
 * than one is in memory. Times are microseconds in UTC; a column that may be empty is optional.
 */
import { ByteWriter, ParquetWriter, type SchemaElement } from "hyparquet-writer";
import type { Column, ColumnType, Page, Row } from "./table.ts";

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
