/** What comes over the service from outside: its clock is set, it is ended before it is ready, its relay points back. */
import { execFileSync } from "node:child_process";
import { createSocket } from "node:dgram";
import { existsSync, readdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterEach, describe, expect, it } from "vitest";
import { GatewaySocket, keepalive, uplink } from "../process/gateway-socket.ts";
import { cleanUp, endOf, spawnProgram, temporaryFolder } from "../process/program.ts";
import { pause, type Service, startService, until } from "../process/service.ts";
import { integrity, storedNumber, storedRows } from "../process/stored.ts";

afterEach(cleanUp);

/** A clock that a test sets; null where it cannot be built. */
function settableClock(): { environment: Record<string, string>; set(seconds: number): void } | null {
  const folder = temporaryFolder();
  const library = join(folder, "clock-step.so");
  const file = join(folder, "seconds");
  try {
    const source = fileURLToPath(new URL("clock-step.c", import.meta.url));
    execFileSync("gcc", ["-shared", "-fPIC", "-o", library, source, "-ldl"], { stdio: "ignore" });
  } catch {
    return null;
  }
  return {
    environment: { LD_PRELOAD: library, CLOCK_STEP_FILE: file },
    set: (seconds) => writeFileSync(file, String(seconds)),
  };
}

interface Nodes {
  readonly nodes: readonly {
    devAddr: string;
    life: number;
    heard: number;
    expected: number;
    missed: number;
  }[];
}

const NODES = 8;
/** Sent before, between and after the steps: so many of each node. */
const EACH = 5;

describe("the clock of the machine", () => {
  it("set back by 2 h, then forward by 4 h, costs no uplink, and none is called lost", async (context) => {
    const clock = settableClock();
    if (clock === null) return context.skip("no C compiler here");
    const service = await startService({ environment: clock.environment });
    const socket = await GatewaySocket.open(service.udpPort);
    let number = 0;
    for (const seconds of [0, -2 * 3600, 2 * 3600]) {
      clock.set(seconds);
      // The heartbeat is what dates the boundary.
      await pause(1_500);
      const burst = Array.from({ length: EACH * NODES }, () => uplink(number++, { nodes: NODES }).bytes);
      expect(await socket.sendAll(burst)).toBe(true);
    }
    await until(
      () => service.json<Nodes>("/api/nodes"),
      ({ nodes }) => nodes.reduce((sum, { heard }) => sum + heard, 0) === number,
    );
    const { nodes } = await service.json<Nodes>("/api/nodes");
    expect(nodes.length).toBe(NODES);
    for (const node of nodes)
      expect(node).toMatchObject({ life: 1, heard: 3 * EACH, expected: 3 * EACH, missed: 0 });
    expect(await service.json("/api/gaps")).toMatchObject({ gaps: [] });
    await socket.close();
    const { status, err } = await service.end("SIGTERM");
    expect(status).toBe(0);
    expect(err.trim().split("\n")).toEqual([
      "This machine's clock was set back by 2 hours. Recorded times go on from the earlier clock.",
      "This machine's clock moved forward by 4 hours: it slept, or the clock was set. That time was not recorded.",
    ]);
    expect(integrity(service.db)).toBe("ok");
    expect(storedNumber(service.db, "SELECT count(*) FROM reception")).toBe(number);
    // Recorded times go on, and only forward: 2 h of them are left out.
    const atUs = storedRows<{ atUs: number }>(service.db, "SELECT at_us AS atUs FROM reception ORDER BY id");
    const stepsUs = atUs.slice(1).map((row, i) => row.atUs - (atUs[i]?.atUs ?? 0));
    expect(Math.min(...stepsUs)).toBeGreaterThan(-1e6);
    expect(stepsUs.filter((us) => us > 3_600e6).length).toBe(1);
  });
});

describe("SIGTERM before the service is ready", () => {
  /** Ends a start as soon as the test says; what it left. */
  async function endedStart(db: string, moment: () => boolean) {
    const folder = temporaryFolder();
    const words = ["listen", "--udp-port", "0", "--web-port", "0", "--db", db];
    const child = spawnProgram(words, folder);
    const ended = endOf(child);
    await until(
      () => moment() || child.exitCode !== null,
      (is) => is,
      30_000,
      5,
    );
    child.kill("SIGTERM");
    const { status, out, err } = await ended;
    return { status, signal: child.signalCode, out, err };
  }

  it("ends it with 0 once it has a store, prints no ready line and leaves one sound file", async () => {
    const folder = temporaryFolder();
    const db = join(folder, "site.db");
    const how = await endedStart(db, () => existsSync(db));
    expect(how).toEqual({ status: 0, signal: null, out: "", err: "" });
    expect(readdirSync(folder)).toEqual(["site.db"]);
    expect(integrity(db)).toBe("ok");
  });

  it("at any moment leaves a store that the next start goes on with", async () => {
    const db = join(temporaryFolder(), "site.db");
    for (const afterMs of [30, 120, 350, 600, 900]) {
      const startMs = performance.now();
      const { status, signal, err } = await endedStart(db, () => performance.now() - startMs >= afterMs);
      // Before the program itself has begun, the signal is the system's to act on.
      expect([0, "SIGTERM"]).toContain(status ?? signal);
      expect(err).toBe("");
      if (existsSync(db)) expect(integrity(db)).toBe("ok");
    }
    const service = await startService({ db });
    const socket = await GatewaySocket.open(service.udpPort);
    expect(await socket.sendAll([uplink(1).bytes])).toBe(true);
    await socket.close();
    expect((await service.end("SIGTERM")).status).toBe(0);
    expect(storedNumber(db, "SELECT count(*) FROM reception")).toBe(1);
  });
});

interface Status {
  readonly notices: readonly string[];
  readonly arrived: { readonly datagrams: number };
  readonly passage: {
    readonly up: number;
    readonly associations: number;
    readonly notRelayed: readonly { reason: string; count: number }[];
  };
}

/** A free UDP port of this machine, a moment ago. */
async function freePort(): Promise<number> {
  const socket = createSocket("udp4");
  await new Promise<void>((done) => socket.bind(0, "127.0.0.1", done));
  const { port } = socket.address();
  await new Promise<void>((done) => socket.close(() => done()));
  return port;
}

function residentMb(pid: number): number {
  const file = `/proc/${pid}/status`;
  if (!existsSync(file)) return 0;
  return Number(/VmRSS:\s+(\d+) kB/.exec(readFileSync(file, "utf8"))?.[1] ?? 0) / 1024;
}

describe("two running relays that point at each other", () => {
  it("are named as a loop, and nothing goes round or grows", async () => {
    const [one, other] = [await freePort(), await freePort()];
    const relay = (port: number, to: number) =>
      startService({ words: ["--udp-port", String(port), "--relay", `127.0.0.1:${to}`] });
    const both = await Promise.all([relay(one, other), relay(other, one)]);
    const gateway = await GatewaySocket.open(one);
    const before = both.map(({ pid }) => residentMb(pid));
    const SENT = 200;
    for (let i = 0; i < SENT; i++) await gateway.send(i % 20 === 0 ? keepalive(i) : uplink(i).bytes);
    const looped = ({ passage }: Status) =>
      passage.notRelayed.find(({ reason }) => reason === "loop")?.count ?? 0;
    const statusOf = (service: Service) => service.json<Status>("/api/status");
    // What arrived is what was sent, once there and once back. The figures come by themselves, each in its time.
    const quiet = await until(
      () => Promise.all(both.map(statusOf)),
      (statuses) =>
        statuses.reduce((sum, status) => sum + looped(status), 0) >= SENT &&
        statuses.reduce((sum, { arrived }) => sum + arrived.datagrams, 0) >= 3 * SENT &&
        statuses.every(({ passage }) => passage.up === SENT) &&
        statuses[0]?.notices.some((notice) => notice.includes("two relays point at each other")) === true,
    );
    await pause(1_000);
    const later = await Promise.all(both.map(statusOf));
    // Nothing goes round.
    expect(later.map(({ arrived }) => arrived)).toEqual(quiet.map(({ arrived }) => arrived));
    expect(later.map(({ arrived }) => arrived.datagrams)).toEqual([2 * SENT, SENT]);
    expect(later.map(looped)).toEqual(quiet.map(looped));
    expect(later.map(({ passage }) => passage.up)).toEqual([SENT, SENT]);
    for (const { passage } of later) expect(passage.associations).toBeLessThanOrEqual(2);
    for (const [i, { pid }] of both.entries()) expect(residentMb(pid) - (before[i] ?? 0)).toBeLessThan(60);
    await gateway.close();
    for (const service of both) {
      expect((await service.end("SIGTERM")).status).toBe(0);
      expect(integrity(service.db)).toBe("ok");
    }
  });
});
