/**
 * How long do ten busy gateways wait for their acknowledgements, and how many longer than 25 ms because somebody reads?
 * The built service over a store of 1.5 million receptions, alone and beside a reader that asks views of all its time
 * without a pause; the floor program likewise, while that reader asks the same service. Conditions take turns within one
 * run. `--rate=N`: datagrams a second of each gateway (20 otherwise; 100 is all that eight demodulators can deliver).
 */
import { copyFileSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { quantile, sendBusily } from "./busy-gateways.ts";
import { monthStore } from "./month-store.ts";
import {
  here,
  type Program,
  progress,
  row,
  startProgram,
  startService,
  viewAddresses,
  wordOf,
} from "./programs.ts";
import type { BenchResult } from "./run.ts";

const GATEWAYS = 10;
const SECONDS = 20;
const ROUNDS = 3;
/** The limit within which a gateway is promised its answer. */
const LATE_MS = 25;

export async function benchAnswers(): Promise<BenchResult[]> {
  const rate = Number(wordOf("rate") ?? 20);
  const folder = mkdtempSync(join(tmpdir(), "mastlog-bench-"));
  const running: Program[] = [];
  const kept = <P extends Program>(program: P): P => {
    running.push(program);
    return program;
  };
  try {
    const db = join(folder, "bench.db");
    copyFileSync(monthStore("1.5", progress), db);
    const service = kept(await startService(db));
    const floor = kept(await startProgram(here("floor-server.ts"), [join(folder, "floor.db")]));
    const ports = { floor: Number(floor.firstLine), whole: service.udpPort };
    const waits = {
      floor: [] as number[],
      floorRead: [] as number[],
      whole: [] as number[],
      wholeRead: [] as number[],
    };
    let first = 0;
    const send = async (to: "floor" | "whole", into: number[]) => {
      const traffic = { gateways: GATEWAYS, perSecond: rate * GATEWAYS, seconds: SECONDS, first };
      for (const waitMs of await sendBusily(ports[to], traffic)) into.push(waitMs);
      first += Math.floor(rate * SECONDS) * GATEWAYS;
    };
    for (let round = 0; round < ROUNDS; round++) {
      await send("floor", waits.floor);
      await send("whole", waits.whole);
      const reader = kept(await startProgram(here("reader.ts"), viewAddresses(service.web, "")));
      await send("floor", waits.floorRead);
      await send("whole", waits.wholeRead);
      await reader.end();
    }
    const { acknowledged } = (await (await fetch(`${service.web}api/status`)).json()) as {
      acknowledged: { beforeStored: number; dropped: number };
    };
    progress(
      `Of ${waits.whole.length + waits.wholeRead.length} answers of the service ${acknowledged.beforeStored} left before their datagrams were stored; ${acknowledged.dropped} datagrams were dropped.`,
    );
    const both = (name: string, of: (waits: readonly number[]) => number, read: boolean) =>
      row(name, of(read ? waits.floorRead : waits.floor), of(read ? waits.wholeRead : waits.whole));
    return [false, true].flatMap((read) => {
      const beside = read ? ", beside a reader" : "";
      return [
        both(`answer median ms${beside}`, (of) => quantile(of, 0.5), read),
        both(`answer 99.9 % ms${beside}`, (of) => quantile(of, 0.999), read),
        both(`answer longest ms${beside}`, (of) => quantile(of, 1), read),
        both(`answers after ${LATE_MS} ms, of ${waits.whole.length}${beside}`, late, read),
      ];
    });
  } finally {
    for (const program of running) await program.end();
    rmSync(folder, { recursive: true, force: true });
  }
}

function late(waitsMs: readonly number[]): number {
  return waitsMs.filter((one) => !(one <= LATE_MS)).length;
}
