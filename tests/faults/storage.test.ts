import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterEach, describe, expect, it } from "vitest";
import { GatewaySocket, uplink } from "../process/gateway-socket.ts";
import { cleanUp, endOf, repository, spawnKept } from "../process/program.ts";
import { pause, type Service, startService, until } from "../process/service.ts";
import { integrity, storedNumber } from "../process/stored.ts";
import { peakMemoryMb } from "./memory.ts";
import { fileSizeLimit, type SmallDisk, smallFileSystem, unmountAll } from "./small-disk.ts";

interface Status {
  acknowledged: { afterCommit: number; beforeStored: number; waiting: number; dropped: number };
  storage: { state: "well" | "slow" | "failed"; words: string; receptions: number };
}

/** Sent while the disk is full. The campaign: `MASTLOG_FULL_DISK_UPLINKS=10000`; 20,000 wait in memory at most. */
const UPLINKS = Number(process.env.MASTLOG_FULL_DISK_UPLINKS ?? 500);

afterEach(async () => {
  unmountAll();
  await cleanUp();
});

const status = (service: Service) => service.json<Status>("/api/status");

/** Milliseconds until each of `count` uplinks, sent one every 20 ms, was answered; null: never. */
async function answerTimes(socket: GatewaySocket, first: number, count: number): Promise<(number | null)[]> {
  for (let i = first; i < first + count; i++) {
    await socket.send(uplink(i).bytes);
    await pause(20);
  }
  const times: (number | null)[] = [];
  for (let i = first; i < first + count; i++) times.push((await socket.answerTo(i))?.afterMs ?? null);
  return times;
}

function quantile(values: readonly number[], share: number): number {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted[Math.min(sorted.length - 1, Math.floor(sorted.length * share))] ?? Number.NaN;
}

/** Longer than the answers take on any machine: the holder is ended once they are there. */
const HELD_MS = "60000";

describe("a store that another program holds", () => {
  it("delays no answer beyond the gateways' patience, is told apart, and gets all data afterwards", async () => {
    const service = await startService();
    const socket = await GatewaySocket.open(service.udpPort);
    const before = await answerTimes(socket, 0, 10);
    expect(before).not.toContain(null);
    const holder = spawnKept(
      process.execPath,
      [fileURLToPath(new URL("hold-store.mjs", import.meta.url)), service.db, HELD_MS],
      repository,
    );
    await new Promise((held) => holder.stdout?.once("data", held));
    const during = await answerTimes(socket, 100, 60);
    // The recorder says so by itself, within its half second.
    const slow = await until(
      () => status(service),
      ({ storage }) => storage.state === "slow" && storage.words.includes("using the store"),
    );
    expect(slow.storage.state).toBe("slow");
    // Until here the store was held: an answer that waited for it did not come.
    holder.kill("SIGKILL");
    expect((await endOf(holder)).status).toBeNull();

    const times = during.filter((time) => time !== null);
    expect(times.length).toBe(60);
    console.info(
      `store held: answers after ${quantile(times, 0.5).toFixed(0)} ms (median), ${quantile(times, 0.9).toFixed(0)} ms (nine of ten), ${Math.max(...times).toFixed(0)} ms (longest)`,
    );

    // Listener and recorder post their figures twice a second.
    const after = await until(
      () => status(service),
      ({ storage, acknowledged: { beforeStored, afterCommit, waiting } }) =>
        storage.state === "well" &&
        waiting === 0 &&
        beforeStored + afterCommit === 70 &&
        storage.receptions === 70,
    );
    expect(after.acknowledged.dropped).toBe(0);
    // These did not wait for the store: the promised 25 ms are kept by the clock of the unit tests.
    expect(after.acknowledged.beforeStored).toBeGreaterThan(30);
    // Each was answered once, not once early and once more when it was stored.
    expect(socket.answered).toBe(70);
    await socket.close();
    expect((await service.end("SIGTERM")).status).toBe(0);
    expect(storedNumber(service.db, "SELECT count(DISTINCT payload) FROM reception")).toBe(70);
  });
});

describe("a disk that is full", () => {
  const disks: [string, () => SmallDisk | null][] = [
    ["a file system without room", smallFileSystem],
    ["files that may not grow", fileSizeLimit],
  ];
  it.for(disks)(
    "(%s) is said, stops neither service nor answers, and all is stored once there is room",
    async ([name, makeDisk], { skip }) => {
      const disk = makeDisk();
      if (disk === null) return skip(`${name}: this user or machine allows none to be made`);
      const service = await startService({ db: join(disk.folder, "site.db") });
      const socket = await GatewaySocket.open(service.udpPort);
      const send = (from: number, to: number) =>
        socket.sendAll(
          Array.from({ length: to - from }, (_, i) => uplink(from + i).bytes),
          { inTheAir: 16, withinMs: 30_000 + 20 * UPLINKS },
        );
      expect(await send(0, 50)).toBe(true);
      // On a busy machine an answer may leave before its commit.
      await until(
        () => status(service),
        ({ storage }) => storage.receptions === 50,
      );
      disk.fill(service);
      // Answered although nothing can be kept any more.
      expect(await send(50, 50 + UPLINKS)).toBe(true);
      // The recorder says what became of the store, the listener how many wait.
      const full = await until(
        () => status(service),
        ({ storage, acknowledged: { waiting, beforeStored } }) =>
          storage.state === "failed" && waiting > 0 && beforeStored > 0,
      );
      expect(full.storage.words).toContain("cannot be written");
      expect((await fetch(`http://127.0.0.1:${service.webPort}/healthz`)).status).toBe(503);
      // What was stored before is still there to be looked at; on a busy machine the disk is full a little later.
      expect((await service.json<{ nodes: unknown[] }>("/api/nodes")).nodes.length).toBeGreaterThanOrEqual(8);

      disk.makeRoom(service);
      const well = await until(
        () => status(service),
        ({ storage, acknowledged }) =>
          storage.state === "well" && acknowledged.waiting === 0 && storage.receptions >= 50 + UPLINKS,
        60_000,
      );
      expect(well.storage.receptions).toBe(50 + UPLINKS);
      expect(well.acknowledged.dropped).toBe(0);
      expect(await send(50 + UPLINKS, 100 + UPLINKS)).toBe(true);
      const longestMs = Math.max(...[...socket.answers.values()].map(({ afterMs }) => afterMs));
      console.info(
        `${name}: ${UPLINKS} sent while it was full, 0 lost, longest answer ${longestMs.toFixed(1)} ms; peak memory ${peakMemoryMb(service.pid).toFixed(0)} MB`,
      );
      await socket.close();
      const ended = await service.end("SIGTERM");
      // On a disk this small, room is low from the start.
      const log = ended.err.replace(
        /^Only [\d.]+\u202F[kM]B are free on the disk of the store\.[^\n]*\n/,
        "",
      );
      expect({ status: ended.status, log }).toEqual({ status: 0, log: "" });
      expect(integrity(service.db)).toBe("ok");
      expect(storedNumber(service.db, "SELECT count(DISTINCT payload) FROM reception")).toBe(100 + UPLINKS);
    },
  );

  it("ends in seconds when it is told to, and says how much could not be kept", async ({ skip }) => {
    const disk = fileSizeLimit();
    if (disk === null) return skip("this machine has no prlimit");
    const service = await startService({ db: join(disk.folder, "site.db") });
    const socket = await GatewaySocket.open(service.udpPort);
    disk.fill(service);
    expect(await socket.sendAll(Array.from({ length: 300 }, (_, i) => uplink(i).bytes))).toBe(true);
    await socket.close();
    const { status: code, err } = await service.end("SIGTERM");
    expect(code).toBe(0);
    const lost = 300 - storedNumber(service.db, "SELECT count(*) FROM reception");
    expect(lost).toBeGreaterThan(0);
    expect(err).toContain(`${lost} datagrams could not be stored`);
  });
});
