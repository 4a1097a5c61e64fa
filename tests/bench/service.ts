/**
 * What does the built service cost over a store of months: from its start to its first acknowledgement, in a minute in
 * which nothing happens, and in memory once every view was asked over a day and over all? Beside what was set as a goal. `--size=0.15|1.5|10` (millions of receptions; 1.5 unless told).
 */
import { createSocket } from "node:dgram";
import { copyFileSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { START_US } from "../store/traffic.ts";
import { quantile } from "./busy-gateways.ts";
import { MONTH_SIZES, monthStore } from "./month-store.ts";
import {
  memoryMb,
  processorMs,
  progress,
  row,
  type Service,
  startService,
  viewAddresses,
  wordOf,
} from "./programs.ts";
import type { BenchResult } from "./run.ts";
import { busyDatagram } from "./traffic.ts";

const STARTS = 3;
/** What the start leaves to be done (the search for gaps up to now) is over once ten seconds take no more than this, thrice. */
const QUIET_CPU_MS = 150;
const QUIET_LOOKS = 3;
const LOOK_EVERY_MS = 10_000;
const MAX_LOOKS = 24;
const IDLE_MS = 60_000;
const DAY_MS = 86_400_000;

export async function benchService(): Promise<BenchResult[]> {
  const size = wordOf("size") ?? "1.5";
  const folder = mkdtempSync(join(tmpdir(), "mastlog-bench-"));
  let service: Service | null = null;
  try {
    const db = join(folder, "bench.db");
    copyFileSync(monthStore(size, progress), db);
    const starts: Start[] = [];
    for (let i = 0; i < STARTS; i++) {
      await service?.end();
      const started: Start = await firstAnswer(db);
      starts.push(started);
      service = started.service;
    }
    if (service === null) throw new Error("Nothing was started.");
    const { child, web } = service;
    for (let looks = 0, quiet = 0; looks < MAX_LOOKS && quiet < QUIET_LOOKS; looks++) {
      const usedMs = processorMs(child);
      await after(LOOK_EVERY_MS);
      quiet = processorMs(child) - usedMs > QUIET_CPU_MS ? 0 : quiet + 1;
    }
    const before = processorMs(child);
    await after(IDLE_MS);
    const idleS = (processorMs(child) - before) / 1_000;
    const idleMb = memoryMb(child, "VmRSS");
    const days = MONTH_SIZES[size]?.days ?? 1;
    for (const span of [1, days])
      for (const address of viewAddresses(web, lastDays(days, span))) {
        const answer = await fetch(address);
        await answer.arrayBuffer();
        if (!answer.ok) throw new Error(`${address}: ${answer.status}`);
      }
    return [
      row(`start to first answer over ${size} million, ms, of 500`, 500, middle(starts, "afterMs")),
      row("the same, processor time ms, of 500", 500, middle(starts, "cpuMs")),
      row("idle, CPU s a minute, of 0.5", 0.5, idleS),
      row("idle, memory MB, of 106", 106, idleMb),
      row("peak memory of the service, all views, MB, of 200", 200, memoryMb(child, "VmHWM")),
    ];
  } finally {
    await service?.end();
    rmSync(folder, { recursive: true, force: true });
  }
}

interface Start {
  readonly service: Service;
  readonly afterMs: number;
  readonly cpuMs: number;
}

function middle(starts: readonly Start[], of: "afterMs" | "cpuMs"): number {
  return quantile(
    starts.map((one) => one[of]),
    0.5,
  );
}

/** Starts the service, and asks it as a gateway every two milliseconds until it answers. */
async function firstAnswer(db: string): Promise<Start> {
  const socket = createSocket("udp4");
  const port = await freePort();
  const beganMs = performance.now();
  let sent = 0;
  const answered = new Promise<number>((done) =>
    socket.once("message", () => done(performance.now() - beganMs)),
  );
  const timer = setInterval(() => socket.send(busyDatagram(sent++, 1), port, "127.0.0.1"), 2);
  try {
    const service = await startService(db, port);
    const afterMs = await answered;
    return { service, afterMs, cpuMs: processorMs(service.child) };
  } finally {
    clearInterval(timer);
    socket.close();
  }
}

function freePort(): Promise<number> {
  const socket = createSocket("udp4");
  return new Promise((resolve) =>
    socket.bind(0, "127.0.0.1", () => {
      const { port } = socket.address();
      socket.close(() => resolve(port));
    }),
  );
}

/** The last days of a store of so many days. */
function lastDays(of: number, days: number): string {
  const time = (day: number) => new Date(START_US / 1_000 + day * DAY_MS).toISOString();
  return `?from=${time(of - days)}&to=${time(of)}`;
}

function after(ms: number): Promise<void> {
  return new Promise((done) => setTimeout(done, ms));
}
