/** How do the commands meet the terminal? Answers and complaints as text or JSON, progress, and the end by a signal. */
import cliProgress from "cli-progress";
import type { Sentence } from "../contract/index.ts";
import { plainJson, plainLine, plainLines } from "../model/text.ts";

// Lets a command that writes end in order after Ctrl-C or `kill`: it stops at a safe point and closes the store.

const SIGNALS = ["SIGINT", "SIGTERM", "SIGHUP"] as const;

/**
 * Runs `work`; a signal calls `stop`, after which `work` should settle soon. Then the program ends by that signal, as
 * its caller expects. A second signal ends it at once.
 */
export async function interruptible<T>(stop: () => void, work: () => Promise<T>): Promise<T> {
  let caught: NodeJS.Signals | null = null;
  const onSignal = (signal: NodeJS.Signals): void => {
    caught = signal;
    remove();
    stop();
  };
  const remove = (): void => {
    for (const signal of SIGNALS) process.removeListener(signal, onSignal);
  };
  for (const signal of SIGNALS) process.on(signal, onSignal);
  try {
    return await work();
  } finally {
    remove();
    if (caught !== null) process.kill(process.pid, caught);
  }
}

// How far is a long piece of work? A bar on a terminal's stderr, and nothing anywhere else.

export interface Progress {
  /** Share done, 0 to 1. */
  at(share: number): void;
  stop(): void;
}

export function progressBar(what: string, stream: NodeJS.WriteStream = process.stderr): Progress {
  if (!stream.isTTY) return { at: () => undefined, stop: () => undefined };
  const bar = new cliProgress.SingleBar({
    stream,
    format: `${what} [{bar}] {percentage} %`,
    clearOnComplete: true,
    hideCursor: true,
  });
  bar.start(100, 0);
  return { at: (share) => bar.update(Math.round(share * 100)), stop: () => bar.stop() };
}

// How do the commands print an answer: aligned columns under the view's sentence, or one JSON document.

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

/** Returns the parts as one text, a blank line between; a part without text is left out. */
export function joined(parts: readonly string[]): string {
  return `${parts.filter((part) => part !== "").join("\n\n")}\n`;
}

/** Returns rows under their title; nothing without rows. */
export function titled(title: string, rows: string): string {
  return rows === "" ? "" : `${title}\n${rows}`;
}

interface Column<Row> {
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
