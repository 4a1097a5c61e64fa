import { existsSync, readFileSync } from "node:fs";
import { afterEach, describe, expect, it } from "vitest";
import { encodePushData } from "../../src/wire/forwarder/encode.ts";
import { GatewaySocket, keepalive, uplink } from "../process/gateway-socket.ts";
import { cleanUp } from "../process/program.ts";
import { type Service, startService, until } from "../process/service.ts";
import { integrity, storedNumber, storedRows } from "../process/stored.ts";
import { packet, phy } from "../store/traffic.ts";
import { createChance } from "./chance.ts";
import { garbage } from "./garbage.ts";

afterEach(cleanUp);

const SEED = 90_210;
/** What a flood may cost in memory: the store's two page caches (32 MB each), the ledger's addresses, and slack. */
const GROWTH_BOUND_MB = 160;
/** Sent before waiting for the service to have read all: fits any system's receive buffer. */
const BATCH = 100;
/** Of keepalives, 100 each, a tenth of a second apart where the machine keeps up. */
const ROUNDS = 30;

/** Resident memory of a process, MB; null where the system does not tell. */
function residentMb(pid: number): number | null {
  const file = `/proc/${pid}/status`;
  if (!existsSync(file)) return null;
  return Number(/VmRSS:\s+(\d+) kB/.exec(readFileSync(file, "utf8"))?.[1]) / 1024;
}

/** Processor time of a process, ticks (proc(5): utime and stime); 0 where the system does not tell. */
function processorTicks(pid: number): number {
  const file = `/proc/${pid}/stat`;
  if (!existsSync(file)) return 0;
  // The second field is a name in parentheses, which may hold anything.
  const fields = readFileSync(file, "utf8")
    .replace(/^.*\) /s, "")
    .split(" ");
  return Number(fields[11]) + Number(fields[12]);
}

/** Sends without loss: after each batch an uplink of its own gateway is sent, whose answer follows all before it. */
async function sendWhole(service: Service, datagrams: Iterable<Uint8Array>): Promise<number> {
  const flood = await GatewaySocket.open(service.udpPort);
  const marks = await GatewaySocket.open(service.udpPort);
  let sent = 0;
  let mark = 0;
  const waitForAll = async () => {
    await marks.send(uplink(mark, { gatewayEui: "02005E10000000EE", base: 0x01ff_0000 }).bytes);
    sent += 1;
    expect(await marks.answerTo(mark % 65_536, 60_000)).not.toBeNull();
    mark += 1;
  };
  for (const bytes of datagrams) {
    await flood.send(bytes);
    sent += 1;
    if (sent % BATCH === 0) await waitForAll();
  }
  await waitForAll();
  await flood.close();
  await marks.close();
  return sent;
}

interface Status {
  arrived: { datagrams: number };
  acknowledged: { waiting: number; dropped: number };
  storage: { state: string };
  refusals: { reason: string; refused: boolean; count: number }[];
}

/** The status once the service has posted that all has arrived and is stored. */
function settled(service: Service, sent: number): Promise<Status> {
  return until(
    () => service.json<Status>("/api/status"),
    ({ arrived, acknowledged }) => arrived.datagrams >= sent && acknowledged.waiting === 0,
    // An answer that took 25 ms left before its datagram was stored: much may wait still.
    90_000,
  );
}

/**
 * arrived = recorded + duplicates + refused: every datagram that arrived is either a row of `datagram` (recorded, or
 * marked as a duplicate by a kind of 16 and more) or counted by its reason under no gateway. Datagrams known from
 * before arise only from captures.
 */
function account(db: string): { recorded: number; duplicates: number; refused: number } {
  return {
    recorded: storedNumber(db, "SELECT count(*) FROM datagram WHERE gateway_id > 0 AND kind < 16"),
    duplicates: storedNumber(db, "SELECT count(*) FROM datagram WHERE gateway_id > 0 AND kind >= 16"),
    refused: storedNumber(
      db,
      "SELECT coalesce(sum(count), 0) FROM refusal WHERE gateway_id = 0 AND refused = 1",
    ),
  };
}

/** Identifiers that gave their place to another, with what was kept of them. */
function gaveWayCount(db: string): number {
  return storedNumber(db, "SELECT coalesce(sum(count), 0) FROM refusal WHERE reason = 'gave_way'");
}

describe("the service under a flood", () => {
  it(`outlives 6,000 damaged datagrams (seed ${SEED}), and each is accounted for by reason`, async () => {
    const service = await startService();
    const before = residentMb(service.pid);
    const sent = await sendWhole(service, garbage(createChance(SEED), 6_000));
    const status = await settled(service, sent);
    expect(status.arrived.datagrams).toBe(sent);
    expect(status.acknowledged).toMatchObject({ waiting: 0, dropped: 0 });
    // On a busy machine storing may have lagged behind for a while.
    expect(status.storage.state).not.toBe("failed");

    const { recorded, duplicates, refused } = account(service.db);
    expect(recorded + duplicates + refused).toBe(sent);
    expect(recorded).toBeGreaterThan(1_500);
    expect(refused).toBeGreaterThan(600);

    // The two interfaces tell the same counts as the store, reason by reason.
    const stored = storedRows<{ reason: string; count: number }>(
      service.db,
      "SELECT reason, sum(count) AS count FROM refusal GROUP BY reason ORDER BY reason",
    );
    const reasons = stored.map(({ reason }) => reason);
    expect(reasons).toEqual(
      expect.arrayContaining(["short", "version", "ident", "direction", "json_syntax"]),
    );
    // Whatever a stranger sends must not reach a fault of the program's own.
    expect(reasons).not.toContain("internal");
    const metrics = await service.text("/metrics");
    const told = [...metrics.matchAll(/^mastlog_refusals_total\{reason="([^"]+)",used="\w+"\} (\d+)$/gm)];
    expect(summed(told.map(([, reason, count]) => [reason ?? "", Number(count)]))).toEqual(
      summed(stored.map(({ reason, count }) => [reason, count])),
    );
    expect(metrics).toContain(`mastlog_datagrams_total ${sent}\n`);
    expect(
      storedNumber(service.db, "SELECT max(n) FROM (SELECT count(*) n FROM refusal_sample GROUP BY reason)"),
    ).toBeLessThanOrEqual(20);
    expectBoundedMemory(service, before, "6,000 damaged datagrams");
    expect((await service.end("SIGTERM")).status).toBe(0);
    expect(integrity(service.db)).toBe("ok");
  });

  it("follows 4,096 of 10,000 invented gateways at most and counts the rest", async () => {
    const service = await startService();
    const before = residentMb(service.pid);
    const invented = Array.from({ length: 10_000 }, (_, i) => {
      const gatewayEui = `02005E11${i.toString(16).toUpperCase().padStart(8, "0")}`;
      return i % 2 === 0 ? keepalive(i, gatewayEui) : uplink(i, { gatewayEui }).bytes;
    });
    const sent = await sendWhole(service, invented);
    const status = await settled(service, sent);
    const followed = storedNumber(service.db, "SELECT count(*) FROM gateway");
    expect(followed).toBeLessThanOrEqual(4_096);
    // The last 128 places go to newcomers slowly; so how many are taken depends on the time that it took.
    expect(followed).toBeGreaterThanOrEqual(4_096 - 128);
    const gaveWay = gaveWayCount(service.db);
    const cap = status.refusals.find(({ reason }) => reason === "cap");
    // The gateway of the marks is one more, and was among the first to be heard.
    expect(cap).toMatchObject({ refused: true, count: 10_001 - followed - gaveWay });
    const { recorded, duplicates, refused } = account(service.db);
    expect(recorded + duplicates + refused).toBe(sent);
    const { gateways, moreGateways } = await service.json<{ gateways: unknown[]; moreGateways: number }>(
      "/api/gateways",
    );
    expect({ listed: gateways.length, moreGateways }).toEqual({ listed: 64, moreGateways: followed - 64 });
    expectBoundedMemory(service, before, "10,000 gateways");
  });

  it("counts 10,000 device addresses and still answers over HTTP", async () => {
    const service = await startService();
    const before = residentMb(service.pid);
    const datagrams = Array.from({ length: 1_000 }, (_, i) =>
      encodePushData({
        version: 2,
        token: i,
        gatewayEui: "02005E1000000001",
        packets: Array.from({ length: 10 }, (_unused, n) => {
          const number = i * 10 + n;
          const devAddr = (0x0100_0000 + number).toString(16).toUpperCase().padStart(8, "0");
          return packet({ payload: phy(devAddr, 7), tmstUs: number * 1_000, spreadingFactor: 7 });
        }),
        status: null,
      }),
    );
    let sent = 0;
    const ticks = [processorTicks(service.pid)];
    for (let quarter = 0; quarter < 4; quarter++) {
      sent += await sendWhole(service, datagrams.slice(quarter * 250, (quarter + 1) * 250));
      await settled(service, sent);
      ticks.push(processorTicks(service.pid));
    }
    // The marks' own addresses lie above.
    expect(storedNumber(service.db, "SELECT count(*) FROM life WHERE dev_addr < 0x01FF0000")).toBe(10_000);
    // An address costs the processor what it costs, however many were there before it.
    const [t0 = 0, t1 = 0, , t3 = 0, t4 = 0] = ticks;
    expect(t4 - t3).toBeLessThanOrEqual(4 * (t1 - t0));
    expectBoundedMemory(service, before, "10,000 addresses");
    const startMs = performance.now();
    const { nodes, moreNodes } = await service.json<{ nodes: unknown[]; moreNodes: number }>("/api/nodes");
    console.info(`10,000 nodes over HTTP in ${(performance.now() - startMs).toFixed(0)} ms`);
    const lives = storedNumber(service.db, "SELECT count(*) FROM life");
    expect({ listed: nodes.length, moreNodes }).toEqual({ listed: 500, moreNodes: lives - 500 });
  });

  it("answers a flood of keepalives from one source sparingly, and another source every time", async ({
    skip,
  }) => {
    const service = await startService();
    const flood = await GatewaySocket.open(service.udpPort);
    const honest = await GatewaySocket.open(service.udpPort, { from: "127.0.0.2" }).catch(() => null);
    if (honest === null) return skip("this system has no second loopback address");
    const startMs = performance.now();
    let sent = 0;
    const answered: (number | null)[] = [];
    for (let round = 0; round < ROUNDS; round++) {
      // 100 every 100 ms: a thousand a second.
      for (let i = 0; i < 100; i++) await flood.send(keepalive(sent++ % 65_536));
      const token = 1 + answered.length;
      await honest.send(keepalive(token, "02005E1000000009"));
      sent += 1;
      answered.push((await honest.answerTo(token, 20_000))?.afterMs ?? null);
      const nextMs = startMs + answered.length * 100;
      await new Promise((done) => setTimeout(done, Math.max(0, nextMs - performance.now())));
    }
    const answers = flood.answered;
    const seconds = (performance.now() - startMs) / 1_000;
    expect(answered).not.toContain(null);
    // 50 a second and one second's worth at once, in whatever time this machine took.
    expect(answers).toBeLessThanOrEqual(Math.ceil(50 + 50 * seconds));
    expect(answers).toBeGreaterThan(50);
    await Promise.all([flood.close(), honest.close()]);
    // What is not answered is counted all the same: a keepalive is the gateway's heartbeat.
    await settled(service, sent);
    const { recorded, duplicates, refused } = account(service.db);
    expect({ accounted: recorded + duplicates + refused, refused }).toEqual({ accounted: sent, refused: 0 });
    expect((await service.json<Status>("/api/status")).storage.state).not.toBe("failed");
  });
});

function summed(counts: readonly [string, number][]): Record<string, number> {
  const sums: Record<string, number> = {};
  for (const [reason, count] of counts) sums[reason] = (sums[reason] ?? 0) + count;
  return sums;
}

function expectBoundedMemory(service: Service, beforeMb: number | null, what: string): void {
  const afterMb = residentMb(service.pid);
  if (beforeMb === null || afterMb === null) return;
  console.info(`${what}: resident memory ${beforeMb.toFixed(0)} MB before, ${afterMb.toFixed(0)} MB after`);
  expect(afterMb - beforeMb).toBeLessThan(GROWTH_BOUND_MB);
}
