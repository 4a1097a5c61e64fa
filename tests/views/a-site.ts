/** A store in memory with a site's traffic in it: what the tests of the views ask. */
import { openStore, type Store } from "../../src/store/open.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { encodePushData } from "../../src/wire/forwarder/encode.ts";
import { arrivalOf, decoded, pull, START_US } from "../store/traffic.ts";

/** Records in order of arrival. */
export function siteOf(traffic: readonly (DecodedArrival | DownlinkArrival)[]): Store {
  const db = openStore(":memory:");
  record(db, traffic);
  return db;
}

/** The same, received by a service that listened from START_US on until so many seconds later. */
export function listenedSite(traffic: readonly DecodedArrival[], toS: number): Store {
  const db = openStore(":memory:");
  const recorder = new Recorder(db);
  recorder.listen(START_US, "start");
  for (const { arrival, ...rest } of [...traffic].sort((a, b) => a.arrival.atUs - b.arrival.atUs))
    recorder.record([{ ...rest, arrival: { ...arrival, door: "udp" } }]);
  recorder.heartbeat(START_US + Math.round(toS * 1e6), true);
  return db;
}

export function record(db: Store, traffic: readonly (DecodedArrival | DownlinkArrival)[]): void {
  const inOrder = [...traffic].sort((a, b) => a.arrival.atUs - b.arrival.atUs);
  const recorder = new Recorder(db);
  for (let i = 0; i < inOrder.length; i += 200) recorder.record(inOrder.slice(i, i + 200));
}

/** Seconds after START_US. */
export function windowOf(fromS: number, toS: number, live = false): AskedWindow {
  return { fromUs: START_US + fromS * 1e6, toUs: START_US + toS * 1e6, live };
}

/** The moment in ISO 8601, so many seconds after START_US. */
export function moment(atS: number): string {
  return new Date(START_US / 1000 + atS * 1000).toISOString();
}

/** Keepalives every `everyS` from `fromS` until before `toS`, each with a token of its own. */
export function keepalives(eui: string, fromS: number, toS: number, everyS = 10): DecodedArrival[] {
  const all: DecodedArrival[] = [];
  for (let i = 0; fromS + i * everyS < toS; i++) all.push(pull(eui, fromS + i * everyS, i % 65_536));
  return all;
}

export interface Reported {
  readonly ackPercent?: number | null;
  readonly temperatureC?: number | null;
}

/** A status report alone in its datagram. */
export function statusAt(gatewayEui: string, atS: number, reported: Reported = {}): DecodedArrival {
  const bytes = encodePushData({
    version: 2,
    token: 11,
    gatewayEui,
    packets: [],
    status: {
      timeUs: START_US + atS * 1e6,
      timeText: null,
      latitudeDeg: null,
      longitudeDeg: null,
      altitudeM: null,
      rxReceived: 1,
      rxCrcOk: 1,
      rxForwarded: 1,
      ackPercent: reported.ackPercent ?? null,
      downlinkDatagrams: 0,
      txEmitted: 0,
      temperatureC: reported.temperatureC ?? null,
      platform: null,
      mail: null,
      description: null,
    },
  });
  return decoded(arrivalOf(bytes, START_US + Math.round(atS * 1e6)));
}
