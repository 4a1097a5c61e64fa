import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { CaptureImport, type CaptureOutcome } from "../../src/intake/capture-import.ts";
import type { Arrival, Endpoint } from "../../src/model/datagram.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { allGateways } from "../../src/store/queries/gateways.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { gatewayDownlinks } from "../../src/views/gateway-downlinks.ts";
import { createPcapWriter } from "../../src/wire/capture/pcap-writer.ts";
import { encodePullAck, encodePullData, encodePushAck } from "../../src/wire/forwarder/encode.ts";
import { phy, push, SHED, START_US } from "../store/traffic.ts";
import { windowOf } from "../views/a-site.ts";
import { joined } from "../wire/capture/octets.ts";

let folder = "";
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "capture-answers-"));
});
afterAll(() => rmSync(folder, { recursive: true }));

const SERVER: Endpoint = { address: "203.0.113.9", port: 1700 };
const UP: Endpoint = { address: "192.0.2.7", port: 40_001 };
const DOWN: Endpoint = { address: "192.0.2.7", port: 40_002 };

interface Round {
  readonly atS: number;
  /** Milliseconds to the acknowledgement of both; null: none passed. */
  readonly answerMs: number | null;
}

/** Each round one PUSH_DATA and one PULL_DATA, a token of its own each. */
function traffic(rounds: readonly Round[]): Arrival[] {
  return rounds.flatMap(({ atS, answerMs }, i) => {
    const atUs = START_US + atS * 1e6;
    const uplink = push(SHED, atS, [{ payload: phy("01A2B3C4", i) }], i).arrival.bytes;
    const pullData = encodePullData({ version: 2, token: i, gatewayEui: SHED });
    const asked = [
      { bytes: uplink, from: UP, to: SERVER, atUs },
      { bytes: pullData, from: DOWN, to: SERVER, atUs },
    ];
    const answerUs = atUs + (answerMs ?? 0) * 1000;
    const answered = [
      { bytes: encodePushAck({ version: 2, token: i }), from: SERVER, to: UP, atUs: answerUs },
      { bytes: encodePullAck({ version: 2, token: i }), from: SERVER, to: DOWN, atUs: answerUs },
    ];
    return [...asked, ...(answerMs === null ? [] : answered)].map((one) => ({ ...one, door: "capture" }));
  });
}

async function read(db: Store, name: string, arrivals: readonly Arrival[]): Promise<CaptureOutcome> {
  const path = join(folder, name);
  const writer = createPcapWriter();
  writeFileSync(path, joined(writer.header, ...arrivals.map((one) => writer.datagram(one))));
  const importer = new CaptureImport({
    recorder: new Recorder(db),
    nowUs: () => START_US,
    pause: () => Promise.resolve(),
    waitMs: () => Promise.resolve(),
    onProgress: () => undefined,
    onRecorded: () => undefined,
    udpPort: 1700,
  });
  return importer.read(path, name, () => undefined);
}

function wayBack(db: Store) {
  const [gateway] = allGateways(db);
  if (gateway === undefined) throw new Error("no gateway");
  return gatewayDownlinks(db, gateway.id, windowOf(0, 1_000), null);
}

const answeredIn = (ms: number, fromS = 0) =>
  Array.from({ length: 20 }, (_, i) => ({ atS: fromS + 5 * i, answerMs: ms }));

describe("a capture of both directions", () => {
  it("gives round trips and lost acknowledgements", async () => {
    const db = openStore(":memory:");
    const rounds = answeredIn(30).map((round, i) => (i === 7 ? { ...round, answerMs: null } : round));
    const { figures } = await read(db, "both.pcap", traffic(rounds));
    // 19 answered rounds of two acknowledgements each.
    expect(figures.answers).toBe(38);
    const way = wayBack(db);
    expect(way?.push).toMatchObject({ asked: 20, answered: 19, lost: 1, lostRatio: 0.05, overPatience: 0 });
    expect(way?.pull).toMatchObject({ asked: 20, answered: 19, lost: 1 });
    // Durations are kept in classes a quarter of an octave wide.
    expect(way?.push.medianMs).toBeGreaterThan(27);
    expect(way?.push.medianMs).toBeLessThan(33);
    expect(way?.tripMeaning).toMatch(
      /^Measured where the capture was taken: from there to the server and back\./,
    );
  });

  it("taken beside the server shows only the server's own time", async () => {
    const db = openStore(":memory:");
    await read(db, "beside.pcap", traffic(answeredIn(0.8)));
    expect(wayBack(db)?.tripMeaning).toMatch(/taken at or beside the server/);
  });

  it("read twice gives the same figures", async () => {
    const db = openStore(":memory:");
    const sent = traffic(answeredIn(30));
    await read(db, "once.pcap", sent);
    const once = wayBack(db);
    // Other octets behind it, so that it is no capture that was read before.
    await read(db, "twice.pcap", [...sent, { ...(traffic([{ atS: 2_000, answerMs: 1 }])[0] as Arrival) }]);
    expect(wayBack(db)).toEqual(once);
  });
});

describe("a capture of one direction", () => {
  it("leaves acknowledgements unknown, not lost", async () => {
    const db = openStore(":memory:");
    const { figures } = await read(
      db,
      "one.pcap",
      traffic(answeredIn(30)).filter(({ to }) => to === SERVER),
    );
    expect(figures.answers).toBe(0);
    expect(wayBack(db)).toBeNull();
  });

  it("beside one of both directions is not counted among those asked", async () => {
    const db = openStore(":memory:");
    await read(db, "both-2.pcap", traffic(answeredIn(30)));
    const later = answeredIn(30, 300).map(({ atS }) => ({ atS, answerMs: null }));
    await read(db, "one-2.pcap", traffic(later));
    expect(wayBack(db)).toMatchObject({
      push: { asked: 20, lost: 0 },
      pull: { asked: 20, lost: 0 },
      oneSided: 40,
    });
  });
});
