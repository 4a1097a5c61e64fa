/** What does a table that is taken out consist of, and how is one made? Typed columns, rows in pages, parts by date and gateway. */
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
