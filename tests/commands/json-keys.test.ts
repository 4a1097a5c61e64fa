/** Which keys of the commands' JSON do others rely on? A capture of the sample bench, read into a store. */
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { runMastlog } from "../../src/commands/program.ts";
import { cutSample, rows } from "../process/scenarios.ts";
import { printedBy } from "./run-command.ts";

let folder = "";
let db = "";

const run = (...words: string[]) => printedBy(() => runMastlog(words));

beforeAll(async () => {
  folder = mkdtempSync(join(tmpdir(), "mastlog-keys-"));
  db = join(folder, "site.db");
  const capture = join(folder, "site.pcap");
  const scenario = cutSample("orchard-bench.json", "0:04:00", folder);
  const made = await run("simulate", scenario, "--pcap", capture);
  const read = await run("import", capture, "--db", db);
  expect([made.exitCode, read.exitCode]).toEqual([0, 0]);
});
afterAll(() => rmSync(folder, { recursive: true }));

// A data frame of the air: made for this test, MIC from no key.
const FRAME = "40C4B3A2010005000221A5C3F00D4411";

/** stdout of a command that succeeded: one JSON document and nothing else. */
async function jsonOf(...words: string[]): Promise<Record<string, unknown>> {
  const { out, err, exitCode } = await run(...words);
  expect({ exitCode, err }).toEqual({ exitCode: 0, err: "" });
  return JSON.parse(out) as Record<string, unknown>;
}

const DEV_ADDR = /^[0-9A-F]{8}$/;
const ISO = /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z$/;

describe("--json", () => {
  it("decode has the keys that others rely on", async () => {
    const answer = await jsonOf("decode", FRAME, "--json");
    for (const key of [
      "messageType",
      "devAddr",
      "fCnt",
      "fPort",
      "fCtrl",
      "macCommands",
      "frmPayloadHex",
      "micHex",
    ])
      expect(answer).toHaveProperty(key);
    expect(answer).toMatchObject({
      messageType: "UnconfirmedDataUp",
      devAddr: "01A2B3C4",
      fCnt: 5,
      fPort: 2,
    });
    expect(answer).toMatchObject({
      frmPayloadHex: expect.stringMatching(/^21A5C3$/i),
      micHex: expect.stringMatching(/^F00D4411$/i),
    });
    expect(answer).not.toHaveProperty("micValid");
  });

  it("decode reads base64 as it reads hex", async () => {
    const base64 = Buffer.from(FRAME, "hex").toString("base64");
    expect(await jsonOf("decode", base64, "--json")).toEqual(await jsonOf("decode", FRAME, "--json"));
  });

  it("airtime has the keys that others rely on", async () => {
    // The worked value: SF7, 125 kHz, 4/5, 23 octets, explicit header, CRC: 12.25 + 8 + 40 symbols of 1.024 ms.
    const answer = await jsonOf(
      "airtime",
      "--sf",
      "7",
      "--bw",
      "125",
      "--cr",
      "4/5",
      "--size",
      "23",
      "--json",
    );
    expect(answer).toMatchObject({ symbolMs: 1.024, payloadSymbols: 48 });
    expect(answer.airtimeMs).toBeCloseTo(61.696, 6);
  });

  it("nodes has the keys that others rely on", async () => {
    const { nodes } = await jsonOf("nodes", "--json", "--db", db);
    for (const node of rows(nodes)) {
      for (const key of [
        "devAddr",
        "life",
        "heard",
        "expected",
        "missed",
        "missedDuringOutage",
        "deliveryRatio",
        "deliveryInterval95",
        "receptions",
        "repeats",
        "rssiDbm",
        "snrDb",
        "marginDb",
        "rhythmSeconds",
        "airtimeSeconds",
        "firstHeard",
        "lastHeard",
      ])
        expect(node).toHaveProperty(key);
      expect(node.devAddr).toMatch(DEV_ADDR);
      expect(node.expected).toBe(Number(node.heard) + Number(node.missed));
      for (const spread of ["rssiDbm", "snrDb", "marginDb"])
        expect(Object.keys(node[spread] as object)).toEqual(expect.arrayContaining(["median", "p10", "p90"]));
      expect(node.firstHeard).toMatch(ISO);
      expect(node.lastHeard).toMatch(ISO);
    }
  });

  it("gateways has the keys that others rely on", async () => {
    const { gateways } = await jsonOf("gateways", "--json", "--db", db);
    for (const gateway of rows(gateways)) {
      for (const key of [
        "eui",
        "receptions",
        "crcBad",
        "crcNone",
        "datagrams",
        "rejected",
        "keepaliveSeconds",
        "firstHeard",
        "lastHeard",
        "protocolVersions",
        "region",
        "clockDriftPpm",
        "restarts",
        "outages",
      ])
        expect(gateway).toHaveProperty(key);
      expect(gateway).toMatchObject({ eui: "02005E1000000003", protocolVersions: [2] });
      expect(Object.keys(gateway.region as object)).toEqual(expect.arrayContaining(["name", "confidence"]));
      expect(gateway.firstHeard).toMatch(ISO);
    }
  });

  it("air has the keys that others rely on", async () => {
    const { channels } = await jsonOf("air", "--json", "--db", db);
    for (const channel of rows(channels)) {
      for (const key of [
        "frequencyHz",
        "receptions",
        "airtimeSeconds",
        "busySeconds",
        "utilisation",
        "crcBadRatio",
        "noiseFloorDbm",
      ])
        expect(channel).toHaveProperty(key);
      expect(Number(channel.busySeconds)).toBeLessThanOrEqual(Number(channel.airtimeSeconds) + 1e-9);
      expect(Number(channel.utilisation)).toBeLessThanOrEqual(1);
    }
  });

  it("a window narrows what nodes shows", async () => {
    const all = await jsonOf("nodes", "--json", "--db", db);
    const some = await jsonOf("nodes", "--json", "--db", db, "--to", "2026-04-09T09:31:00Z");
    const heard = (view: Record<string, unknown>) =>
      rows(view.nodes).reduce((sum, node) => sum + Number(node.heard), 0);
    expect(heard(some)).toBeLessThan(heard(all));
    expect(heard(some)).toBeGreaterThan(0);
  });
});
