import {
  copyFileSync,
  existsSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  renameSync,
  rmSync,
  writeFileSync,
} from "node:fs";
import { dirname, join } from "node:path";
import { afterEach, describe, expect, it, vi } from "vitest";
import { GatewaySocket, uplink } from "../process/gateway-socket.ts";
import { cleanUp, endOf, runProgram, spawnProgram, temporaryFolder } from "../process/program.ts";
import { type Service, startService, until } from "../process/service.ts";
import { integrity, storedNumber } from "../process/stored.ts";
import { smallFileSystem, unmountAll } from "./small-disk.ts";

/** Several programs start one after the other in most of these. */
vi.setConfig({ testTimeout: 150_000 });

afterEach(async () => {
  unmountAll();
  await cleanUp();
});

interface Status {
  acknowledged: { afterCommit: number; beforeStored: number; waiting: number; dropped: number };
  storage: {
    state: "well" | "slow" | "failed";
    words: string;
    receptions: number;
    space: { state: string; freeBytes: number; words: string };
  };
}

const RECEPTIONS = "SELECT count(*) FROM reception";
const status = (service: Service) => service.json<Status>("/api/status");
const failed = (service: Service) =>
  until(
    () => status(service),
    ({ storage }) => storage.state === "failed",
  );
/** Listener and recorder post their figures each by itself, so both are waited for. */
const well = (service: Service, receptions: number) =>
  until(
    () => status(service),
    ({ storage, acknowledged }) =>
      storage.state === "well" && storage.receptions === receptions && acknowledged.waiting === 0,
  );

/** Sends uplinks `from` to `to`; true when each was answered. */
function send(socket: GatewaySocket, from: number, to: number): Promise<boolean> {
  return socket.sendAll(
    Array.from({ length: to - from }, (_, i) => uplink(from + i).bytes),
    { inTheAir: 16 },
  );
}

describe("a store that is moved away while the service runs", () => {
  it("fails the storage without traffic, loses nothing, and recording resumes when it is back", async () => {
    const service = await startService();
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await send(socket, 0, 50)).toBe(true);
    // The listener's figures arrive by themselves: a slow first commit may have let some answers leave early.
    const { acknowledged } = await until(
      () => status(service),
      ({ storage, acknowledged: { afterCommit, beforeStored } }) =>
        storage.receptions === 50 && afterCommit + beforeStored === 50,
    );
    const elsewhere = join(temporaryFolder(), "moved.db");
    renameSync(service.db, elsewhere);

    // No datagram comes: the file itself is watched.
    const { storage } = await failed(service);
    expect(storage.words).toContain(service.db);
    expect(storage.words).toMatch(/moved/);
    expect((await fetch(`http://127.0.0.1:${service.webPort}/healthz`)).status).toBe(503);
    // Whoever moved it has all that was stored, in that one file, as soon as no reader holds up the merging.
    await until(
      () => {
        try {
          return storedNumber(copied(elsewhere), RECEPTIONS);
        } catch (error) {
          // A copy from before the merging may lack tables.
          return String(error);
        }
      },
      (count) => count === 50,
    );

    expect(await send(socket, 50, 150)).toBe(true);
    // The recorder counts those that wait, the listener those answered: each posts by itself.
    await until(
      () => status(service),
      (now) =>
        now.acknowledged.waiting === 100 && now.acknowledged.beforeStored === acknowledged.beforeStored + 100,
    );
    expect(existsSync(service.db)).toBe(false);
    expect(storedNumber(copied(elsewhere), RECEPTIONS)).toBe(50);

    renameSync(elsewhere, service.db);
    await well(service, 150);
    expect(await send(socket, 150, 200)).toBe(true);
    await socket.close();
    expect((await service.end("SIGTERM")).status).toBe(0);
    expect(storedNumber(service.db, RECEPTIONS)).toBe(200);
    expect(integrity(service.db)).toBe("ok");
  });

  it.skipIf(process.platform !== "linux")("says how to copy what it holds when it was deleted", async () => {
    const service = await startService();
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await send(socket, 0, 50)).toBe(true);
    await until(
      () => status(service),
      ({ storage }) => storage.receptions === 50,
    );
    rmSync(service.db);
    // While the log is merged into the file, the words ask to wait. Once they name the copy, it is whole.
    const { storage } = await until(
      () => status(service),
      (now) => now.storage.state === "failed" && !now.storage.words.includes("Look here again"),
    );
    const [, from] = /: cp (\S+) RESCUED\.db/.exec(storage.words) ?? [];
    const rescued = join(temporaryFolder(), "rescued.db");
    copyFileSync(from ?? storage.words, rescued);
    expect(storedNumber(rescued, RECEPTIONS)).toBe(50);
    expect(await send(socket, 50, 60)).toBe(true);
    await socket.close();
    const { status: code, err } = await service.end("SIGTERM");
    expect(code).toBe(0);
    expect(err).toContain("10 datagrams could not be stored");
    expect(err).toContain("was deleted");
  });

  it("leaves another file that lies in its place alone", async () => {
    const service = await startService();
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await send(socket, 0, 50)).toBe(true);
    await until(
      () => status(service),
      ({ storage }) => storage.receptions === 50,
    );
    const other = await startService();
    await other.end("SIGTERM");
    const elsewhere = join(temporaryFolder(), "moved.db");
    renameSync(service.db, elsewhere);
    renameSync(other.db, service.db);
    const before = readFileSync(service.db);
    const { storage } = await failed(service);
    expect(storage.words).toContain("Another file lies at");
    expect(await send(socket, 50, 80)).toBe(true);
    await socket.close();
    const ended = await service.end("SIGTERM");
    expect(ended).toMatchObject({
      status: 0,
      err: expect.stringContaining("30 datagrams could not be stored"),
    });
    expect(readFileSync(service.db).equals(before)).toBe(true);
    expect(integrity(service.db)).toBe("ok");
    expect(storedNumber(elsewhere, RECEPTIONS)).toBe(50);
  });
});

/** A copy of the file alone, so that looking at it leaves nothing beside it. */
function copied(file: string): string {
  const folder = join(temporaryFolder(), "copied");
  mkdirSync(folder);
  copyFileSync(file, join(folder, "copy.db"));
  return join(folder, "copy.db");
}

describe("one service for one store", () => {
  it("refuses a second service with a sentence that names the first; an import beside it goes on", async () => {
    const service = await startService();
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await send(socket, 0, 20)).toBe(true);
    const folder = dirname(service.db);
    const words = ["listen", "--udp-port", "0", "--web-port", "0", "--db", service.db];
    const second = await runProgram(words, folder);
    expect({ status: second.status, out: second.out }).toEqual({ status: 2, out: "" });
    expect(second.err).toMatch(/^Another Mastlog service \(process \d+\) [^\n]+\n$/);
    expect(second.err).toContain(`(process ${service.pid})`);
    // The first was not disturbed.
    expect(await send(socket, 20, 40)).toBe(true);
    await socket.close();
    // "Slow" for 10 s after answers that left early, as they do on a busy machine at the start.
    await until(
      () => status(service),
      ({ storage }) => storage.state === "well",
      20_000,
    );
    const lines = Array.from({ length: 5 }, (_, i) => {
      const { bytes } = uplink(1_000 + i, { gatewayEui: "02005E1000000002" });
      return JSON.stringify({
        at: new Date(Date.UTC(2026, 2, 14, 9, 0, i)).toISOString(),
        from: "192.0.2.10 40000",
        to: "192.0.2.20 1700",
        bytes: Buffer.from(bytes).toString("base64"),
      });
    });
    writeFileSync(join(folder, "recorded.jsonl"), `${lines.join("\n")}\n`);
    const imported = await runProgram(["import", "recorded.jsonl", "--db", service.db], folder);
    expect({ status: imported.status, err: imported.err }).toEqual({ status: 0, err: "" });
    expect((await service.end("SIGTERM")).status).toBe(0);
    expect(storedNumber(copied(service.db), RECEPTIONS)).toBe(45);
  });

  it("lets a new service begin at once after the first was killed", async () => {
    const first = await startService();
    await first.end("SIGKILL");
    const second = await startService({ db: first.db });
    expect((await second.end("SIGTERM")).status).toBe(0);
    expect(readdirSync(dirname(first.db)).filter((name) => name.startsWith("site.db"))).toEqual(["site.db"]);
  });
});

describe("mastlog backup", () => {
  it("copies a store under load; the copy is whole, and later work is not in it", async () => {
    const service = await startService();
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await send(socket, 0, 500)).toBe(true);
    const folder = dirname(service.db);
    const copy = join(folder, "copy.db");
    const child = spawnProgram(["backup", copy, "--db", service.db], folder);
    const ended = endOf(child);
    let next = 500;
    for (; child.exitCode === null && next < 20_000; next += 50)
      expect(await send(socket, next, next + 50)).toBe(true);
    await socket.close();
    const { status: code, out, err } = await ended;
    expect({ code, err }).toEqual({ code: 0, err: "" });
    expect(out).toMatch(/^\S+copy\.db: [\d\u202F]+ receptions, [\d.]+\u202F[kM]B\.\n$/);
    expect(integrity(copied(copy))).toBe("ok");
    const inCopy = storedNumber(copied(copy), RECEPTIONS);
    expect(inCopy).toBeGreaterThanOrEqual(500);
    expect(inCopy).toBeLessThanOrEqual(next);
    expect(readdirSync(folder).filter((name) => name.startsWith("copy"))).toEqual(["copy.db"]);

    const again = await runProgram(["backup", copy, "--db", service.db], folder);
    expect({ status: again.status, out: again.out }).toEqual({ status: 2, out: "" });
    expect(again.err).toContain("is there already");
    // The copy is a store of its own, not claimed by the service that it was copied from.
    const onCopy = await startService({ db: copy });
    expect((await onCopy.end("SIGTERM")).status).toBe(0);
  });
});

describe("a damaged store", () => {
  it("stops a service before it begins, is left untouched, and can be rescued as the sentence says", async () => {
    const service = await startService();
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await send(socket, 0, 300)).toBe(true);
    await socket.close();
    await service.end("SIGTERM");
    const folder = dirname(service.db);
    const damaged = readFileSync(service.db);
    damaged.fill(0, 0, 100);
    writeFileSync(service.db, damaged);
    for (const words of [["listen", "--udp-port", "0", "--web-port", "0"], ["rebuild"], ["nodes"]]) {
      const { status: code, out, err } = await runProgram([...words, "--db", service.db], folder);
      expect({ code, out }).toEqual({ code: 2, out: "" });
      expect(err).toMatch(/^[^\n]+ is damaged[^\n]+ --rescue [^\n]+\n$/);
    }
    expect(readFileSync(service.db).equals(damaged)).toBe(true);
    const rescue = await runProgram(["backup", "rescued.db", "--rescue", "--db", service.db], folder);
    expect({ status: rescue.status, err: rescue.err }).toEqual({ status: 0, err: "" });
    expect(rescue.out).toContain("300 receptions rescued");
    expect(readFileSync(service.db).equals(damaged)).toBe(true);
    const { out } = await runProgram(["nodes", "--json", "--db", "rescued.db"], folder);
    expect(
      (JSON.parse(out) as { nodes: { heard: number }[] }).nodes.reduce((sum, { heard }) => sum + heard, 0),
    ).toBe(300);
  });
});

describe("a disk that is nearly full", () => {
  it("is said in the status, in /healthz and in the log while everything is still stored", async ({
    skip,
  }) => {
    const disk = smallFileSystem();
    if (disk === null) return skip("this user may mount no file system");
    const service = await startService({ db: join(disk.folder, "site.db") });
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await send(socket, 0, 20)).toBe(true);
    await socket.close();
    // A busy machine's disk may be slow for a moment.
    const { storage } = await well(service, 20);
    expect(storage.space.state).toBe("low");
    expect(storage.space.words).toMatch(/^Only [\d.]+\u202F[kM]B are free on the disk of the store\./);
    expect(storage.space.freeBytes).toBeLessThan(24 * 1024 * 1024);
    expect(await service.json("/healthz")).toMatchObject({ space: "low" });
    expect(await service.text("/metrics")).toMatch(/^mastlog_store_free_bytes \d+$/m);
    const { err } = await service.end("SIGTERM");
    expect(err).toMatch(/^Only [\d.]+\u202F[kM]B are free/);
  });
});
