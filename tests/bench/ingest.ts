/**
 * How many datagrams a second does the whole path take (receive, decode, account, commit, acknowledge), and how
 * does that compare with a floor program in the same run? A sender keeps 32 unanswered datagrams in the air. An answer
 * may leave before the commit, so the rate at which receptions are stored is told as well.
 */
import { spawn } from "node:child_process";
import { createSocket } from "node:dgram";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import type { BenchResult } from "./run.ts";
import { benchDatagram } from "./traffic.ts";

const DATAGRAMS = 20_000;
const IN_THE_AIR = 32;
const ROUNDS = 3;

export async function benchIngest(): Promise<BenchResult[]> {
  const datagrams = Array.from({ length: DATAGRAMS }, (_, i) => benchDatagram(i));
  const floors: Measured[] = [];
  const wholes: Measured[] = [];
  for (let round = 0; round < ROUNDS; round++) {
    floors.push(await measure("floor-server.ts", datagrams));
    wholes.push(await measure("whole-server.ts", datagrams));
  }
  return [
    result("ingest datagrams/s", floors, wholes, (one) => one.perSecond),
    result("receptions stored/s", floors, wholes, (one) => one.storedPerSecond),
    result("acknowledgement median ms", floors, wholes, (one) => one.medianMs),
    result("acknowledgement 99.9th percentile ms", floors, wholes, (one) => one.p999Ms),
  ];
}

interface Measured {
  perSecond: number;
  storedPerSecond: number;
  medianMs: number;
  p999Ms: number;
}

function result(
  name: string,
  floors: readonly Measured[],
  wholes: readonly Measured[],
  of: (one: Measured) => number,
): BenchResult {
  const floor = middle(floors.map(of));
  const measured = middle(wholes.map(of));
  return { name, floor, measured, ratio: measured / floor };
}

function middle(values: number[]): number {
  return values.sort((a, b) => a - b)[values.length >> 1] ?? Number.NaN;
}

async function measure(server: string, datagrams: readonly Uint8Array[]): Promise<Measured> {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-bench-"));
  const file = new URL(server, import.meta.url).pathname;
  const child = spawn(process.execPath, [...process.execArgv, file, join(folder, "bench.db")], {
    stdio: ["pipe", "pipe", "inherit"],
    env: { ...process.env, MASTLOG_BENCH_STORED: String(datagrams.length) },
  });
  try {
    const port = await new Promise<number>((resolve, reject) => {
      child.stdout.once("data", (line: Buffer) => resolve(Number(line.toString())));
      child.once("exit", () => reject(new Error(`${server} ended before it was ready`)));
    });
    // The floor answers what it has stored; the whole says when all of it is.
    const stored =
      server === "floor-server.ts"
        ? null
        : new Promise<number>((resolve) => child.stdout.once("data", () => resolve(performance.now())));
    const startMs = performance.now();
    const measured = await pump(port, datagrams);
    if (stored === null) return { ...measured, storedPerSecond: measured.perSecond };
    return { ...measured, storedPerSecond: (datagrams.length / ((await stored) - startMs)) * 1000 };
  } finally {
    child.stdin.end();
    await new Promise((done) => child.once("exit", done));
    rmSync(folder, { recursive: true, force: true });
  }
}

function pump(port: number, datagrams: readonly Uint8Array[]): Promise<Omit<Measured, "storedPerSecond">> {
  const socket = createSocket("udp4");
  const sentAt = new Float64Array(65_536);
  const waitsMs: number[] = [];
  let next = 0;
  return new Promise((resolve, reject) => {
    const startMs = performance.now();
    const sendNext = () => {
      const bytes = datagrams[next];
      if (bytes === undefined) return;
      sentAt[next % 65_536] = performance.now();
      next += 1;
      socket.send(bytes, port, "127.0.0.1");
    };
    const watchdog = setTimeout(() => {
      socket.close();
      reject(new Error(`only ${waitsMs.length} of ${datagrams.length} were acknowledged within a minute`));
    }, 60_000);
    socket.on("message", (answer) => {
      const token = answer.readUInt16BE(1);
      waitsMs.push(performance.now() - (sentAt[token] ?? 0));
      if (waitsMs.length < datagrams.length) {
        sendNext();
        return;
      }
      clearTimeout(watchdog);
      socket.close();
      waitsMs.sort((a, b) => a - b);
      resolve({
        perSecond: (datagrams.length / (performance.now() - startMs)) * 1000,
        medianMs: waitsMs[waitsMs.length >> 1] ?? Number.NaN,
        p999Ms: waitsMs[Math.floor(waitsMs.length * 0.999)] ?? Number.NaN,
      });
    });
    socket.bind(0, "127.0.0.1", () => {
      socket.setRecvBufferSize(4 * 1024 * 1024);
      for (let i = 0; i < IN_THE_AIR; i++) sendNext();
    });
  });
}
