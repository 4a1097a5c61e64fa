/** Invented traffic for tests of the store: what a gateway would send, as datagrams with capture times. */
import type { Arrival, Crc, RadioPacket, Signal } from "../../src/model/datagram.ts";
import type { DecodedArrival } from "../../src/store/recorder.ts";
import { encodePullData, encodePushData } from "../../src/wire/forwarder/encode.ts";
import { decodeUpstream } from "../../src/wire/forwarder/upstream.ts";
import { encodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";

export const SHED = "02005E1000000001";
export const TOWER = "02005E1000000002";
/** 2026-03-14 09:00:00 UTC in microseconds. */
export const START_US = Date.UTC(2026, 2, 14, 9) * 1000;

export function phy(devAddr: string, fCnt: number, body = 0x55): Uint8Array {
  return encodePhyPayload({
    messageType: "UnconfirmedDataUp",
    direction: "up",
    devAddr,
    fCtrl: { adr: true, adrAckReq: false, ack: false, classB: false, fOptsLength: 0, raw: 0x80 },
    fCnt: fCnt % 65_536,
    fOpts: new Uint8Array(0),
    fPort: 2,
    frmPayload: Uint8Array.from([body, fCnt & 255, (fCnt >> 8) & 255, 4]),
    mic: Uint8Array.from([fCnt & 255, body, 3, (fCnt >> 8) & 255]),
    rfuBits: 0,
  });
}

export function joinRequest(devEui: string, devNonce: number): Uint8Array {
  return encodePhyPayload({
    messageType: "JoinRequest",
    direction: "up",
    joinEui: "02005E10000000AA",
    devEui,
    devNonce,
    mic: Uint8Array.from([1, 2, 3, 4]),
    rfuBits: 0,
  });
}

export interface HeardOptions {
  readonly payload: Uint8Array;
  readonly tmstUs?: number | null;
  readonly frequencyHz?: number;
  readonly spreadingFactor?: number;
  readonly rssiDbm?: number;
  readonly snrDb?: number;
  readonly crc?: Crc;
  readonly signals?: readonly Signal[];
}

export function packet(options: HeardOptions): RadioPacket {
  const signal: Signal = {
    antenna: 0,
    ifChannel: 2,
    rssiDbm: options.rssiDbm ?? -97,
    signalRssiDbm: null,
    snrDb: options.snrDb ?? 6.2,
    frequencyOffsetHz: null,
  };
  return {
    tmstUs: options.tmstUs === undefined ? 0 : options.tmstUs,
    gatewayTimeUs: null,
    gpsTimeMs: null,
    fineTimeNs: null,
    frequencyHz: options.frequencyHz ?? 868_300_000,
    rfChain: 0,
    crc: options.crc ?? "ok",
    modulation: {
      kind: "lora",
      spreadingFactor: options.spreadingFactor ?? 9,
      bandwidthHz: 125_000,
      codingRate: "4/5",
    },
    payload: options.payload,
    signals: options.signals ?? [signal],
    delayed: false,
  };
}

export function arrivalOf(bytes: Uint8Array, atUs: number, door: Arrival["door"] = "capture"): Arrival {
  return {
    bytes,
    atUs,
    from: { address: "192.0.2.7", port: 40_123 },
    to: { address: "192.0.2.1", port: 1700 },
    door,
  };
}

export function decoded(arrival: Arrival): DecodedArrival {
  return { arrival, decoding: decodeUpstream(arrival.bytes) };
}

/** A PUSH_DATA with these packets, `atS` seconds after START_US; every packet's counter defaults to that time. */
export function push(
  gatewayEui: string,
  atS: number,
  packets: readonly HeardOptions[],
  token = 7,
): DecodedArrival {
  const atUs = START_US + Math.round(atS * 1e6);
  const bytes = encodePushData({
    version: 2,
    token,
    gatewayEui,
    packets: packets.map((one) => packet({ tmstUs: Math.round(atS * 1e6) % 4_294_967_296, ...one })),
    status: null,
  });
  return decoded(arrivalOf(bytes, atUs));
}

export function pull(gatewayEui: string, atS: number, token = 9): DecodedArrival {
  return decoded(
    arrivalOf(encodePullData({ version: 2, token, gatewayEui }), START_US + Math.round(atS * 1e6)),
  );
}
