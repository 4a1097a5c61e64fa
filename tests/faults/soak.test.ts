/**
 * Does a month of everything leave a sound store, flat memory and every answer? A simulated site to which every event of
 * the simulator happens is played through the built service in pieces: sent to it, imported beside it, or both at once,
 * out of order, with malformed datagrams and steps of the clock in them. Meanwhile a live gateway sends and is answered,
 * more malformed datagrams arrive, views are asked, and twice the service is killed.
 *
 * MASTLOG_SOAK_DAYS sets how many days are simulated (three hours otherwise; 30 take some minutes).
 */
import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { afterEach, expect, it } from "vitest";
import { ScenarioEvent } from "../../src/simulate/events.ts";
import { readScenario } from "../../src/simulate/scenario.ts";
import type { Truth } from "../../src/simulate/truth-schema.ts";
import { createPcapWriter } from "../../src/wire/capture/pcap-writer.ts";
import { GatewaySocket, type Uplink, uplink } from "../process/gateway-socket.ts";
import { TestSocket } from "../process/network-server.ts";
import { cleanUp, endOf, spawnProgram, temporaryFolder } from "../process/program.ts";
import { type Service, startService, until } from "../process/service.ts";
import { integrity, receptionKey, receptionKeys, storedRows } from "../process/stored.ts";
import { below, type Chance, createChance } from "./chance.ts";
import { garbage } from "./garbage.ts";
import { peakMemoryMb } from "./memory.ts";
import { siteMonth } from "./site-month.ts";

afterEach(cleanUp);

const DAYS = Number(process.env.MASTLOG_SOAK_DAYS ?? 0.125);
const SECONDS = Math.round(DAYS * 86_400);
const SEED = 30_030;
/** Pieces of the capture: a day each, and enough of them for a service to live through in thirds. */
const PIECES = Math.max(4, Math.round(DAYS));
/** The service is killed while it reads these; between them it lives without a break. */
const KILLED = [0, PIECES - 1];
const LIVE_UPLINKS = 60;
const LIVE_MALFORMED = 120;
/** Malformed datagrams in a capture: one in so many. */
const MALFORMED_EVERY = 60;
/** An answer that came sooner left after the commit: without one it leaves after 23 ms. */
const STORED_BEFORE_MS = 22;
const VIEW_WITHIN_MS = 120_000;
/** Ends a hang; a day of 20,000 packets takes a minute beside other work. */
const PIECE_WITHIN_MS = 600_000;
/** Peak of the last third over the peak of the first: the page caches fill with a store that grows, no more. */
const MAX_GROWTH = 1.5;
const HOUR_US = 3_600_000_000;
const SWAPPED_WITHIN_US = 30_000_000;

interface Packet {
  readonly atUs: number;
  /** The frame as captured. */
  readonly octets: Buffer;
}

/** The packets of a capture of the simulator's: pcap, little-endian, microseconds. */
function packetsOf(pcap: Buffer): Packet[] {
  expect(pcap.readUInt32LE(0)).toBe(0xa1b2c3d4);
  const packets: Packet[] = [];
  for (let at = 24; at < pcap.length; ) {
    const length = pcap.readUInt32LE(at + 8);
    const atUs = pcap.readUInt32LE(at) * 1e6 + pcap.readUInt32LE(at + 4);
    packets.push({ atUs, octets: pcap.subarray(at + 16, at + 16 + length) });
    at += 16 + length;
  }
  return packets;
}

function pcapRecord({ atUs, octets }: Packet): Buffer {
  const head = Buffer.alloc(16);
  head.writeUInt32LE(Math.floor(atUs / 1e6), 0);
  head.writeUInt32LE(atUs % 1e6, 4);
  head.writeUInt32LE(octets.length, 8);
  head.writeUInt32LE(octets.length, 12);
  return Buffer.concat([head, octets]);
}

/** A piece with what a rough machine would do to it. `steps`: its clock goes back 2 h, then forward 4 h. */
function spoilt(packets: readonly Packet[], chance: Chance, steps: boolean): Buffer {
  const writer = createPcapWriter();
  const records = packets.map(({ atUs, octets }, i) => {
    const quarter = Math.floor((4 * i) / packets.length);
    const stepUs = !steps ? 0 : quarter === 1 ? -2 * HOUR_US : quarter >= 2 ? 2 * HOUR_US : 0;
    return { atUs: atUs + stepUs, octets };
  });
  const malformed = garbage(chance, Math.ceil(packets.length / MALFORMED_EVERY));
  const parts: Uint8Array[] = [writer.header];
  records.forEach((record, i) => {
    // Now and then two packets stand in the wrong order; further apart than a minute a clock would have been set.
    const other = below(chance, 50) === 0 ? records[i + 1] : undefined;
    if (other !== undefined && Math.abs(other.atUs - record.atUs) < SWAPPED_WITHIN_US) {
      records[i + 1] = record;
      parts.push(pcapRecord(other));
    } else parts.push(pcapRecord(records[i] ?? record));
    if (i % MALFORMED_EVERY !== 0) return;
    const { value: bytes } = malformed.next();
    const from = { address: "198.51.100.11", port: 50_110 };
    const to = { address: "192.0.2.10", port: 1700 };
    if (bytes !== undefined) parts.push(writer.datagram({ atUs: record.atUs, from, to, bytes }));
  });
  return Buffer.concat(parts);
}

/** Resident memory at its most since the last question, MB; 0 where the system does not tell. */
function takePeakMb(pid: number): number {
  const peak = peakMemoryMb(pid);
  // proc(5): 5 sets the peak to what is resident now.
  if (peak > 0) writeFileSync(`/proc/${pid}/clear_refs`, "5");
  return peak;
}

const FROM = "2026-03-01T00:00:00Z";
const TO = new Date(Date.parse(FROM) + SECONDS * 1000 + 3 * 3_600_000).toISOString();

/** A question to each view, over a window. */
function questions(from: string, to: string): string[] {
  const window = `from=${from}&to=${to}`;
  const [shed, tower] = ["02005E1000000001", "02005E1000000002"];
  return [
    ...["site", "nodes", "gateways", "air", "gaps", "joins", "trials", "downlinks", "receptions"],
    ...["walk/01F2B101", `bench/${shed}`, "nodes/01F2B101/1", "report"],
  ]
    .map((view) => `/api/${view}?${window}`)
    .concat(`/api/compare?${window}&a=${shed}&b=${tower}`)
    .concat(["status", "refusals", "captures", "placements", "marks", "plan"].map((view) => `/api/${view}`))
    .concat("/healthz", "/metrics");
}

async function upload(service: Service, name: string, octets: Buffer): Promise<number> {
  const answer = await fetch(`http://127.0.0.1:${service.webPort}/api/captures?name=${name}`, {
    method: "POST",
    headers: { "content-type": "application/octet-stream" },
    body: new Uint8Array(octets),
  });
  const body = (await answer.json()) as { captureId: number };
  expect({ status: answer.status, body }).toMatchObject({
    status: 200,
    body: { captureId: expect.any(Number) },
  });
  return body.captureId;
}

interface Captures {
  readonly captures: readonly { id: number; state: string; trouble: string | null }[];
}

async function isRead(service: Service, captureId: number, steps: boolean): Promise<void> {
  const { captures } = await until(
    () => service.json<Captures>("/api/captures"),
    (view) => view.captures.find(({ id }) => id === captureId)?.state !== "reading",
    PIECE_WITHIN_MS,
  );
  expect(captures.find(({ id }) => id === captureId)).toMatchObject({
    state: "done",
    // What was done to the clock of the piece is told.
    trouble: steps ? expect.stringMatching(/jumps back by 2 hours/) : null,
  });
}

async function importBeside(folder: string, path: string, db: string): Promise<void> {
  const child = spawnProgram(["import", path, "--json", "--db", db], folder);
  child.stdin?.end();
  const { status, err } = await endOf(child);
  expect({ status, err }).toEqual({ status: 0, err: "" });
}

/** "DevAddr FCnt" of a data frame, as the octets have it; null for what is none. */
function frameKey(payload: Buffer): string | null {
  if (payload.length < 12 || ![2, 4].includes((payload[0] ?? 0) >> 5)) return null;
  return `${payload.readUInt32LE(1).toString(16).toUpperCase().padStart(8, "0")} ${payload.readUInt16LE(6)}`;
}

function add(counts: Map<string, number>, key: string, more: number): void {
  counts.set(key, (counts.get(key) ?? 0) + more);
}

it(
  `${DAYS} days of a site to which everything happens are kept whole`,
  async () => {
    const chance = createChance(SEED);
    const folder = temporaryFolder();
    const db = join(folder, "soak.db");
    const text = JSON.stringify(siteMonth(SECONDS));
    const read = readScenario(text);
    if (!read.ok) throw new Error(read.sentence);
    const kinds = ScenarioEvent.options.map(({ shape }) => shape.event.value);
    expect(new Set(read.scenario.events.map(({ event }) => event))).toEqual(new Set(kinds));
    writeFileSync(join(folder, "site.json"), text);
    const simulated = spawnProgram(
      ["simulate", "site.json", "--pcap", "site.pcap", "--truth", "truth.json"],
      folder,
    );
    simulated.stdin?.end();
    expect(await endOf(simulated)).toMatchObject({ status: 0, err: "" });
    const truth = JSON.parse(readFileSync(join(folder, "truth.json"), "utf8")) as Truth;
    const packets = packetsOf(readFileSync(join(folder, "site.pcap")));

    let service = await startService({ db });
    const peaksMb: number[] = [];
    const promised: Uplink[] = [];
    let lives = 1;
    let asked = 0;
    let longestViewMs = 0;
    let slowestView = "";
    let longestAnswerMs = 0;
    let malformed = 0;
    let number = 0;
    /** Early on, what is asked for may not have been heard yet: 404 and why is an answer. */
    const ask = async (path: string, allowed: readonly number[]) => {
      const startMs = performance.now();
      const signal = AbortSignal.timeout(VIEW_WITHIN_MS);
      const answer = await fetch(`http://127.0.0.1:${service.webPort}${path}`, { signal }).catch((error) => {
        throw new Error(
          `${path}: ${error} after piece ${peaksMb.length}; peaks ${peaksMb.map(Math.round)} MB`,
        );
      });
      const text = await answer.text();
      if (!allowed.includes(answer.status))
        throw new Error(`${path}: ${answer.status} ${text.slice(0, 500)}`);
      const tookMs = performance.now() - startMs;
      if (tookMs > longestViewMs) [longestViewMs, slowestView] = [tookMs, path.replace(/\?.*/, "")];
      asked += 1;
    };

    /** A live gateway beside the captures; what it may rely on is kept. */
    const live = async (isKilled: () => boolean) => {
      const socket = await GatewaySocket.open(service.udpPort);
      const noise = await TestSocket.open();
      const bad = garbage(chance, LIVE_MALFORMED);
      const sent: Uplink[] = [];
      const load = function* () {
        while (!isKilled() && sent.length < LIVE_UPLINKS) {
          const one = uplink(number++, { gatewayEui: "02005E10000000EE", base: 0x01ff_0000 });
          sent.push(one);
          for (let i = 0; i < LIVE_MALFORMED / LIVE_UPLINKS; i++) {
            const { value } = bad.next();
            if (value !== undefined) noise.send(value, service.udpPort);
            malformed += 1;
          }
          yield one.bytes;
        }
      };
      await socket.sendAll(load(), { inTheAir: 2, stop: isKilled });
      for (const { afterMs } of socket.answers.values()) longestAnswerMs = Math.max(longestAnswerMs, afterMs);
      // Where nobody kills, what was answered early is stored soon after.
      promised.push(
        ...sent.filter(
          (one) =>
            (socket.answers.get(one.number % 65_536)?.afterMs ?? Infinity) <
            (isKilled() ? STORED_BEFORE_MS : 1e9),
        ),
      );
      await socket.close();
      await noise.close();
    };

    const order = Array.from({ length: PIECES }, (_, i) =>
      i % 3 === 1 && i + 2 < PIECES ? i + 1 : i % 3 === 2 && i + 1 < PIECES ? i - 1 : i,
    );
    expect(new Set(order).size).toBe(PIECES);
    for (const [turn, piece] of order.entries()) {
      const from = Math.floor((piece * packets.length) / PIECES);
      const to = Math.floor(((piece + 1) * packets.length) / PIECES);
      const steps = piece % 5 === 3;
      const octets = spoilt(packets.slice(from, to), chance, steps);
      const path = join(folder, `piece-${piece}.pcap`);
      writeFileSync(path, octets);
      if (KILLED.includes(turn)) {
        let isKilled = false;
        await upload(service, `killed-${piece}.pcap`, octets);
        const kill = async () => {
          await new Promise((done) => setTimeout(done, 100 + below(chance, 300)));
          isKilled = true;
          expect((await service.end("SIGKILL")).status).toBeNull();
        };
        await Promise.all([kill(), live(() => isKilled)]);
        service = await startService({ db });
        lives += 1;
      }
      const ways = [
        ...(turn % 3 === 1
          ? []
          : [upload(service, `piece-${piece}.pcap`, octets).then((id) => isRead(service, id, steps))]),
        ...(turn % 3 === 0 ? [] : [importBeside(folder, path, db)]),
      ];
      const all = questions(FROM, TO);
      const few = Array.from({ length: 3 }, () => all[below(chance, all.length)] ?? "/healthz");
      const views = async () => {
        for (const question of few) await ask(question, [200, 404]);
      };
      await Promise.all([...ways, live(() => false), views()]);
      peaksMb.push(takePeakMb(service.pid));
      if (DAYS >= 1)
        console.info(`piece ${peaksMb.length} of ${PIECES}: peak ${peaksMb.at(-1)?.toFixed(0)} MB`);
    }
    for (const question of questions(FROM, TO)) await ask(question, [200]);
    await until(
      () => service.json<{ acknowledged: { waiting: number } }>("/api/status"),
      ({ acknowledged }) => acknowledged.waiting === 0,
      60_000,
    );
    const { status, err } = await service.end("SIGTERM");
    expect({ status, err, store: integrity(db) }).toEqual({ status: 0, err: "", store: "ok" });

    const wanted = new Map<string, number>();
    for (const { devAddr, counters } of truth.nodes)
      for (const { counter, receptions } of counters)
        if (receptions > 0) add(wanted, `${devAddr} ${counter % 65_536}`, receptions);
    const found = new Map<string, number>();
    for (const { payload } of storedRows<{ payload: Buffer }>(
      db,
      "SELECT payload FROM reception WHERE crc = 0 AND ghost = 0 AND payload IS NOT NULL",
    )) {
      const key = frameKey(payload);
      if (key !== null) add(found, key, 1);
    }
    const lost = [...wanted].filter(([key, count]) => (found.get(key) ?? 0) < count);
    const surplus = [...wanted].filter(([key, count]) => (found.get(key) ?? 0) > count);
    const stored = receptionKeys(db);
    const notKept = promised.filter(
      ({ gatewayEui, tmstUs, payload }) =>
        !stored.has(
          receptionKey({ eui: gatewayEui, tmst: tmstUs, payload: Buffer.from(payload).toString("hex") }),
        ),
    );
    // The life between the two kills; the first piece after a start still fills the caches.
    const unbroken = peaksMb.slice(1, -1);
    const third = Math.max(1, Math.floor(unbroken.length / 3));
    const firstMb = Math.max(...unbroken.slice(0, third));
    const lastMb = Math.max(...unbroken.slice(-third));
    console.info(
      `${DAYS} days in ${PIECES} pieces, ${lives} lives of the service: ${packets.length} packets; ` +
        `${[...wanted.values()].reduce((a, b) => a + b, 0)} receptions of ${wanted.size} uplinks true, ${lost.length} uplinks lost, ` +
        `${surplus.length} found more often; ${promised.length} live uplinks promised, ${notKept.length} lost; ` +
        `${malformed} malformed live; ${asked} views asked, longest ${longestViewMs.toFixed(0)} ms (${slowestView}); longest answer ` +
        `${longestAnswerMs.toFixed(0)} ms; peak memory ${firstMb.toFixed(0)} MB in the first third, ${lastMb.toFixed(0)} MB in the last ` +
        `(${peaksMb.map((mb) => mb.toFixed(0)).join(" ")})`,
    );
    expect(wanted.size).toBeGreaterThan(100);
    expect({ lost, surplus, notKept }).toEqual({ lost: [], surplus: [], notKept: [] });
    if (firstMb > 0) expect(lastMb / firstMb).toBeLessThan(MAX_GROWTH);
  },
  120_000 + PIECES * PIECE_WITHIN_MS,
);
