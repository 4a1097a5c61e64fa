/**
 * A store of days or months for the benchmarks of the views: a site's nodes and four gateways, with outages, silences,
 * a weakened gateway, damaged packets, repeats and joins. Recorded by the recorder itself, so that every row is what
 * the service would have written; quick, because a transaction holds an hour, nothing is synced, and gaps are looked
 * for once, at the end. Kept between runs in a folder under the system's temporary folder, by size.
 */
import { createHash } from "node:crypto";
import { existsSync, mkdirSync, readFileSync, renameSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { judgeGap } from "../../src/diagnosis/findings/judge.ts";
import { closeStore, openStore } from "../../src/store/open.ts";
import { changePlacements } from "../../src/store/placements.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { encodePullData, encodePushData } from "../../src/wire/forwarder/encode.ts";
import {
  arrivalOf,
  decoded,
  type HeardOptions,
  joinRequest,
  packet,
  phy,
  START_US,
} from "../store/traffic.ts";

export interface MonthSize {
  readonly days: number;
  readonly nodes: number;
  /** Between two frames of a node. */
  readonly rhythmS: number;
}

/** By how many receptions they hold, in millions. */
export const MONTH_SIZES: Readonly<Record<string, MonthSize>> = {
  "0.15": { days: 3, nodes: 100, rhythmS: 638 },
  "1.5": { days: 30, nodes: 100, rhythmS: 638 },
  "10": { days: 90, nodes: 500, rhythmS: 1_436 },
};

export const GATEWAYS = ["02005E1000000001", "02005E1000000002", "02005E1000000003", "02005E1000000004"];

const HOUR_S = 3_600;
const DAY_S = 86_400;
const KEEPALIVE_S = 30;
const REPORT_S = 300;
const FLOORS_DB = [-7.5, -10, -12.5, -15, -17.5, -20];

/** The path of the store; made when it is not there yet. `say` hears how far it is. */
export function monthStore(name: string, say: (sentence: string) => void): string {
  const size = MONTH_SIZES[name];
  if (size === undefined) throw new Error(`There is no store of ${name} million receptions.`);
  const folder = join(tmpdir(), "mastlog-bench-stores");
  const path = join(folder, `${name}-${madeBy()}.db`);
  if (existsSync(path)) {
    const store = openStore(path);
    store.pragma("synchronous = OFF");
    const recorder = new Recorder(store, judgeGap);
    while (recorder.workOnGaps({ patient: false, nowUs: null }));
    closeStore(store);
    return path;
  }
  mkdirSync(folder, { recursive: true });
  const part = `${path}.part`;
  for (const suffix of ["", "-wal", "-shm"]) rmSync(`${part}${suffix}`, { force: true });
  make(part, size, say);
  renameSync(part, path);
  return path;
}

/** Changes with this file, so that an old store is not taken for a new one. A new schema is migrated to. */
function madeBy(): string {
  return createHash("sha256")
    .update(readFileSync(new URL(import.meta.url)))
    .digest("hex")
    .slice(0, 10);
}

function make(path: string, size: MonthSize, say: (sentence: string) => void): void {
  const store = openStore(path);
  store.pragma("synchronous = OFF");
  store.pragma("wal_autocheckpoint = 20000");
  store.pragma("cache_size = -256000");
  const recorder = new Recorder(store, judgeGap);
  const site = new Site(size);
  const beganMs = performance.now();
  const seconds = () => Math.round((performance.now() - beganMs) / 1000);
  recorder.listen(START_US, "start");
  for (let hour = 0; hour < size.days * 24; hour++) {
    recorder.record(site.hour(hour));
    if (hour % 24 === 23) say(`day ${(hour + 1) / 24} of ${size.days} recorded after ${seconds()} s`);
  }
  recorder.heartbeat(START_US + size.days * DAY_S * 1e6, true);
  for (const [i, gatewayEui] of GATEWAYS.slice(0, 2).entries())
    for (const half of [0, 1])
      recorder.write((db) =>
        changePlacements(db, {
          kind: "add",
          placement: {
            name: `Place ${i * 2 + half + 1}`,
            gatewayEui,
            antenna: null,
            fromUs: START_US + (half * size.days * DAY_S * 1e6) / 2,
            heightM: 12,
            antennaGainDbi: 3,
            cableLossDb: 1,
            direction: null,
            note: null,
          },
        }),
      );
  while (recorder.workOnGaps({ patient: false, nowUs: null }));
  say(`gaps found after ${seconds()} s`);
  recorder.close();
  closeStore(store);
}

interface Due {
  readonly atS: number;
  readonly make: (atS: number) => DecodedArrival;
}

class Site {
  readonly #size: MonthSize;
  readonly #random = randomFrom(20_261_130);
  readonly #counters: number[];
  readonly #nextS: number[];
  /** Margin of each node at each gateway over the demodulation floor, dB, before it varies. */
  readonly #marginsDb: number[][];
  readonly #received = GATEWAYS.map(() => 0);
  #token = 0;

  constructor(size: MonthSize) {
    this.#size = size;
    const nodes = Array.from({ length: size.nodes });
    this.#counters = nodes.map(() => 0);
    this.#nextS = nodes.map((_, node) => (node * size.rhythmS) / size.nodes);
    this.#marginsDb = nodes.map(() => GATEWAYS.map(() => this.#random() * 16));
  }

  /** The datagrams of an hour, in order. */
  hour(hour: number): DecodedArrival[] {
    const fromS = hour * HOUR_S;
    const due: Due[] = [];
    for (const [gateway, eui] of GATEWAYS.entries()) {
      for (let s = fromS + gateway; s < fromS + HOUR_S; s += KEEPALIVE_S)
        if (!isOut(gateway, s)) due.push({ atS: s, make: (atS) => this.#keepalive(eui, atS) });
      for (let s = fromS + gateway + 2; s < fromS + HOUR_S; s += REPORT_S)
        if (!isOut(gateway, s)) due.push({ atS: s, make: (atS) => this.#report(gateway, atS) });
      for (let i = 0; i < 8; i++) this.#damaged(gateway, fromS + this.#random() * HOUR_S, due);
    }
    for (let node = 0; node < this.#size.nodes; node++) this.#node(node, fromS, due);
    return due.sort((a, b) => a.atS - b.atS).map((one) => one.make(one.atS));
  }

  #node(node: number, fromS: number, due: Due[]): void {
    const { rhythmS } = this.#size;
    for (let s = this.#nextS[node] ?? 0; s < fromS + HOUR_S; s = this.#nextS[node] ?? s) {
      // Every fifth node sends when something happens, the others by the clock.
      this.#nextS[node] = s + (node % 5 === 4 ? rhythmS * (0.2 + 1.6 * this.#random()) : rhythmS);
      if (isSilent(node, s)) continue;
      if (this.#random() < 0.0005) {
        this.#hear(node, s, { payload: joinRequest(devEuiOf(node), Math.floor(s) % 65_536) }, due);
        this.#counters[node] = 0;
        continue;
      }
      const counter = this.#counters[node] ?? 0;
      this.#counters[node] = counter + 1;
      const payload = phy(devAddrOf(node), counter);
      this.#hear(node, s + this.#random() * 0.5, { payload }, due);
      if (this.#random() < 0.02) this.#hear(node, s + 5 + this.#random(), { payload }, due);
    }
  }

  /** What each gateway hears of one transmission. */
  #hear(node: number, atS: number, sent: HeardOptions, due: Due[]): void {
    const frequencyHz = 867_100_000 + Math.floor(this.#random() * 8) * 200_000;
    const floorDb = FLOORS_DB[node % 6] ?? -20;
    const dailyDb = 1.5 * Math.sin((2 * Math.PI * atS) / DAY_S + node);
    for (const [gateway, eui] of GATEWAYS.entries()) {
      const weakenedDb =
        gateway === 3 && Math.floor(atS / DAY_S) % 30 >= 18 && atS % (30 * DAY_S) < 22 * DAY_S ? 8 : 0;
      const noiseDb = (this.#random() + this.#random() + this.#random() - 1.5) * 4;
      const marginDb = (this.#marginsDb[node]?.[gateway] ?? 0) + dailyDb + noiseDb - weakenedDb;
      const snrDb = Math.min(10, Math.round((floorDb + marginDb) * 4) / 4);
      if (marginDb < 0 || isOut(gateway, atS) || this.#random() < 0.01) continue;
      const heard = {
        ...sent,
        frequencyHz,
        spreadingFactor: 7 + (node % 6),
        snrDb,
        rssiDbm: Math.round(-117 + snrDb + (snrDb > 5 ? (marginDb - 5) / 2 : 0)),
        tmstUs: Math.round(atS * 1e6 * (1 + (gateway + 1) * 1e-6)) % 4_294_967_296,
      };
      this.#received[gateway] = (this.#received[gateway] ?? 0) + 1;
      due.push({ atS: atS + 0.02 + this.#random() * 0.03, make: (when) => this.#packet(eui, when, heard) });
    }
  }

  #damaged(gateway: number, atS: number, due: Due[]): void {
    if (isOut(gateway, atS)) return;
    const eui = GATEWAYS[gateway] ?? "";
    const heard: HeardOptions = {
      payload: Uint8Array.from([0x40, 1, 2, Math.floor(this.#random() * 256), 5]),
      crc: "bad",
      frequencyHz: 867_100_000 + Math.floor(this.#random() * 8) * 200_000,
      spreadingFactor: 7 + Math.floor(this.#random() * 6),
      snrDb: -12 + this.#random() * 6,
      rssiDbm: -118,
      tmstUs: Math.round(atS * 1e6 * (1 + (gateway + 1) * 1e-6)) % 4_294_967_296,
    };
    this.#received[gateway] = (this.#received[gateway] ?? 0) + 1;
    due.push({ atS: atS + 0.03, make: (when) => this.#packet(eui, when, heard) });
  }

  #nextToken(): number {
    this.#token = (this.#token + 1) % 65_536;
    return this.#token;
  }

  #packet(gatewayEui: string, atS: number, heard: HeardOptions): DecodedArrival {
    const token = this.#nextToken();
    return arrived(
      encodePushData({ version: 2, token, gatewayEui, packets: [packet(heard)], status: null }),
      atS,
    );
  }

  #keepalive(gatewayEui: string, atS: number): DecodedArrival {
    return arrived(encodePullData({ version: 2, token: this.#nextToken(), gatewayEui }), atS);
  }

  #report(gateway: number, atS: number): DecodedArrival {
    const received = this.#received[gateway] ?? 0;
    this.#received[gateway] = 0;
    const bytes = encodePushData({
      version: 2,
      token: this.#nextToken(),
      gatewayEui: GATEWAYS[gateway] ?? "",
      packets: [],
      status: {
        timeUs: START_US + Math.round(atS) * 1e6,
        timeText: null,
        latitudeDeg: null,
        longitudeDeg: null,
        altitudeM: null,
        rxReceived: received,
        rxCrcOk: received,
        rxForwarded: received,
        ackPercent: 100,
        downlinkDatagrams: 0,
        txEmitted: 0,
        temperatureC: 31,
        platform: null,
        mail: null,
        description: null,
      },
    });
    return arrived(bytes, atS);
  }
}

function arrived(bytes: Uint8Array, atS: number): DecodedArrival {
  return decoded(arrivalOf(bytes, START_US + Math.round(atS * 1e6), "udp"));
}

function devAddrOf(node: number): string {
  return (0x0100_0000 + node).toString(16).toUpperCase().padStart(8, "0");
}

function devEuiOf(node: number): string {
  return (0x2000_0000 + node).toString(16).toUpperCase().padStart(16, "0");
}

/** The second gateway is out for an hour and a half every week, the third for ten minutes every three days. */
function isOut(gateway: number, s: number): boolean {
  if (gateway === 1) return s % (7 * DAY_S) > 3 * DAY_S && s % (7 * DAY_S) < 3 * DAY_S + 5_400;
  return gateway === 2 && s % (3 * DAY_S) > 50_000 && s % (3 * DAY_S) < 50_600;
}

function isSilent(node: number, s: number): boolean {
  return node % 10 === 3 && Math.floor(s / DAY_S) % 9 === node % 9 && s % DAY_S < 20_000;
}

/** Numbers in [0, 1), the same for the same seed (mulberry32, public domain). */
function randomFrom(seed: number): () => number {
  let state = seed;
  return () => {
    state = (state + 0x6d2b79f5) | 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4_294_967_296;
  };
}
