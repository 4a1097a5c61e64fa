/** Programs under measurement: how they are started, what the system counts of them, and how a result is written. */
import { type ChildProcess, spawn } from "node:child_process";
import { once } from "node:events";
import { readdirSync, readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { GATEWAYS } from "./month-store.ts";
import type { BenchResult } from "./run.ts";

/** The built program. */
export const MAIN = fileURLToPath(new URL("../../dist/program/main.js", import.meta.url));

export function row(name: string, floor: number, measured: number): BenchResult {
  return { name, floor, measured, ratio: measured / floor };
}

/** What `--name=WORD` of the command line says; null: it is not there. */
export function wordOf(name: string): string | null {
  const word = process.argv.find((one) => one.startsWith(`--${name}=`));
  return word?.slice(name.length + 3) ?? null;
}

export function progress(sentence: string): void {
  process.stderr.write(`${sentence}\n`);
}

/** A file of this folder. */
export function here(file: string): string {
  return fileURLToPath(new URL(file, import.meta.url));
}

/** A program of this project with its first line, which says that it is ready. */
export interface Program {
  readonly child: ChildProcess;
  readonly firstLine: string;
  /** Its next piece of output. */
  say(line: string): Promise<string>;
  end(): Promise<void>;
}

/** What Node is to be told before a program: how to read TypeScript, but for what is built. */
export function argumentsFor(file: string): readonly string[] {
  return file.endsWith(".ts") ? process.execArgv : [];
}

export async function startProgram(file: string, words: readonly string[]): Promise<Program> {
  const child = spawn(process.execPath, [...argumentsFor(file), file, ...words], {
    stdio: ["pipe", "pipe", "inherit"],
  });
  const next = async () => {
    const ended = once(child, "exit").then(() => null);
    const piece = await Promise.race([once(child.stdout, "data"), ended]);
    if (piece === null) throw new Error(`${file} ended too soon.`);
    return String(piece[0]);
  };
  return {
    child,
    firstLine: await next(),
    say: (line) => {
      child.stdin.write(`${line}\n`);
      return next();
    },
    end: async () => {
      if (child.exitCode !== null || child.signalCode !== null) return;
      child.stdin.end();
      child.kill("SIGTERM");
      await once(child, "exit");
    },
  };
}

export interface Service extends Program {
  readonly udpPort: number;
  /** Address of the dashboard, with a slash at its end. */
  readonly web: string;
}

/** The built service over a store, on free ports. */
export async function startService(db: string, udpPort = 0): Promise<Service> {
  const words = [
    "listen",
    "--db",
    db,
    "--udp-host",
    "127.0.0.1",
    "--udp-port",
    String(udpPort),
    "--web-port",
    "0",
  ];
  const program = await startProgram(MAIN, words);
  const found = /UDP port (\d+).*(http:\/\/\S+\/)/.exec(program.firstLine);
  if (found === null) throw new Error(`The service said: ${program.firstLine}`);
  return { ...program, udpPort: Number(found[1]), web: String(found[2]) };
}

/** Addresses of all views that a person opens, over the last so many seconds that are stored; null: over all. */
export function viewAddresses(web: string, window: string): string[] {
  const names = [
    "site",
    "gateways",
    "nodes",
    "joins",
    "air",
    "strangers",
    "gaps",
    "plan",
    "trials",
    "report",
  ];
  return [...names, `bench/${GATEWAYS[0]}`, "nodes/01000007/1"].map((name) => `${web}api/${name}${window}`);
}

/** Processor time of each thread of a process, user and system, milliseconds by thread (Linux, proc(5): ticks of 10 ms). */
export function threadsMs({ pid }: ChildProcess): Map<string, number> {
  const folder = `/proc/${pid}/task`;
  return new Map(readdirSync(folder).map((thread) => [thread, ticksOf(`${folder}/${thread}/stat`) * 10]));
}

/** Processor time of a process, milliseconds. */
export function processorMs({ pid }: ChildProcess): number {
  return ticksOf(`/proc/${pid}/stat`) * 10;
}

function ticksOf(path: string): number {
  const fields = readFileSync(path, "utf8")
    .replace(/^.*\) /, "")
    .split(" ");
  return Number(fields[11]) + Number(fields[12]);
}

/** Memory that a process has now, or had at most, megabytes. */
export function memoryMb({ pid }: ChildProcess, which: "VmRSS" | "VmHWM"): number {
  const found = new RegExp(`^${which}:\\s+(\\d+) kB`, "m").exec(readFileSync(`/proc/${pid}/status`, "utf8"));
  return Number(found?.[1]) / 1_024;
}
