/** How do the commands print an answer: aligned columns under the view's sentence, or one JSON document. */
import type { Sentence } from "../contract/index.ts";
import { plainJson, plainLine, plainLines } from "../model/plain-text.ts";

/** Writes text to stdout, without what could steer the terminal: names and a gateway's words are a stranger's. */
export function print(text: string): void {
  process.stdout.write(plainLines(text));
}

/** Writes text to stderr in the same way. */
export function complain(text: string): void {
  process.stderr.write(plainLines(text));
}

/** Prints a value as one JSON document; characters that steer a terminal are escaped in it. */
export function printJson(value: unknown): void {
  process.stdout.write(`${jsonText(value)}\n`);
}

export function jsonText(value: unknown): string {
  return plainJson(JSON.stringify(value, null, 2));
}

export function sentenceText(sentence: Sentence): string {
  return plainLine(sentence.map(({ text }) => text).join(""));
}

export interface Column<Row> {
  readonly title: string;
  readonly of: (row: Row) => string;
  /** Numbers stand right. */
  readonly right?: boolean;
}

/** A table of text; every row one line. Empty without rows. */
export function table<Row>(rows: readonly Row[], columns: readonly Column<Row>[]): string {
  if (rows.length === 0) return "";
  const cells = [
    columns.map(({ title }) => plainLine(title)),
    ...rows.map((row) => columns.map(({ of }) => plainLine(of(row)))),
  ];
  const widths = columns.map((_, i) => Math.max(...cells.map((line) => [...(line[i] ?? "")].length)));
  const pad = (text: string, i: number) => {
    const fill = " ".repeat(Math.max(0, (widths[i] ?? 0) - [...text].length));
    return columns[i]?.right === true ? fill + text : text + fill;
  };
  return cells.map((line) => line.map(pad).join("  ").trimEnd()).join("\n");
}
