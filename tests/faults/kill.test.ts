import { existsSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { afterEach, describe, expect, it } from "vitest";
import { GatewaySocket, type Uplink, uplink } from "../process/gateway-socket.ts";
import { cleanUp, temporaryFolder } from "../process/program.ts";
import { pause, startService, until } from "../process/service.ts";
import { integrity, receptionKey, receptionKeys, storedNumber } from "../process/stored.ts";
import { between, createChance } from "./chance.ts";

afterEach(cleanUp);

/** `MASTLOG_KILLS=200` lengthens the campaign; every kill takes about two seconds. */
const ROUNDS = Number(process.env.MASTLOG_KILLS ?? 4);
/** For one kill, reading the whole store back included, on a busy machine. */
const MAX_ROUND_MS = 15_000;
const NODES = 8;
const SEED = 4711;
/** An answer that came sooner left after the commit: without one it leaves after 23 ms. */
const STORED_BEFORE_MS = 22;

interface NodesAnswer {
  nodes: { devAddr: string; life: number; heard: number; expected: number }[];
}

function keyOf({ gatewayEui, tmstUs, payload }: Uplink): string {
  return receptionKey({ eui: gatewayEui, tmst: tmstUs, payload: Buffer.from(payload).toString("hex") });
}

describe("the service, killed under load", () => {
  it(
    `has everything that it acknowledged, opens again and counts on (${ROUNDS} kills, seed ${SEED})`,
    async () => {
      const chance = createChance(SEED);
      const db = join(temporaryFolder(), "killed.db");
      const acknowledged: Uplink[] = [];
      let number = 0;
      let longestAnswerMs = 0;
      let peakMb = 0;
      for (let round = 0; round < ROUNDS; round++) {
        const service = await startService({ db });
        const socket = await GatewaySocket.open(service.udpPort);
        const sent: Uplink[] = [];
        let isKilled = false;
        const kill = async () => {
          await pause(between(chance, 150, 700));
          isKilled = true;
          peakMb = Math.max(peakMb, peakMemoryMb(service.pid));
          const { status } = await service.end("SIGKILL");
          expect(status).toBeNull();
        };
        const load = function* () {
          while (!isKilled && sent.length < 30_000) {
            const one = uplink(number++, { nodes: NODES });
            sent.push(one);
            yield one.bytes;
          }
        };
        await Promise.all([kill(), socket.sendAll(load(), { inTheAir: 64, stop: () => isKilled })]);
        // Answers that left before the kill may still lie in this socket.
        await pause(50);
        const answered = sent.filter((one) => socket.answers.has(one.number % 65_536));
        expect(answered.length).toBeGreaterThan(20);
        acknowledged.push(
          ...answered.filter(
            (one) => (socket.answers.get(one.number % 65_536)?.afterMs ?? 0) < STORED_BEFORE_MS,
          ),
        );
        for (const { afterMs } of socket.answers.values())
          longestAnswerMs = Math.max(longestAnswerMs, afterMs);
        await socket.close();

        const stored = receptionKeys(db);
        expect(acknowledged.filter((one) => !stored.has(keyOf(one)))).toEqual([]);
        expect(integrity(db)).toBe("ok");
      }

      const service = await startService({ db });
      const socket = await GatewaySocket.open(service.udpPort);
      const more = Array.from({ length: 40 }, () => uplink(number++, { nodes: NODES }));
      expect(await socket.sendAll(more.map(({ bytes }) => bytes))).toBe(true);
      acknowledged.push(...more);
      await socket.close();
      await until(
        () => receptionKeys(db),
        (keys) => more.every((one) => keys.has(keyOf(one))),
      );

      // Each counter was sent once, so an address has one life, from its first to its last stored counter.
      const { nodes } = await service.json<NodesAnswer>("/api/nodes");
      expect(nodes.length).toBe(NODES);
      const stored = receptionKeys(db);
      for (const { devAddr, life, heard, expected } of nodes) {
        const counters = acknowledged.filter((one) => one.devAddr === devAddr).map(({ counter }) => counter);
        expect({ devAddr, life, expected }).toEqual({
          devAddr,
          life: 1,
          expected: Math.max(...counters) + 1,
        });
        // What was stored without its answer arriving here is heard, too; nothing acknowledged is missing.
        expect(heard).toBeGreaterThanOrEqual(counters.length);
      }
      expect(nodes.reduce((sum, { heard }) => sum + heard, 0)).toBe(stored.size);
      expect(storedNumber(db, "SELECT count(*) FROM reception")).toBe(stored.size);
      console.info(
        `${ROUNDS} kills: ${number} sent, ${acknowledged.length} acknowledged, 0 of them lost, ${stored.size} stored; ` +
          `peak memory ${peakMb.toFixed(0)} MB, longest answer ${longestAnswerMs.toFixed(0)} ms`,
      );
    },
    60_000 + ROUNDS * MAX_ROUND_MS,
  );
});

/** Most resident memory that a process ever had, MB; 0 where the system does not tell. */
function peakMemoryMb(pid: number): number {
  const file = `/proc/${pid}/status`;
  if (!existsSync(file)) return 0;
  return Number(/VmHWM:\s+(\d+) kB/.exec(readFileSync(file, "utf8"))?.[1] ?? 0) / 1024;
}
