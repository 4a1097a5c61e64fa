/**
 * How much does the service write to the disk in a day at two datagrams a second, with and without --sparing? What the
 * system counts for the process (`write_bytes` of /proc/PID/io, Linux only), over some seconds and carried on to a day.
 * The floor is what arrived. Needs the built program.
 */
import { type ChildProcess, spawn } from "node:child_process";
import { createSocket } from "node:dgram";
import { once } from "node:events";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { uplink } from "../process/gateway-socket.ts";
import type { BenchResult } from "./run.ts";

const MAIN = fileURLToPath(new URL("../../dist/program/main.js", import.meta.url));
const EVERY_MS = 500;
const DATAGRAMS_A_DAY = 86_400_000 / EVERY_MS;
/** Nodes, all of them heard before the measurement begins. */
const NODES = 20;
const BEFORE = 2 * NODES;
const MEASURED = 80;

export async function benchWrites(): Promise<BenchResult[]> {
  return [
    await measure("written a day at 2 datagrams/s, GB", []),
    await measure("the same with --sparing", ["--sparing"]),
  ];
}

async function measure(name: string, words: readonly string[]): Promise<BenchResult> {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-bench-"));
  const listen = ["listen", "--db", join(folder, "bench.db"), "--udp-port", "0", "--web-port", "0"];
  const child = spawn(process.execPath, [MAIN, ...listen, ...words], { stdio: ["ignore", "pipe", "ignore"] });
  const socket = createSocket("udp4");
  try {
    const port = await portOf(child);
    let octets = 0;
    let next = 0;
    const send = async (count: number) => {
      const beganMs = performance.now();
      for (let i = 0; i < count; i++) {
        const { bytes } = uplink(next, { nodes: NODES });
        next += 1;
        octets += bytes.length;
        socket.send(bytes, port, "127.0.0.1");
        await new Promise((done) => setTimeout(done, beganMs + (i + 1) * EVERY_MS - performance.now()));
      }
    };
    await send(BEFORE);
    octets = 0;
    const before = writtenBy(child);
    await send(MEASURED);
    // What is gathered is written by then.
    await new Promise((done) => setTimeout(done, 1_500));
    const aDay = (of: number) => (of / MEASURED) * (DATAGRAMS_A_DAY / 1e9);
    const [floor, measured] = [aDay(octets), aDay(writtenBy(child) - before)];
    return { name, floor, measured, ratio: measured / floor };
  } finally {
    socket.close();
    child.kill("SIGTERM");
    await once(child, "exit");
    rmSync(folder, { recursive: true });
  }
}

async function portOf(child: ChildProcess): Promise<number> {
  let text = "";
  for await (const chunk of child.stdout ?? []) {
    text += String(chunk);
    const found = /UDP port (\d+)/.exec(text);
    if (found !== null) return Number(found[1]);
  }
  throw new Error("The service ended before it was ready.");
}

function writtenBy({ pid }: ChildProcess): number {
  const written = /^write_bytes: (\d+)$/m.exec(readFileSync(`/proc/${pid}/io`, "utf8"));
  return Number(written?.[1]);
}
