/** Gateways are answered within 25 ms however slow the disk is: stalled writers and slow syncs, at the socket. */
import { execFileSync } from "node:child_process";
import { existsSync, rmSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterEach, describe, expect, it } from "vitest";
import { GatewaySocket, uplink } from "../process/gateway-socket.ts";
import { cleanUp, endOf, repository, spawnKept, temporaryFolder } from "../process/program.ts";
import { pause, type Service, startService, until } from "../process/service.ts";
import { storedNumber } from "../process/stored.ts";
import { peakMemoryMb } from "./memory.ts";

interface Status {
  acknowledged: { afterCommit: number; beforeStored: number; waiting: number; dropped: number };
  storage: { state: "well" | "slow" | "failed"; words: string; receptions: number };
}

afterEach(cleanUp);

/** The campaign: `MASTLOG_SLOW_DISK_UPLINKS=3000` lengthens it to a minute each. */
const UPLINKS = Number(process.env.MASTLOG_SLOW_DISK_UPLINKS ?? 60);
const EVERY_MS = 20;
/** The reference daemons wait so long for an answer before they fetch again from the radio. */
const PATIENCE_MS = 100;
const STALL_MS = 150;

const status = (service: Service) => service.json<Status>("/api/status");

/** Sends an uplink every 20 ms and says how long each answer took. */
async function answerTimes(service: Service): Promise<number[]> {
  const socket = await GatewaySocket.open(service.udpPort);
  for (let i = 0; i < UPLINKS; i++) {
    await socket.send(uplink(i).bytes);
    await pause(EVERY_MS);
  }
  const times: number[] = [];
  for (let i = 0; i < UPLINKS; i++) {
    const answer = await socket.answerTo(i);
    if (answer !== null) times.push(answer.afterMs);
  }
  // Each was answered once, not early and once more when it was stored.
  expect(socket.answered).toBe(UPLINKS);
  await socket.close();
  return times.sort((a, b) => a - b);
}

async function expectPrompt(service: Service, what: string): Promise<void> {
  const times = await answerTimes(service);
  expect(times.length).toBe(UPLINKS);
  const middle = times[times.length >> 1] ?? Number.NaN;
  const late = times.filter((time) => time > PATIENCE_MS).length;
  console.info(
    `${what}: ${UPLINKS} tried, 0 lost, answers after ${middle.toFixed(1)} ms (median), ${times.at(-1)?.toFixed(1)} ms (longest), ${late} after more than ${PATIENCE_MS} ms; peak memory ${peakMemoryMb(service.pid).toFixed(0)} MB`,
  );
  // Said for some seconds after answers that left early.
  await until(
    () => status(service),
    ({ storage }) => storage.state === "slow",
  );
  // The listener posts its counts twice a second; what is stored is read from the store itself.
  const { acknowledged } = await until(
    () => status(service),
    ({ acknowledged: { beforeStored, afterCommit, waiting }, storage }) =>
      beforeStored + afterCommit === UPLINKS && waiting === 0 && storage.receptions === UPLINKS,
    30_000,
  );
  expect(acknowledged.dropped).toBe(0);
  // No answer waited for the disk: the promised 25 ms are kept by the clock of the unit tests, a busy machine's is its own.
  expect(acknowledged.beforeStored).toBeGreaterThan(UPLINKS / 2);
}

describe("a slow disk", () => {
  it("whose write lock is held for 150 ms again and again delays no answer", async () => {
    const service = await startService();
    const times = String(Math.ceil((UPLINKS * EVERY_MS * 2) / STALL_MS));
    const holder = spawnKept(
      process.execPath,
      [fileURLToPath(new URL("hold-store.mjs", import.meta.url)), service.db, String(STALL_MS), times],
      repository,
    );
    await new Promise((held) => holder.stdout?.once("data", held));
    await expectPrompt(service, "write lock held");
    holder.kill("SIGKILL");
    await endOf(holder);
    expect((await service.end("SIGTERM")).status).toBe(0);
    expect(storedNumber(service.db, "SELECT count(DISTINCT payload) FROM reception")).toBe(UPLINKS);
  });

  it("whose sync takes 150 ms delays no answer, and is called slow", async ({ skip }) => {
    const disk = slowSync();
    if (disk === null) return skip("there is no gcc to build the slow sync with");
    const service = await startService({ environment: disk.environment });
    disk.slowDown();
    await expectPrompt(service, "sync of 150 ms");
    disk.speedUp();
    expect((await service.end("SIGTERM")).status).toBe(0);
    expect(storedNumber(service.db, "SELECT count(DISTINCT payload) FROM reception")).toBe(UPLINKS);
  });

  it("ends no later than others, whatever still waits and comes, and says what is no row yet or could not be kept", async ({
    skip,
  }) => {
    const disk = slowSync();
    if (disk === null) return skip("there is no gcc to build the slow sync with");
    const service = await startService({ environment: disk.environment });
    disk.slowDown();
    // Far more than such a disk takes in the time that is left for it.
    const file = fileURLToPath(new URL("flooder.mjs", import.meta.url));
    const words = [service.udpPort, 6_000, 30, "127.0.0.1", 1, 1].map(String);
    const flooder = spawnKept(process.execPath, [file, ...words], repository);
    const flooded = endOf(flooder);
    await until(
      () => status(service),
      ({ acknowledged }) => acknowledged.waiting > 10_000,
      20_000,
    );
    const { status: code, err } = await service.end("SIGTERM");
    flooder.kill("SIGKILL");
    await flooded;
    expect(code).toBe(0);
    expect(existsSync(`${service.db}-wal`)).toBe(false);
    // One that took the time to make rows of all would have none to name.
    const [, told = ""] = /There was no time left for ([\d\u202F]+) datagrams/.exec(err) ?? [];
    const held = Number(told.replaceAll("\u202F", ""));
    expect(held).toBeGreaterThan(100);
    // They are durable: the next start has them.
    disk.speedUp();
    const stored = "SELECT count(*) FROM datagram";
    const before = storedNumber(service.db, stored);
    const again = await startService({ db: service.db });
    expect((await again.end("SIGTERM")).err).toContain(`The last run was cut off: ${told} datagrams of it`);
    expect(storedNumber(service.db, stored)).toBe(before + held);
  });
});

/** Syncs of 150 ms, on demand; null where they cannot be built. */
function slowSync(): {
  environment: Record<string, string>;
  slowDown(): void;
  speedUp(): void;
} | null {
  const folder = temporaryFolder();
  const library = join(folder, "slow-sync.so");
  const slowWhile = join(folder, "slow");
  try {
    const source = fileURLToPath(new URL("slow-sync.c", import.meta.url));
    execFileSync("gcc", ["-shared", "-fPIC", "-o", library, source, "-ldl"], { stdio: "ignore" });
  } catch {
    return null;
  }
  return {
    environment: { LD_PRELOAD: library, SLOW_WHILE_FILE: slowWhile },
    slowDown: () => writeFileSync(slowWhile, ""),
    speedUp: () => rmSync(slowWhile),
  };
}
