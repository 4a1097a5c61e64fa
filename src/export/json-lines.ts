/** Rows as JSON lines: one object a row, keys and units as in the API, times in ISO 8601. */
import { type Column, type Row, timeText } from "./table.ts";

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
