/** Makes datagrams from the open sets of real receptions in tests/data/open-receptions (see the README there for source and licence). */
import { readFileSync } from "node:fs";
import { gunzipSync } from "node:zlib";
import Database from "better-sqlite3";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { encodePushData } from "../../src/wire/forwarder/encode.ts";
import { encodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";
import { arrivalOf, decoded, packet } from "../store/traffic.ts";

/** One row of a set, in the units of the project. */
export interface OpenReception {
  readonly atUs: number;
  readonly devAddr: string;
  readonly fCnt: number;
  readonly fPort: number;
  readonly frequencyHz: number;
  readonly spreadingFactor: number;
  readonly appOctets: number;
  /** As published; `gatewayEuiOf` gives the invented identifier. */
  readonly gateway: string;
  /** 2: the same gateway delivered the frame a second time. */
  readonly copy: number;
  readonly rssiDbm: number;
  readonly snrDb: number;
  /** null: not published. */
  readonly tmstUs: number | null;
}

function rowsOf(file: string): Record<string, string>[] {
  const text = gunzipSync(readFileSync(new URL(`../data/open-receptions/${file}`, import.meta.url))).toString(
    "utf8",
  );
  const [head = "", ...lines] = text.trim().split("\n");
  const names = head.trim().split(",");
  return lines.map((line) => {
    const cells = line.trim().split(",");
    return Object.fromEntries(names.map((name, i) => [name, cells[i] ?? ""]));
  });
}

/** Read once by a worker, whose files share this module. */
let indoor: readonly OpenReception[] | undefined;
let far: readonly OpenReception[] | undefined;

/** The indoor node: 10,761 receptions at eleven gateways. */
export function indoorNode(): readonly OpenReception[] {
  indoor ??= rowsOf("indoor-node.csv.gz").map((row) => ({
    atUs: Number(row.time_ms) * 1000,
    devAddr: String(row.dev_addr).toUpperCase(),
    fCnt: Number(row.fcnt),
    fPort: Number(row.fport),
    frequencyHz: Number(row.frequency_hz),
    spreadingFactor: Number(row.sf),
    appOctets: Number(row.app_bytes),
    gateway: String(row.gateway),
    copy: Number(row.copy),
    rssiDbm: Number(row.rssi_dbm),
    snrDb: Number(row.snr_db),
    tmstUs: null,
  }));
  return indoor;
}

/** The far node: 8,708 receptions at two gateways. Frequency (868.1 MHz) and size (12 octets) are invented. */
export function farNode(): readonly OpenReception[] {
  far ??= rowsOf("far-node.csv.gz").map((row) => ({
    atUs: Number(row.time_us),
    devAddr: String(row.dev_addr).toUpperCase(),
    fCnt: Number(row.fcnt),
    fPort: Number(row.fport),
    frequencyHz: 868_100_000,
    spreadingFactor: Number(row.sf),
    appOctets: 12,
    gateway: String(row.gateway),
    copy: 1,
    rssiDbm: Number(row.rssi_dbm),
    snrDb: Number(row.snr_db),
    tmstUs: Number(row.tmst_us),
  }));
  return far;
}

/** An identifier of the documentation range (RFC 9542) for each published gateway, in the order of first sight. */
export function gatewayEuis(rows: readonly OpenReception[]): Map<string, string> {
  const euis = new Map<string, string>();
  for (const { gateway } of rows) {
    if (!euis.has(gateway))
      euis.set(gateway, `02005E10000000${(euis.size + 1).toString(16).toUpperCase().padStart(2, "0")}`);
  }
  return euis;
}

/** One PUSH_DATA a row, in the order of time. */
export function datagramsOf(rows: readonly OpenReception[]): DecodedArrival[] {
  const euis = gatewayEuis(rows);
  const inOrder = [...rows].sort((a, b) => a.atUs - b.atUs);
  return inOrder.map((row, i) => {
    const payload = encodePhyPayload({
      messageType: "UnconfirmedDataUp",
      direction: "up",
      devAddr: row.devAddr,
      fCtrl: { adr: true, adrAckReq: false, ack: false, classB: false, fOptsLength: 0, raw: 0x80 },
      fCnt: row.fCnt % 65_536,
      fOpts: new Uint8Array(0),
      fPort: row.fPort,
      frmPayload: new Uint8Array(row.appOctets),
      mic: Uint8Array.of(row.fCnt & 255, (row.fCnt >> 8) & 255, 0x5a, 0xa5),
      rfuBits: 0,
    });
    const { tmstUs, frequencyHz, spreadingFactor, rssiDbm, snrDb } = row;
    const bytes = encodePushData({
      version: 2,
      token: i % 65_536,
      gatewayEui: euis.get(row.gateway) ?? "",
      packets: [packet({ payload, tmstUs, frequencyHz, spreadingFactor, rssiDbm, snrDb })],
      status: null,
    });
    return decoded(arrivalOf(bytes, row.atUs));
  });
}

/** What was recorded of a set, octets of a store; each of the files that ask of it opens its own copy. */
const recorded = new WeakMap<readonly OpenReception[], Buffer>();

/** A store in memory that holds the set and the findings of its gaps. The caller closes it. */
export function storeOf(rows: readonly OpenReception[]): Store {
  const octets = recorded.get(rows) ?? recordedOf(rows);
  recorded.set(rows, octets);
  const db = new Database(octets);
  db.pragma("journal_mode = MEMORY");
  return db;
}

function recordedOf(rows: readonly OpenReception[]): Buffer {
  const db = openStore(":memory:");
  const recorder = new Recorder(db, judgeGap);
  const datagrams = datagramsOf(rows);
  for (let i = 0; i < datagrams.length; i += 200) recorder.record(datagrams.slice(i, i + 200));
  recorder.settle();
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  recorder.close();
  const octets = db.serialize();
  db.close();
  return octets;
}
