/**
 * Rows as comma-separated values: RFC 4180, with a head, lines ended by CR LF, UTF-8.
 *
 * A spreadsheet takes text that begins with = + - @, a tab or a carriage return for a formula. Names come from people
 * and from the air, so such text gets an apostrophe before it (OWASP, "CSV Injection"). Numbers stay numbers.
 */
import { type Column, type Row, timeText } from "./table.ts";

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
