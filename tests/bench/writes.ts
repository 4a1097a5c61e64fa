/**
 * How much does the service write to the disk in a day at two datagrams a second: while nobody looks, with --sparing, and
 * while somebody looks all the time? What the system counts for the process (`write_bytes` of /proc/PID/io, Linux only:
 * what it made the page cache write back; a page that is written again before it leaves counts once), over four minutes and
 * carried on to a day. The floor is what arrived. Needs the built program; the services run side by side, for seven minutes.
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
/** The minute after the start, in which nothing is held, and the first log of held datagrams: three minutes and a little. */
const BEFORE = 368;
/** Four minutes: four logs, two with --sparing. */
const MEASURED = 480;
const LOOK_EVERY_MS = 10_000;

export async function benchWrites(): Promise<BenchResult[]> {
  return Promise.all([
    measure("written a day at 2 datagrams/s, GB", [], false),
    measure("the same with --sparing", ["--sparing"], false),
    measure("the same while somebody looks", [], true),
  ]);
}

async function measure(name: string, words: readonly string[], isLookedAt: boolean): Promise<BenchResult> {
  const folder = mkdtempSync(join(tmpdir(), "mastlog-bench-"));
  const listen = ["listen", "--db", join(folder, "bench.db"), "--udp-port", "0", "--web-port", "0"];
  const child = spawn(process.execPath, [MAIN, ...listen, ...words], { stdio: ["ignore", "pipe", "ignore"] });
  const socket = createSocket("udp4");
  let looking: NodeJS.Timeout | undefined;
  try {
    const { udpPort, web } = await portsOf(child);
    if (isLookedAt) looking = setInterval(() => void fetch(`${web}api/status`), LOOK_EVERY_MS);
    let octets = 0;
    let next = 0;
    const send = async (count: number) => {
      const beganMs = performance.now();
      for (let i = 0; i < count; i++) {
        const { bytes } = uplink(next, { nodes: NODES });
        next += 1;
        octets += bytes.length;
        socket.send(bytes, udpPort, "127.0.0.1");
        await new Promise((done) => setTimeout(done, beganMs + (i + 1) * EVERY_MS - performance.now()));
      }
    };
    await send(BEFORE);
    octets = 0;
    const before = writtenBy(child);
    await send(MEASURED);
    const aDay = (of: number) => (of / MEASURED) * (DATAGRAMS_A_DAY / 1e9);
    const [floor, measured] = [aDay(octets), aDay(writtenBy(child) - before)];
    return { name, floor, measured, ratio: measured / floor };
  } finally {
    clearInterval(looking);
    socket.close();
    child.kill("SIGTERM");
    await once(child, "exit");
    rmSync(folder, { recursive: true });
  }
}

async function portsOf(child: ChildProcess): Promise<{ udpPort: number; web: string }> {
  let text = "";
  for await (const chunk of child.stdout ?? []) {
    text += String(chunk);
    const found = /UDP port (\d+).*(http:\/\/\S+\/)/.exec(text);
    if (found !== null) return { udpPort: Number(found[1]), web: String(found[2]) };
  }
  throw new Error("The service ended before it was ready.");
}

function writtenBy({ pid }: ChildProcess): number {
  const written = /^write_bytes: (\d+)$/m.exec(readFileSync(`/proc/${pid}/io`, "utf8"));
  return Number(written?.[1]);
}
