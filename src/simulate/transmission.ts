/**
 * What did a node send, and what became of it at each gateway? The values that node, air, gateway and truth share.
 */
import type { RadioPacket, StatusReport, TransmitOutcome } from "../model/datagram.ts";
import type { DevAddr, Eui } from "../model/identifiers.ts";
import type { LoraModulation } from "../model/modulation.ts";
import type { Transmission as TransmitRequest } from "../wire/forwarder/txpk.ts";

/** One counter life of one device address, as the node lives it. */
export interface Life {
  readonly nodeName: string;
  readonly devAddr: DevAddr;
  readonly isStranger: boolean;
  /** Why it began. */
  readonly cause: "start" | "join" | "reset";
}

/** One transmission. Times are microseconds since the start of the run. */
export interface Transmission {
  readonly nodeName: string;
  readonly isStranger: boolean;
  /** Null for a join-request. */
  readonly life: Life | null;
  /** The 32-bit counter; null for a join-request. */
  readonly counter: number | null;
  /** 0 for the first transmission of a counter, then 1, 2 … */
  readonly repeat: number;
  readonly startUs: number;
  readonly endUs: number;
  readonly frequencyHz: number;
  readonly modulation: LoraModulation;
  readonly payload: Uint8Array;
  readonly crystalPpm: number;
  readonly powerDbm: number;
}

/**
 * What one gateway made of one transmission, best antenna first. `crc-bad` stands beside the cause.
 * A gateway that is off, deaf, transmits, or is not tuned to the channel, is judged as if it were on; only what it would
 * have received is called `gateway-off`, `gateway-deaf`, `gateway-transmitting` or `off-channel`. `noise`: read without
 * injected interferers; `weakened`: read without the gateway's injected weakening.
 */
export type RadioOutcome =
  | "received"
  | "weak"
  | "noise"
  | "weakened"
  | "collision"
  | "no-demodulator"
  | "gateway-off"
  | "gateway-deaf"
  | "gateway-transmitting"
  | "off-channel";

/** A packet that a gateway forwards, with where it came from. */
export interface ForwardedPacket {
  readonly packet: RadioPacket;
  readonly transmission: Transmission;
  /** A second, weak appearance of a strong frame on another channel: no reception of its own. */
  readonly isGhost: boolean;
}

/** What a gateway sends, before it is written in octets: the share acknowledged is known only to who sends it. */
export type GatewayDatagram =
  | { readonly kind: "pull-data"; readonly version: 1 | 2; readonly token: number }
  | {
      readonly kind: "push-data";
      readonly version: 1 | 2;
      readonly token: number;
      readonly packets: readonly ForwardedPacket[];
      readonly status: StatusReport | null;
    }
  | {
      readonly kind: "tx-ack";
      readonly version: 1 | 2;
      readonly token: number;
      readonly outcome: TransmitOutcome & { readonly result: "accepted" | "refused" };
    }
  /** The one that goes the other way: what the site's own network server asks of the gateway. */
  | {
      readonly kind: "pull-response";
      readonly version: 1 | 2;
      readonly token: number;
      readonly request: TransmitRequest;
    };

/** One datagram on its way, at the moment when it reaches the listener, or is sent and lost. */
export interface Passage {
  readonly gatewayEui: Eui;
  readonly datagram: GatewayDatagram;
  readonly sentUs: number;
  /** Arrival, or for a lost datagram its sending. Microseconds since the start of the run; never falls. */
  readonly atUs: number;
  readonly fate: "arrives" | "lost" | "backhaul-outage";
  /** True for the second of two equal datagrams. */
  readonly isCopy: boolean;
}
