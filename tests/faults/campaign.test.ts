/**
 * Is every one of very many malicious datagrams accounted for? Noise, damaged datagrams and any JSON value for any key go
 * through the whole door in pieces, each with a store of its own: by the socket of the built service, and by capture
 * files that are imported, in which each datagram stands twice.
 *
 * MASTLOG_CAMPAIGN_DATAGRAMS sets how many (6,000 otherwise), MASTLOG_CAMPAIGN_SEED where the pieces begin, and
 * MASTLOG_CAMPAIGN_MINUTES ends the campaign at the next piece.
 */
import { writeFileSync } from "node:fs";
import { join } from "node:path";
import { afterEach, expect, it } from "vitest";
import { createPcapWriter } from "../../src/wire/capture/pcap-writer.ts";
import { answerFor } from "../../src/wire/forwarder/header.ts";
import { GatewaySocket, uplink } from "../process/gateway-socket.ts";
import { TestSocket } from "../process/network-server.ts";
import { cleanUp, endOf, spawnProgram, temporaryFolder } from "../process/program.ts";
import { startService, until } from "../process/service.ts";
import { integrity, storedNumber, storedRows } from "../process/stored.ts";
import { arrivalOf, START_US } from "../store/traffic.ts";
import { below, type Chance, createChance } from "./chance.ts";
import { garbage, hostileJson } from "./garbage.ts";
import { peakMemoryMb } from "./memory.ts";

afterEach(cleanUp);

const DATAGRAMS = Number(process.env.MASTLOG_CAMPAIGN_DATAGRAMS ?? 6_000);
const SEED = Number(process.env.MASTLOG_CAMPAIGN_SEED ?? 61_803);
const MINUTES = Number(process.env.MASTLOG_CAMPAIGN_MINUTES ?? 600);
/** Datagrams of one piece: what a store and a test hold with ease. */
const PIECE = Math.min(50_000, Math.ceil(DATAGRAMS / 2));
/** Sent between two marks, of which two may be unanswered: fits any system's receive buffer. */
const BATCH = 100;
/** Sent between two looks at what is stored, and not known to be stored at such a look: the service keeps 21,000 of a source. */
const LOOK_EVERY = 5_000;
const MAX_UNSTORED = 10_000;
const STORED_WITHIN_MS = 120_000;
/** Resident memory that a piece may not pass: two page caches of the store, the program, and slack. */
const PEAK_BOUND_MB = 1_000;

interface Figures {
  tried: number;
  recorded: number;
  alreadyStored: number;
  duplicates: number;
  refused: Record<string, number>;
  lost: number;
  unanswered: number;
  peakMb: number;
  longestAnswerMs: number;
}

/** One datagram after the other, all from the seed. */
function* malice(chance: Chance, count: number): Generator<Uint8Array> {
  const damaged = garbage(chance, count);
  for (let i = 0; i < count; i++) {
    const next = below(chance, 2) === 0 ? damaged.next() : null;
    yield next === null || next.done === true ? hostileJson(chance, i) : next.value;
  }
}

function stored(db: string) {
  const refused: Record<string, number> = {};
  const rows = storedRows<{ reason: string; count: number }>(
    db,
    "SELECT reason, sum(count) AS count FROM refusal WHERE gateway_id = 0 AND refused = 1 GROUP BY reason",
  );
  for (const { reason, count } of rows) refused[reason] = count;
  return {
    recorded: storedNumber(db, "SELECT count(*) FROM datagram WHERE gateway_id > 0 AND kind < 16"),
    duplicates: storedNumber(db, "SELECT count(*) FROM datagram WHERE gateway_id > 0 AND kind >= 16"),
    refused,
  };
}

const sum = (counts: Record<string, number>): number => Object.values(counts).reduce((a, b) => a + b, 0);

interface Status {
  readonly arrived: { readonly datagrams: number };
  readonly acknowledged: { readonly waiting: number };
}

async function bySocket(seed: number, count: number): Promise<Figures> {
  const service = await startService();
  const flood = await TestSocket.open();
  let pushAnswers = 0;
  flood.onDatagram = (bytes) => {
    if (bytes[3] === 1) pushAnswers += 1;
  };
  const marks = await GatewaySocket.open(service.udpPort);
  let tried = 0;
  let asked = 0;
  let mark = 0;
  let longestAnswerMs = 0;
  /** An uplink of its own gateway, whose answer follows all that was sent before it. */
  const sendMark = () =>
    marks.send(uplink(mark++, { gatewayEui: "02005E10000000EE", base: 0x01ff_0000 }).bytes);
  let answered = 0;
  const answeredAllBut = async (most: number) => {
    for (; answered < mark - most; answered++) {
      const answer = await marks.answerTo(answered % 65_536, 20_000);
      if (answer === null) throw new Error(`No answer within 20 s after ${tried} datagrams of seed ${seed}.`);
      longestAnswerMs = Math.max(longestAnswerMs, answer.afterMs);
      marks.answers.delete(answered % 65_536);
    }
  };
  /** An answer may come before its datagram is stored: the recorder keeps up with what a campaign sends, no more. */
  const storedAllBut = (most: number) =>
    until(
      () => service.json<Status>("/api/status"),
      ({ arrived, acknowledged }) => arrived.datagrams - acknowledged.waiting >= tried + mark - most,
      STORED_WITHIN_MS,
    );
  for (const bytes of malice(createChance(seed), count)) {
    flood.send(bytes, service.udpPort);
    if (answerFor(bytes)?.[3] === 1) asked += 1;
    tried += 1;
    if (tried % BATCH === 0) {
      await sendMark();
      await answeredAllBut(1);
    }
    if (tried % LOOK_EVERY === 0) await storedAllBut(MAX_UNSTORED);
  }
  await sendMark();
  await answeredAllBut(0);
  await storedAllBut(0);
  const peak = peakMemoryMb(service.pid);
  await flood.close();
  await marks.close();
  const { err } = await service.end("SIGTERM");
  expect({ err, store: integrity(service.db) }).toEqual({ err: "", store: "ok" });
  const { recorded, duplicates, refused } = stored(service.db);
  const lost = tried + mark - recorded - duplicates - sum(refused);
  const unanswered = asked - pushAnswers;
  return {
    ...{ tried: tried + mark, recorded, alreadyStored: 0, duplicates, refused, lost },
    ...{ unanswered, peakMb: peak, longestAnswerMs },
  };
}

interface Report {
  readonly captures: readonly { datagrams: number; knownAlready: number; refused: number }[];
}

/** The piece as a capture, in disorder and with a clock that jumps, and all of it once more behind that. */
async function byFile(seed: number, count: number): Promise<Figures> {
  const folder = temporaryFolder();
  const chance = createChance(seed);
  const writer = createPcapWriter();
  const packets: Uint8Array[] = [];
  let atUs = START_US;
  for (const bytes of malice(chance, count)) {
    // Forward as a rule; now and then an hour or less to and fro. No two at one moment: they would be one.
    atUs += 1_000 + (below(chance, 500) === 0 ? (below(chance, 7_200) - 3_600) * 1_000_000 : 0);
    packets.push(writer.datagram(arrivalOf(bytes, atUs + (packets.length % 1_000))));
  }
  const path = join(folder, "twice.pcap");
  writeFileSync(path, Buffer.concat([writer.header, ...packets, ...packets]));
  const db = join(folder, "site.db");
  const child = spawnProgram(["import", path, "--udp-port", "1700", "--json", "--db", db], folder);
  child.stdin?.end();
  let peak = 0;
  const ticker = setInterval(() => {
    peak = Math.max(peak, peakMemoryMb(child.pid));
  }, 100);
  const { status, out, err } = await endOf(child);
  clearInterval(ticker);
  expect({ status, err }).toEqual({ status: 0, err: "" });
  const { captures } = JSON.parse(out) as Report;
  const alreadyStored = captures.reduce((all, { knownAlready }) => all + knownAlready, 0);
  const { recorded, duplicates, refused } = stored(db);
  const tried = 2 * count;
  const lost = tried - recorded - duplicates - alreadyStored - sum(refused);
  return {
    ...{ tried, recorded, alreadyStored, duplicates, refused, lost },
    ...{ unanswered: 0, peakMb: peak, longestAnswerMs: 0 },
  };
}

it(
  `${DATAGRAMS.toLocaleString("en-GB")} malicious datagrams are all accounted for`,
  async () => {
    const endMs = performance.now() + MINUTES * 60_000;
    const total: Figures = {
      ...{ tried: 0, recorded: 0, alreadyStored: 0, duplicates: 0, refused: {}, lost: 0 },
      ...{ unanswered: 0, peakMb: 0, longestAnswerMs: 0 },
    };
    for (let piece = 0; total.tried < DATAGRAMS && performance.now() < endMs; piece++) {
      const work = piece % 2 === 0 ? bySocket : byFile;
      const one = await work(SEED + piece, PIECE);
      await cleanUp();
      expect(one).toMatchObject({ lost: 0, unanswered: 0 });
      expect(one.refused).not.toHaveProperty("internal");
      expect(one.peakMb).toBeLessThan(PEAK_BOUND_MB);
      for (const key of ["tried", "recorded", "alreadyStored", "duplicates", "lost", "unanswered"] as const)
        total[key] += one[key];
      for (const [reason, count] of Object.entries(one.refused))
        total.refused[reason] = (total.refused[reason] ?? 0) + count;
      total.peakMb = Math.max(total.peakMb, one.peakMb);
      total.longestAnswerMs = Math.max(total.longestAnswerMs, one.longestAnswerMs);
      console.info(`piece ${piece}, seed ${SEED + piece}, ${work.name}: ${JSON.stringify(one)}`);
    }
    console.info(`campaign: ${JSON.stringify(total)}`);
    expect(sum(total.refused)).toBeGreaterThan(0);
    expect(total.alreadyStored).toBeGreaterThan(0);
  },
  120_000 + DATAGRAMS * 20,
);
