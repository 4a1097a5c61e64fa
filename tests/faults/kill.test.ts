import { join } from "node:path";
import { afterEach, describe, expect, it } from "vitest";
import { GatewaySocket, type Uplink, uplink } from "../process/gateway-socket.ts";
import { cleanUp, temporaryFolder } from "../process/program.ts";
import { pause, startService, until } from "../process/service.ts";
import { integrity, receptionKey, receptionKeys, storedNumber } from "../process/stored.ts";
import { between, createChance } from "./chance.ts";
import { peakMemoryMb } from "./memory.ts";

afterEach(cleanUp);

/** `MASTLOG_KILLS=200` lengthens the campaign; a kill takes two seconds, more on a busy machine. */
const ROUNDS = Number(process.env.MASTLOG_KILLS ?? 4);
/** For one kill, reading the whole store back included, on a busy machine. */
const MAX_ROUND_MS = 15_000;
/**
 * So many that no counter goes far between two stored frames, whatever was lost at a kill: until a node's rhythm is
 * known, a larger jump than 16 and one a second begins a new life.
 */
const NODES = 400;
const MAX_SENT_A_ROUND = 8 * NODES;
const SEED = 4711;
/** An answer that came sooner left after the commit: without one it leaves after 23 ms. */
const STORED_BEFORE_MS = 22;
/** Every other round the load is so small that answers leave after the commit; so many have come before the kill. */
const MIN_PROMISED = 10;
const MAX_CALM_MS = 10_000;

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
      const everySent: Uplink[] = [];
      const promised: Uplink[] = [];
      let number = 0;
      let longestAnswerMs = 0;
      let peakMb = 0;
      for (let round = 0; round < ROUNDS; round++) {
        const isCalm = round % 2 === 0;
        const service = await startService({ db });
        const socket = await GatewaySocket.open(service.udpPort);
        const sent: Uplink[] = [];
        const promisedNow = () =>
          sent.filter(
            (one) => (socket.answers.get(one.number % 65_536)?.afterMs ?? Infinity) < STORED_BEFORE_MS,
          );
        let isKilled = false;
        const kill = async () => {
          const calmUntilMs = performance.now() + (isCalm ? MAX_CALM_MS : 0);
          while (performance.now() < calmUntilMs && promisedNow().length < MIN_PROMISED) await pause(20);
          await pause(between(chance, 150, 700));
          isKilled = true;
          peakMb = Math.max(peakMb, peakMemoryMb(service.pid));
          const { status } = await service.end("SIGKILL");
          expect(status).toBeNull();
        };
        const load = function* () {
          while (!isKilled && sent.length < MAX_SENT_A_ROUND) {
            const one = uplink(number++, { nodes: NODES });
            sent.push(one);
            yield one.bytes;
          }
        };
        const inTheAir = isCalm ? 2 : 64;
        await Promise.all([kill(), socket.sendAll(load(), { inTheAir, stop: () => isKilled })]);
        // Answers that left before the kill may still lie in this socket.
        await pause(50);
        expect(socket.answered).toBeGreaterThan(20);
        if (isCalm) expect(promisedNow().length).toBeGreaterThanOrEqual(MIN_PROMISED);
        everySent.push(...sent);
        promised.push(...promisedNow());
        for (const { afterMs } of socket.answers.values())
          longestAnswerMs = Math.max(longestAnswerMs, afterMs);
        await socket.close();

        const stored = receptionKeys(db);
        expect(promised.filter((one) => !stored.has(keyOf(one)))).toEqual([]);
        expect(integrity(db)).toBe("ok");
      }

      const service = await startService({ db });
      const socket = await GatewaySocket.open(service.udpPort);
      const more = Array.from({ length: 40 }, () => uplink(number++, { nodes: NODES }));
      expect(await socket.sendAll(more.map(({ bytes }) => bytes))).toBe(true);
      everySent.push(...more);
      await socket.close();
      await until(
        () => receptionKeys(db),
        (keys) => more.every((one) => keys.has(keyOf(one))),
      );

      // Each counter was sent once, so an address has one life, from its first to its last stored counter.
      const stored = receptionKeys(db);
      const counters = new Map<string, number[]>();
      for (const one of everySent)
        if (stored.has(keyOf(one)))
          counters.set(one.devAddr, [...(counters.get(one.devAddr) ?? []), one.counter]);
      const truth = [...counters].map(([devAddr, heard]) => {
        const expected = Math.max(...heard) - Math.min(...heard) + 1;
        return { devAddr, life: 1, heard: heard.length, expected };
      });
      const { nodes } = await service.json<NodesAnswer>("/api/nodes");
      const counted = nodes.map(({ devAddr, life, heard, expected }) => ({ devAddr, life, heard, expected }));
      const byAddress = (a: { devAddr: string }, b: { devAddr: string }) => (a.devAddr < b.devAddr ? -1 : 1);
      expect(counted.sort(byAddress)).toEqual(truth.sort(byAddress));
      expect(storedNumber(db, "SELECT count(*) FROM reception")).toBe(stored.size);
      console.info(
        `${ROUNDS} kills: ${number} sent, ${promised.length} answered after the commit, 0 of them lost, ${stored.size} stored; ` +
          `peak memory ${peakMb.toFixed(0)} MB, longest answer ${longestAnswerMs.toFixed(0)} ms`,
      );
    },
    60_000 + ROUNDS * MAX_ROUND_MS,
  );
});
