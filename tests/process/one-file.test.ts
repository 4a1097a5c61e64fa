import {
  closeSync,
  copyFileSync,
  existsSync,
  mkdirSync,
  openSync,
  readdirSync,
  readFileSync,
  writeFileSync,
  writeSync,
} from "node:fs";
import { basename, dirname, join } from "node:path";
import Database from "better-sqlite3";
import { afterEach, describe, expect, it } from "vitest";
import { WebSocket } from "ws";
import { GatewaySocket, uplink } from "./gateway-socket.ts";
import { cleanUp, endOf, runProgram, spawnProgram, temporaryFolder } from "./program.ts";
import { cutSample } from "./scenarios.ts";
import { pause, type Service, startService, until } from "./service.ts";
import { integrity, storedNumber, storedRows } from "./stored.ts";

afterEach(cleanUp);

/** The store and whatever lies beside it under its name. */
function filesOf(db: string): string[] {
  return readdirSync(dirname(db)).filter((name) => name.startsWith(basename(db)));
}

/** What a person finds in the file alone, mailed to another machine. */
function mailed(db: string): string {
  const folder = join(temporaryFolder(), "mailed");
  mkdirSync(folder);
  copyFileSync(db, join(folder, "site.db"));
  return join(folder, "site.db");
}

/** A dashboard: a websocket with topics, and questions over HTTP one after the other until `stop`. */
async function openDashboard(service: Service): Promise<{ stop: () => void; closed: Promise<void> }> {
  const socket = new WebSocket(`ws://127.0.0.1:${service.webPort}/live`);
  await new Promise((open, fail) => socket.once("open", open).once("error", fail));
  for (const topic of ["site", "nodes", "status"])
    socket.send(JSON.stringify({ type: "subscribe", id: topic.length, topic }));
  let isStopped = false;
  void (async () => {
    while (!isStopped) {
      for (const path of ["/api/nodes", "/api/site", "/api/air"])
        await fetch(`http://127.0.0.1:${service.webPort}${path}`)
          .then((answer) => answer.arrayBuffer())
          .catch(() => undefined);
      await pause(50);
    }
  })();
  return {
    stop: () => {
      isStopped = true;
      socket.terminate();
    },
    closed: new Promise((done) => socket.once("close", () => done())),
  };
}

describe("the store of a service that ended", () => {
  it.each(["SIGTERM", "SIGINT"] as const)(
    "after %s with an open dashboard, one file holds everything",
    async (signal) => {
      const service = await startService();
      const dashboard = await openDashboard(service);
      const socket = await GatewaySocket.open(service.udpPort);
      const sent = Array.from({ length: 400 }, (_, i) => uplink(i).bytes);
      expect(await socket.sendAll(sent)).toBe(true);
      await socket.close();
      // On a busy machine answers leave before their datagrams are stored, and the end waits for no more than seconds.
      await until(
        () => service.json<{ storage: { receptions: number } }>("/api/status"),
        ({ storage }) => storage.receptions === 400,
      );
      const { status, err } = await service.end(signal);
      dashboard.stop();
      expect({ status, err }).toEqual({ status: 0, err: "" });
      expect(filesOf(service.db)).toEqual(["site.db"]);
      expect(storedNumber(mailed(service.db), "SELECT count(*) FROM reception")).toBe(400);
    },
  );

  it("is one file again after a command has read it", async () => {
    const service = await startService();
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await socket.sendAll([uplink(0).bytes])).toBe(true);
    await socket.close();
    await service.end("SIGTERM");
    expect((await runProgram(["nodes", "--db", service.db], dirname(service.db))).status).toBe(0);
    expect(filesOf(service.db)).toEqual(["site.db"]);
  });

  it("holds everything in its file while another program still reads it", async () => {
    const service = await startService();
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await socket.sendAll(Array.from({ length: 50 }, (_, i) => uplink(i).bytes))).toBe(true);
    await socket.close();
    const reader = new Database(service.db, { readonly: true, fileMustExist: true });
    reader.prepare("SELECT count(*) FROM reception").get();
    expect((await service.end("SIGTERM")).status).toBe(0);
    expect(storedNumber(mailed(service.db), "SELECT count(*) FROM reception")).toBe(50);
    reader.close();
  });
});

describe("commands that write", () => {
  it("an import that is stopped leaves one sound file, and goes on when it is run again", async () => {
    const folder = temporaryFolder();
    const db = join(folder, "site.db");
    const scenario = cutSample("fennick-orchard.json", "1:00:00", folder);
    await runProgram(["simulate", scenario, "--pcap", join(folder, "site.pcap")], folder);
    const child = spawnProgram(["import", "site.pcap", "--db", db], folder);
    const ended = endOf(child);
    await until(
      () => existsSync(db) && receptionsIn(db),
      (count) => Number(count) > 100,
      90_000,
      20,
    );
    child.kill("SIGTERM");
    await ended;
    expect(child.signalCode).toBe("SIGTERM");
    expect(filesOf(db)).toEqual(["site.db"]);
    expect(integrity(mailed(db))).toBe("ok");
    const stopped = receptionsIn(mailed(db));
    expect(storedNumber(mailed(db), "SELECT count(*) FROM capture WHERE state = 'failed'")).toBe(1);

    expect((await runProgram(["import", "site.pcap", "--db", db], folder)).status).toBe(0);
    const whole = receptionsIn(mailed(db));
    expect(whole).toBeGreaterThan(stopped);

    // Rebuilding is all or nothing.
    const lives = "SELECT dev_addr, number, heard FROM life ORDER BY dev_addr, number";
    const before = storedRows(mailed(db), lives);
    const rebuilding = spawnProgram(["rebuild", "--db", db], folder);
    const rebuilt = endOf(rebuilding);
    await until(() => existsSync(`${db}-wal`), Boolean, 40_000, 20);
    rebuilding.kill("SIGINT");
    expect((await rebuilt).out).toBe("");
    expect(rebuilding.signalCode).toBe("SIGINT");
    expect(filesOf(db)).toEqual(["site.db"]);
    expect(storedRows(mailed(db), lives)).toEqual(before);
  }, 150_000);

  it.each([
    ["a wrong path", "nowhere.pcap", null],
    ["a file that is no capture", "notes.txt", "the pump is at the pond\n"],
    ["an empty file", "empty.pcap", ""],
  ] as const)("an import of %s into a new store leaves no store", async (_what, name, content) => {
    const folder = temporaryFolder();
    if (content !== null) writeFileSync(join(folder, name), content);
    const { status, err } = await runProgram(["import", name, "--db", "new.db"], folder);
    expect(status).toBe(2);
    expect(err).toMatch(/^[^\n]+\n$/);
    expect(filesOf(join(folder, "new.db"))).toEqual([]);
  });

  it("a rebuild of a store that is not there makes none", async () => {
    const folder = temporaryFolder();
    const { status, err } = await runProgram(["rebuild", "--db", "no.db"], folder);
    expect({ status, err }).toEqual({ status: 2, err: "There is no store no.db. Name it with --db.\n" });
    expect(readdirSync(folder)).toEqual([]);
  });
});

/** Receptions, 0 while there is no table yet. */
function receptionsIn(db: string): number {
  try {
    return storedNumber(db, "SELECT count(*) FROM reception");
  } catch {
    return 0;
  }
}

describe("a store too large to be checked at the start", () => {
  let made: Buffer | null = null;

  /** A copy of 70 MB beside a reception: more than opening checks. */
  async function largeStore(): Promise<string> {
    made ??= readFileSync(await makeLargeStore());
    const path = join(temporaryFolder(), "site.db");
    writeFileSync(path, made);
    return path;
  }

  async function makeLargeStore(): Promise<string> {
    const service = await startService();
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await socket.sendAll([uplink(0).bytes])).toBe(true);
    await socket.close();
    await service.end("SIGTERM");
    const db = new Database(service.db);
    const fill = db.prepare("INSERT INTO setting (key, value) VALUES (?, hex(zeroblob(500000)))");
    for (let i = 0; i < 70; i++) fill.run(`filler ${i}`);
    db.pragma("wal_checkpoint(TRUNCATE)");
    db.close();
    return service.db;
  }

  interface Status {
    readonly storage: { readonly check: { readonly state: string; readonly words: string } };
  }
  const checkOf = async (service: Service) => (await service.json<Status>("/api/status")).storage.check;
  const isOver = ({ state, words }: Status["storage"]["check"]) => words !== "" && state !== "running";

  it("is checked while gateways are answered, and is one file at the end", async () => {
    const service = await startService({ db: await largeStore() });
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await socket.sendAll([uplink(1).bytes])).toBe(true);
    await socket.close();
    expect(await until(() => checkOf(service), isOver)).toEqual({
      state: "sound",
      words: "Checked while running: no damage.",
    });
    expect((await service.end("SIGTERM")).status).toBe(0);
    expect(filesOf(service.db)).toEqual(["site.db"]);
  });

  it("says where it is damaged, how to rescue what is readable, and goes on recording", async () => {
    const db = await largeStore();
    const file = openSync(db, "r+");
    writeSync(file, Buffer.alloc(4096, 0xff), 0, 4096, 40 * 1024 * 1024);
    closeSync(file);
    const service = await startService({ db });
    const { state, words } = await until(() => checkOf(service), isOver);
    expect(state).toBe("damaged");
    expect(words).toContain(`'mastlog backup NEW.db --rescue --db ${db}'`);
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await socket.sendAll([uplink(1).bytes])).toBe(true);
    await socket.close();
    const { status, err } = await service.end("SIGTERM");
    expect(status).toBe(0);
    expect(err).toContain("is damaged");
    expect(storedNumber(db, "SELECT count(*) FROM reception")).toBe(2);
  });

  it("ends at once in the middle of a check", async () => {
    const service = await startService({ db: await largeStore() });
    await until(
      () => checkOf(service),
      ({ state }) => state === "running",
      60_000,
      20,
    );
    const { status } = await service.end("SIGTERM");
    expect(status).toBe(0);
    expect(filesOf(service.db)).toEqual(["site.db"]);
  });
});
