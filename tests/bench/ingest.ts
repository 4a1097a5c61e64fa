/**
 * What does the whole path cost (receive, decode, account, commit, acknowledge), and how many datagrams a second does it
 * take, beside a floor program in the same run? A sender keeps 32 unanswered datagrams in the air. Cost is processor time
 * of the whole process, of one, four and eight receptions a datagram, so that other programs on the machine count for
 * little; its ratio is the floor's share of it. An answer may leave before the commit, so the rate at which receptions
 * are stored is told as well.
 */
import { spawn } from "node:child_process";
import { createSocket } from "node:dgram";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import type { BenchResult } from "./run.ts";
import { benchDatagram } from "./traffic.ts";

const RECEPTIONS = 20_000;
const RECEPTIONS_A_DATAGRAM = [1, 4, 8];
const IN_THE_AIR = 32;
const ROUNDS = 3;
/** What the start of a program costs is measured with so few, and taken off. */
const FEW = 32;

export async function benchIngest(): Promise<BenchResult[]> {
  const results: BenchResult[] = [];
  for (const packets of RECEPTIONS_A_DATAGRAM) {
    const datagrams = Array.from({ length: RECEPTIONS / packets }, (_, i) => benchDatagram(i, packets));
    const floors: Measured[] = [];
    const wholes: Measured[] = [];
    for (let round = 0; round < ROUNDS; round++) {
      floors.push(await beyondStart("floor-server.ts", datagrams, packets));
      wholes.push(await beyondStart("whole-server.ts", datagrams, packets));
    }
    const floor = middle(floors.map(({ cpuUs }) => cpuUs / RECEPTIONS));
    const measured = middle(wholes.map(({ cpuUs }) => cpuUs / RECEPTIONS));
    results.push({
      name: `CPU us/reception, ${packets} a datagram`,
      floor,
      measured,
      ratio: floor / measured,
    });
    if (packets > 1) continue;
    results.push(
      result("ingest datagrams/s", floors, wholes, (one) => one.perSecond),
      result("receptions stored/s", floors, wholes, (one) => one.storedPerSecond),
      result("acknowledgement median ms", floors, wholes, (one) => one.medianMs),
      result("acknowledgement 99.9th percentile ms", floors, wholes, (one) => one.p999Ms),
    );
  }
  return results;
}

interface Measured {
  perSecond: number;
  storedPerSecond: number;
  medianMs: number;
  p999Ms: number;
  /** Processor time of the process, user and system, all threads. */
  cpuUs: number;
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

async function beyondStart(
  server: string,
  datagrams: readonly Uint8Array[],
  packets: number,
): Promise<Measured> {
  const few = await measure(server, datagrams.slice(0, FEW), packets);
  const all = await measure(server, datagrams, packets);
  return { ...all, cpuUs: ((all.cpuUs - few.cpuUs) * datagrams.length) / (datagrams.length - FEW) };
}

async function measure(server: string, datagrams: readonly Uint8Array[], packets: number): Promise<Measured> {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-bench-"));
  const file = new URL(server, import.meta.url).pathname;
  const child = spawn(process.execPath, [...process.execArgv, file, join(folder, "bench.db")], {
    stdio: ["pipe", "pipe", "inherit"],
    env: { ...process.env, MASTLOG_BENCH_STORED: String(datagrams.length * packets) },
  });
  const line = () =>
    new Promise<string>((resolve, reject) => {
      child.stdout.once("data", (text: Buffer) => resolve(text.toString()));
      child.once("exit", () => reject(new Error(`${server} ended too soon`)));
    });
  const exited = new Promise((done) => child.once("exit", done));
  try {
    const port = Number(await line());
    // The floor answers what it has stored; the whole says when all of it is.
    const stored = server === "floor-server.ts" ? null : line().then(() => performance.now());
    const startMs = performance.now();
    const measured = await pump(port, datagrams);
    const storedMs = stored === null ? null : (await stored) - startMs;
    const used = line();
    child.stdin.end();
    const { user, system } = JSON.parse(await used) as NodeJS.CpuUsage;
    const storedPerSecond = storedMs === null ? measured.perSecond : (datagrams.length / storedMs) * 1000;
    return { ...measured, storedPerSecond, cpuUs: user + system };
  } finally {
    child.stdin.end();
    await exited;
    rmSync(folder, { recursive: true, force: true });
  }
}

function pump(
  port: number,
  datagrams: readonly Uint8Array[],
): Promise<Omit<Measured, "storedPerSecond" | "cpuUs">> {
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
