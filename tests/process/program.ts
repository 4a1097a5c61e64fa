/** Which program do these tests drive? The built one: found here, run to its end or in the background, always ended. */
import { type ChildProcess, spawn } from "node:child_process";
import { existsSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

export const repository = fileURLToPath(new URL("../../", import.meta.url));
const MAIN = join(repository, "dist/program/main.js");
/** Longest life of a command that a test waits for. */
const COMMAND_MS = 120_000;

const children = new Set<ChildProcess>();
const folders = new Set<string>();

function endAll(): void {
  for (const child of children) child.kill("SIGKILL");
  removeFolders();
}
process.on("exit", endAll);
// By this signal Vitest ends its workers.
process.once("SIGTERM", () => {
  endAll();
  if (process.listenerCount("SIGTERM") === 0) process.kill(process.pid, "SIGTERM");
});

/** The built program's file; a sentence when nobody has built it. */
export function programFile(): string {
  if (existsSync(MAIN)) return MAIN;
  throw new Error("dist/program/main.js is missing: run `npm run build` before the tests of the process.");
}

/** A folder of the test's own; removed by `cleanUp`. */
export function temporaryFolder(): string {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-process-"));
  folders.add(folder);
  return folder;
}

/** Starts the built program with pipes; it is killed by `cleanUp` at the latest. */
export function spawnProgram(
  words: readonly string[],
  folder: string,
  environment: Readonly<Record<string, string>> = {},
): ChildProcess {
  return spawnKept(process.execPath, [programFile(), ...words], folder, environment);
}

/** Starts any program of a test's, kept account of in the same way. `user`: as whom, by default as ourselves. */
export function spawnKept(
  program: string,
  words: readonly string[],
  folder: string,
  environment: Readonly<Record<string, string>> = {},
  user: { readonly uid?: number; readonly gid?: number } = {},
): ChildProcess {
  const { MASTLOG_DB: _, MASTLOG_TOKEN: __, ...own } = process.env;
  const env = { ...own, ...environment };
  const child = spawn(program, words, { cwd: folder, env, stdio: ["pipe", "pipe", "pipe"], ...user });
  children.add(child);
  child.once("exit", () => children.delete(child));
  return child;
}

export interface Ended {
  readonly status: number | null;
  readonly out: string;
  readonly err: string;
}

/** Runs one command to its end and gives what it printed. */
export async function runProgram(words: readonly string[], folder: string): Promise<Ended> {
  const child = spawnProgram(words, folder);
  child.stdin?.end();
  const timer = setTimeout(() => child.kill("SIGKILL"), COMMAND_MS);
  const ended = await endOf(child);
  clearTimeout(timer);
  return ended;
}

/** What a child prints from now on, and how it ends. */
export function endOf(child: ChildProcess): Promise<Ended> {
  let out = "";
  let err = "";
  child.stdout?.setEncoding("utf8").on("data", (text: string) => {
    out += text;
  });
  child.stderr?.setEncoding("utf8").on("data", (text: string) => {
    err += text;
  });
  return new Promise((resolve) => {
    child.once("close", (status) => resolve({ status, out, err }));
  });
}

/** Ends whatever a test left running and removes its folders: for `afterEach`. */
export async function cleanUp(): Promise<void> {
  const ending = [...children].map(
    (child) =>
      new Promise<void>((done) => {
        if (child.exitCode !== null || child.signalCode !== null) return done();
        child.once("exit", () => done());
        child.kill("SIGKILL");
      }),
  );
  await Promise.all(ending);
  removeFolders();
}

function removeFolders(): void {
  for (const folder of folders) rmSync(folder, { recursive: true, force: true });
  folders.clear();
}
