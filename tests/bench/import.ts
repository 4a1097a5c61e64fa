/**
 * What does the import of a capture cost beside a program that reads, parses and inserts? The capture is that of a store
 * of 150,000 receptions (`mastlog export --format pcap`): three days of 100 nodes at four gateways, with keepalives and
 * reports. Processor time of the whole process; the ratio is the floor's share of it.
 */
import { spawn } from "node:child_process";
import { once } from "node:events";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import Database from "better-sqlite3";
import { monthStore } from "./month-store.ts";
import { argumentsFor, here, MAIN, progress } from "./programs.ts";
import type { BenchResult } from "./run.ts";

const ROUNDS = 3;
/** Tells at the end, on the third stream, what processor time the process took from here on: without the start of Node. */
const TELL_TIME = `data:text/javascript,import{writeSync}from"node:fs";const from=process.cpuUsage();process.on("exit",()=>writeSync(3,JSON.stringify(process.cpuUsage(from))))`;

export async function benchImport(): Promise<BenchResult[]> {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-bench-"));
  const file = (name: string) => join(folder, name);
  try {
    const capture = file("three-days.pcap");
    const what = ["--what", "receptions", "--format", "pcap", "--db", monthStore("0.15", progress)];
    await run([MAIN, "export", ...what, "-o", capture]);
    const floors: Run[] = [];
    const wholes: Run[] = [];
    for (let round = 0; round < ROUNDS; round++) {
      floors.push(await run([here("floor-import.ts"), capture, file(`floor-${round}.db`)]));
      wholes.push(await run([MAIN, "import", capture, "--db", file(`whole-${round}.db`)]));
    }
    const receptions = countOf(file("whole-0.db"));
    if (receptions !== countOf(file("floor-0.db"))) throw new Error("Both must hold the same receptions.");
    const [floor, whole] = [floors, wholes].map((runs) => {
      const least = (of: (run: Run) => number) => Math.min(...runs.map(of));
      return {
        cpuUs: (least((one) => one.cpuMs) * 1_000) / receptions,
        seconds: (least((one) => one.tookMs) * 1_000) / receptions,
      };
    });
    if (floor === undefined || whole === undefined) throw new Error("Nothing was measured.");
    return [
      {
        name: "import, CPU us a reception",
        floor: floor.cpuUs,
        measured: whole.cpuUs,
        ratio: floor.cpuUs / whole.cpuUs,
      },
      {
        name: "import of a million, s",
        floor: floor.seconds,
        measured: whole.seconds,
        ratio: floor.seconds / whole.seconds,
      },
    ];
  } finally {
    rmSync(folder, { recursive: true, force: true });
  }
}

interface Run {
  readonly cpuMs: number;
  readonly tookMs: number;
}

async function run(words: readonly string[]): Promise<Run> {
  const beganMs = performance.now();
  const child = spawn(process.execPath, [...argumentsFor(words[0] ?? ""), "--import", TELL_TIME, ...words], {
    stdio: ["ignore", "ignore", "inherit", "pipe"],
  });
  const told: string[] = [];
  child.stdio[3]?.on("data", (piece: Buffer) => told.push(String(piece)));
  const [code] = await once(child, "close");
  if (code !== 0) throw new Error(`${words.join(" ")} ended with ${code}.`);
  const { user, system } = JSON.parse(told.join("")) as NodeJS.CpuUsage;
  return { cpuMs: (user + system) / 1_000, tookMs: performance.now() - beganMs };
}

function countOf(path: string): number {
  const db = new Database(path, { readonly: true });
  try {
    return Number(db.prepare("SELECT count(*) FROM reception").pluck().get());
  } finally {
    db.close();
  }
}
