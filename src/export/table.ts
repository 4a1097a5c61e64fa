/** What does a table that is taken out consist of: typed columns, rows in pages, and parts by date and gateway. */
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
