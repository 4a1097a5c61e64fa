/** Runs a command as a person would and keeps what it printed: for tests of the commands. */
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import type { Command } from "commander";
import { vi } from "vitest";
import { openStore } from "../../src/store/open.ts";
import type { DecodedArrival } from "../../src/store/recorder.ts";
import { record } from "../views/a-site.ts";

export interface Printed {
  readonly out: string;
  readonly err: string;
  readonly exitCode: number;
}

/** What a command printed. */
export function run(command: Command, ...words: string[]): Promise<Printed> {
  return printedBy(() => command.parseAsync(words, { from: "user" }));
}

/** What was printed meanwhile. Exit code 0 where none was set; the process's own stays as it was. */
export async function printedBy(work: () => Promise<unknown>): Promise<Printed> {
  let out = "";
  let err = "";
  const before = process.exitCode;
  process.exitCode = undefined;
  const spies = [
    vi.spyOn(process.stdout, "write").mockImplementation((text) => {
      out += String(text);
      return true;
    }),
    vi.spyOn(process.stderr, "write").mockImplementation((text) => {
      err += String(text);
      return true;
    }),
  ];
  try {
    await work();
    return { out, err, exitCode: Number(process.exitCode ?? 0) };
  } finally {
    for (const spy of spies) spy.mockRestore();
    process.exitCode = before;
  }
}

export interface StoreFile {
  readonly path: string;
  /** Takes the file away again. */
  readonly remove: () => void;
}

/** A store on disk with a site's traffic in it. */
export function storeFile(traffic: readonly DecodedArrival[]): StoreFile {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-command-"));
  const path = join(folder, "site.db");
  const db = openStore(path);
  record(db, traffic);
  db.close();
  return { path, remove: () => rmSync(folder, { recursive: true }) };
}
