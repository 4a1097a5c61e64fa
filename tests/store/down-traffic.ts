/** Invented traffic the other way: what a server would send to a gateway, and the gateway's word on it. */
import type { TransmitOutcome } from "../../src/model/datagram.ts";
import type { DecodedArrival, DownlinkArrival } from "../../src/store/recorder.ts";
import { decodeDownstream, type Transmission } from "../../src/wire/forwarder/downstream.ts";
import {
  encodePullAck,
  encodePullResponse,
  encodePushAck,
  encodeTxAck,
} from "../../src/wire/forwarder/encode.ts";
import { encodePhyPayload } from "../../src/wire/lorawan/phy-payload.ts";
import { arrivalOf, decoded, START_US } from "./traffic.ts";

function fromServer(bytes: Uint8Array, atS: number, door: "capture" | "relay"): DownlinkArrival {
  const up = arrivalOf(bytes, START_US + Math.round(atS * 1e6), door);
  const arrival = { ...up, from: up.to, to: up.from };
  return { arrival, downlink: decodeDownstream(bytes) };
}

export interface HandOutOptions {
  readonly token?: number;
  readonly moment?: Transmission["moment"];
  readonly frequencyHz?: number;
  readonly spreadingFactor?: number;
  readonly bandwidthHz?: number;
  readonly powerDbm?: number;
  readonly door?: "capture" | "relay";
}

/** A PULL_RESP that passes at `atS`, to be sent at `sendS` of the gateway's counter unless another moment is given. */
export function handOut(
  atS: number,
  sendS: number,
  payload: Uint8Array,
  options: HandOutOptions = {},
): DownlinkArrival {
  const bytes = encodePullResponse({
    version: 2,
    token: options.token ?? 77,
    transmission: {
      moment: options.moment ?? { kind: "counter", tmstUs: Math.round(sendS * 1e6) % 4_294_967_296 },
      frequencyHz: options.frequencyHz ?? 868_300_000,
      rfChain: 0,
      powerDbm: options.powerDbm ?? 14,
      modulation: {
        kind: "lora",
        spreadingFactor: options.spreadingFactor ?? 9,
        bandwidthHz: options.bandwidthHz ?? 125_000,
        codingRate: "4/5",
      },
      frequencyDeviationHz: null,
      invertedPolarity: true,
      preamble: null,
      payload,
      withoutCrc: true,
      implicitHeader: false,
    },
  });
  return fromServer(bytes, atS, options.door ?? "capture");
}

export function pushAck(atS: number, token: number, door: "capture" | "relay" = "capture"): DownlinkArrival {
  return fromServer(encodePushAck({ version: 2, token }), atS, door);
}

export function pullAck(atS: number, token: number, door: "capture" | "relay" = "capture"): DownlinkArrival {
  return fromServer(encodePullAck({ version: 2, token }), atS, door);
}

export function txAck(
  gatewayEui: string,
  atS: number,
  token = 77,
  outcome: Partial<TransmitOutcome> = {},
): DecodedArrival {
  const { result = "accepted", word = null, powerDbm = null } = outcome;
  if (result === "unreadable") throw new Error("unreadable is a reader's word");
  const bytes = encodeTxAck({ version: 2, token, gatewayEui, outcome: { result, word, powerDbm } });
  return decoded(arrivalOf(bytes, START_US + Math.round(atS * 1e6)));
}

export interface DownFrameOptions {
  readonly ack?: boolean;
  readonly fOpts?: Uint8Array;
  readonly confirmed?: boolean;
}

/** A data frame from the network to a node. */
export function downFrame(devAddr: string, fCnt: number, options: DownFrameOptions = {}): Uint8Array {
  const fOpts = options.fOpts ?? new Uint8Array(0);
  return encodePhyPayload({
    messageType: options.confirmed === true ? "ConfirmedDataDown" : "UnconfirmedDataDown",
    direction: "down",
    devAddr,
    fCtrl: {
      adr: true,
      ack: options.ack === true,
      fPending: false,
      fOptsLength: fOpts.length,
      raw: 0x80 | (options.ack === true ? 0x20 : 0) | fOpts.length,
    },
    fCnt,
    fOpts,
    fPort: null,
    frmPayload: new Uint8Array(0),
    mic: Uint8Array.from([9, 8, 7, fCnt & 255]),
    rfuBits: 0,
  });
}

/** A join-accept of the shorter kind; without keys nothing in it can be read. */
export function joinAccept(): Uint8Array {
  return Uint8Array.from({ length: 17 }, (_, i) => (i === 0 ? 0x20 : i));
}
