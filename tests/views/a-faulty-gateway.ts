/**
 * A gateway on a bench as a stream of datagrams, 60 s long unless told otherwise: keepalives every 5 s, a status report
 * every 15 s, and one packet each second from eight nodes. A test bends what it is about.
 */
import type { RadioPacket } from "../../src/model/datagram.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { decodeDownstream } from "../../src/wire/forwarder/downstream.ts";
import { encodePushAck, encodePushData } from "../../src/wire/forwarder/encode.ts";
import {
  arrivalOf,
  decoded,
  type HeardOptions,
  packet,
  phy,
  pull,
  SHED,
  START_US,
} from "../store/traffic.ts";

export const CHANNELS_HZ = [868_100_000, 868_300_000, 868_500_000];

export interface Bend {
  readonly eui?: string;
  readonly seconds?: number;
  /** No keepalive at all. */
  readonly withoutKeepalives?: boolean;
  /** What the radio brings in the second `i`; null: nothing. */
  readonly heard?: (i: number) => Partial<HeardOptions> | null;
  /** Further packets of the same datagram. */
  readonly beside?: (i: number, first: HeardOptions) => readonly HeardOptions[];
  /** Whether the datagram of the second `i` is lost on the way. */
  readonly isLost?: (i: number) => boolean;
  readonly ackPercent?: number;
  /** What the gateway's clock shows minus the truth, seconds. */
  readonly clockAheadS?: number;
  /** `time` of its packets minus the truth, seconds; left out: it writes none. */
  readonly packetTimeAheadS?: (i: number) => number;
  /** Milliseconds after which the server, seen by the relay, acknowledges; left out: no relay. */
  readonly serverMs?: number;
  readonly further?: readonly (DecodedArrival | DownlinkArrival)[];
}

const devAddrOf = (i: number) => `01F2B1${(16 + (i % 8)).toString(16).toUpperCase()}`;

/** What the radio of a sound gateway brings in the second `i`. */
export function soundPacket(i: number): HeardOptions {
  return {
    payload: phy(devAddrOf(i), Math.floor(i / 8)),
    frequencyHz: CHANNELS_HZ[i % 3] ?? 0,
    spreadingFactor: 7 + (i % 4),
    // Noise of \u2212117 dBm, that of a good receiver in a quiet place.
    rssiDbm: Math.round(-117 + 10 * Math.log10(1 + 10 ** ((2 + (i % 6)) / 10))),
    snrDb: 2 + (i % 6),
  };
}

/** The whole stream in a store. */
export function benched(bend: Bend = {}): Store {
  const db = openStore(":memory:");
  const recorder = new Recorder(db);
  const items = streamOf(bend).sort((a, b) => a.arrival.atUs - b.arrival.atUs);
  for (let i = 0; i < items.length; i += 50) recorder.record(items.slice(i, i + 50));
  return db;
}

export function streamOf(bend: Bend): (DecodedArrival | DownlinkArrival)[] {
  const { eui = SHED, seconds = 60, serverMs } = bend;
  const door = serverMs === undefined ? "capture" : "relay";
  const items: (DecodedArrival | DownlinkArrival)[] = [...(bend.further ?? [])];
  const sent = (bytes: Uint8Array, atS: number, token: number) => {
    const arrival = arrivalOf(bytes, START_US + Math.round(atS * 1e6), door);
    items.push(decoded(arrival));
    if (serverMs === undefined) return;
    const answer = encodePushAck({ version: 2, token });
    items.push({
      arrival: {
        ...arrival,
        bytes: answer,
        from: arrival.to,
        to: arrival.from,
        atUs: arrival.atUs + serverMs * 1_000,
      },
      downlink: decodeDownstream(answer),
      gatewayEui: eui,
    });
  };
  let forwarded = 0;
  for (let i = 0; i <= seconds; i += 1) {
    if (bend.withoutKeepalives !== true && i % 5 === 0) items.push(pull(eui, i, i));
    const change = bend.heard === undefined ? {} : bend.heard(i);
    if (change !== null && i < seconds) {
      const heard: HeardOptions = { tmstUs: (i * 1e6 + 7e6) % 2 ** 32, ...soundPacket(i), ...change };
      const all = [heard, ...(bend.beside?.(i, heard) ?? [])];
      forwarded += all.length;
      const ahead = bend.packetTimeAheadS?.(i);
      const packets = all.map((one): RadioPacket => {
        const gatewayTimeUs = ahead === undefined ? null : START_US + Math.round((i + 0.4 + ahead) * 1e6);
        return { ...packet(one), gatewayTimeUs };
      });
      if (bend.isLost?.(i) !== true)
        sent(encodePushData({ version: 2, token: i, gatewayEui: eui, packets, status: null }), i + 0.4, i);
    }
    if (i % 15 === 0) {
      const token = 1_000 + i;
      sent(reportOf(eui, i, token, i === 0 ? 0 : forwarded, bend), i + 0.6, token);
      forwarded = 0;
    }
  }
  return items;
}

function reportOf(
  gatewayEui: string,
  atS: number,
  token: number,
  count: number,
  { clockAheadS = 0, ackPercent = 100 }: Bend,
): Uint8Array {
  return encodePushData({
    version: 2,
    token,
    gatewayEui,
    packets: [],
    status: {
      timeUs: START_US + (atS + clockAheadS) * 1e6,
      timeText: null,
      latitudeDeg: null,
      longitudeDeg: null,
      altitudeM: null,
      rxReceived: count,
      rxCrcOk: count,
      rxForwarded: count,
      ackPercent,
      downlinkDatagrams: 0,
      txEmitted: 0,
      temperatureC: null,
      platform: null,
      mail: null,
      description: null,
    },
  });
}
