import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterEach, describe, expect, it } from "vitest";
import { GatewaySocket, uplink } from "../process/gateway-socket.ts";
import { networkServer } from "../process/network-server.ts";
import { cleanUp, endOf, repository, spawnKept } from "../process/program.ts";
import { pause, type Service, startService, until } from "../process/service.ts";
import { storedNumber } from "../process/stored.ts";
import { fileSizeLimit, smallFileSystem, unmountAll } from "./small-disk.ts";

interface Status {
  acknowledged: { afterCommit: number; beforeStored: number; waiting: number };
  storage: { state: string; receptions: number };
  passage: { words: string; standing: string; notRecorded: number };
}

afterEach(async () => {
  unmountAll();
  await cleanUp();
});

/** Longer than the answers take on any machine: the holder is ended once they are there. */
const HELD_MS = "60000";

const status = (service: Service) => service.json<Status>("/api/status");

async function inLine(db?: string) {
  const server = await networkServer();
  const service = await startService({
    ...(db === undefined ? {} : { db }),
    words: ["--relay", `127.0.0.1:${server.port}`],
  });
  const socket = await GatewaySocket.open(service.udpPort);
  /** Milliseconds until the server's acknowledgement of each of `count` uplinks, one every 10 ms; null: never. */
  const pass = async (first: number, count: number): Promise<(number | null)[]> => {
    for (let i = first; i < first + count; i++) {
      await socket.send(uplink(i).bytes);
      await pause(10);
    }
    const times: (number | null)[] = [];
    for (let i = first; i < first + count; i++) times.push((await socket.answerTo(i))?.afterMs ?? null);
    return times;
  };
  return { server, service, socket, pass };
}

function middle(times: readonly (number | null)[]): number {
  return times.filter((one) => one !== null).sort((a, b) => a - b)[times.length >> 1] ?? Number.NaN;
}

/** The status once so many receptions are recorded, nothing waits and all is said to be well. */
function recorded(service: Service, receptions: number): Promise<Status> {
  return until(
    () => status(service),
    ({ storage, acknowledged, passage }) =>
      storage.state === "well" &&
      storage.receptions === receptions &&
      acknowledged.waiting === 0 &&
      passage.standing === "good",
  );
}

describe("the passage, when the store is in trouble", () => {
  it("is not held up while another program holds the store, and all is recorded afterwards", async () => {
    const { server, service, socket, pass } = await inLine();
    const before = await pass(0, 20);
    const holder = spawnKept(
      process.execPath,
      [fileURLToPath(new URL("hold-store.mjs", import.meta.url)), service.db, HELD_MS],
      repository,
    );
    await new Promise((held) => holder.stdout?.once("data", held));
    const during = await pass(100, 100);
    // Recorder, passage and store have their figures each by itself.
    await until(
      () => status(service),
      ({ storage, passage }) =>
        storage.state === "slow" && passage.words.includes("answering; 1 gateway. Recording lags behind."),
    );
    // Until here the store was held: an answer that waited for it did not come.
    holder.kill("SIGKILL");
    expect((await endOf(holder)).status).toBeNull();
    expect(before).not.toContain(null);
    expect(during).not.toContain(null);
    console.info(
      `relay, store held: answers after ${middle(during).toFixed(1)} ms (median), before ${middle(before).toFixed(1)} ms`,
    );
    const after = await recorded(service, 120);
    expect(after.passage.notRecorded).toBe(0);
    // Each answer was the server's; none was made up here.
    expect(socket.answered).toBe(120);
    expect(after.acknowledged).toMatchObject({ afterCommit: 0, beforeStored: 0 });
    await socket.close();
    await server.close();
    expect((await service.end("SIGTERM")).status).toBe(0);
  });

  it("works while the disk is full, says that nothing is recorded, and records again once there is room", async ({
    skip,
  }) => {
    const disk = smallFileSystem() ?? fileSizeLimit();
    if (disk === null) return skip("this user or machine allows no small disk to be made");
    const { server, service, socket, pass } = await inLine(join(disk.folder, "site.db"));
    expect(await pass(0, 20)).not.toContain(null);
    disk.fill(service);
    expect(await pass(20, 200)).not.toContain(null);
    await until(
      () => status(service),
      ({ storage, passage }) =>
        storage.state === "failed" &&
        passage.standing === "bad" &&
        /answering; 1 gateway\. Relaying works\. Recording has stopped\.$/.test(passage.words),
    );
    expect(await pass(220, 20)).not.toContain(null);
    expect(server.heard.length).toBe(240);
    disk.makeRoom(service);
    expect((await recorded(service, 240)).passage.notRecorded).toBe(0);
    await socket.close();
    await server.close();
    expect((await service.end("SIGTERM")).status).toBe(0);
    expect(storedNumber(service.db, "SELECT count(DISTINCT payload) FROM reception")).toBe(240);
  });
});
