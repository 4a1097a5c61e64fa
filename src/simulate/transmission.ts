/**
 * What did a node send, and what became of it at each gateway? The values that node, air, gateway and truth share.
 */
import type { RadioPacket, StatusReport, TransmitOutcome } from "../model/datagram.ts";
import type { DevAddr, Eui } from "../model/identifiers.ts";
import type { LoraModulation } from "../model/modulation.ts";
import type { TimeRange } from "../model/time-range.ts";
import { loraAirtime } from "../radio/airtime.ts";
import type { Transmission as TransmitRequest } from "../wire/forwarder/downstream.ts";

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

/** What a concentrator reports of a signal. */
export interface ReportedSignal {
  /** Power in the channel: signal, noise and interference, whole dBm. */
  readonly rssiDbm: number;
  /** Power of the signal alone, whole dBm. */
  readonly signalRssiDbm: number;
  readonly snrDb: number;
}

/** What one antenna made of a transmission. */
export interface AntennaReception {
  readonly antenna: number;
  readonly crc: "ok" | "bad";
  readonly signal: ReportedSignal;
  readonly frequencyOffsetHz: number;
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

// What does a synthetic gateway do with a PULL_RESP? As the reference daemons: it refuses what comes too late, too early, or on top
// of another packet, else queues it, says so in a TX_ACK, and transmits when the time comes. Nothing is sent by radio.

// Reference daemon, jitqueue.c (from memory): a packet is handed to the radio 1.5 ms ahead of its time, it may jitter by
// 40 ms in the queue, and a time more than 384 s ahead is refused.
const MIN_LEAD_US = 41_500;
const MAX_LEAD_US = 384_000_000;
// Chosen: how soon a packet without a time leaves.
const IMMEDIATE_US = 45_000;
// Common practice, no source: about 1 ms to switch between receiving and sending.
const SWITCH_US = 1000;
/** For how long a transmission is kept that is over: longer than any frame lasts that it may have cost. */
const KEPT_US = 20_000_000;

export interface Accepted extends TimeRange {
  readonly outcome: TransmitOutcome & { readonly result: "accepted" };
}
export interface Refused {
  readonly outcome: TransmitOutcome & { readonly result: "refused" };
}

/** The sending half of one gateway. Times are of the run, microseconds. */
export class Transmitter {
  #queue: TimeRange[] = [];
  /** Since the last status report: packets asked for, and packets that left. */
  #asked = 0;
  #emitted = 0;
  #total = 0;
  #totalUs = 0;

  /** Packets transmitted since the start, and their time on the air in seconds. */
  get totals(): { readonly count: number; readonly seconds: number } {
    return { count: this.#total, seconds: this.#totalUs / 1e6 };
  }

  /**
   * Decides on a request at a moment. `startUs`: when it is to leave, in time of the run; null: at once.
   * `inBand`: whether the radio can send on its frequency.
   */
  ask(request: TransmitRequest, startUs: number | null, inBand: boolean, nowUs: number): Accepted | Refused {
    this.#asked += 1;
    this.#queue = this.#queue.filter(({ toUs }) => toUs + KEPT_US > nowUs);
    const airtimeUs = downlinkAirtimeUs(request);
    if (!inBand || airtimeUs === null) return refuse("TX_FREQ");
    if (startUs !== null && startUs - nowUs < MIN_LEAD_US) return refuse("TOO_LATE");
    if (startUs !== null && startUs - nowUs > MAX_LEAD_US) return refuse("TOO_EARLY");
    const fromUs = startUs ?? this.#freeAfter(nowUs + IMMEDIATE_US, airtimeUs);
    const slot = { fromUs, toUs: fromUs + airtimeUs };
    if (this.#queue.some((other) => other.fromUs < slot.toUs && slot.fromUs < other.toUs))
      return refuse("COLLISION_PACKET");
    this.#queue.push(slot);
    return { ...slot, outcome: { result: "accepted", word: null, powerDbm: null } };
  }

  /** A queued packet has left. */
  left({ fromUs, toUs }: TimeRange): void {
    this.#emitted += 1;
    this.#total += 1;
    this.#totalUs += toUs - fromUs;
  }

  /** Whether anything is sent at any moment between the two. */
  isSending(fromUs: number, toUs: number): boolean {
    return this.#queue.some((one) => one.fromUs - SWITCH_US <= toUs && one.toUs + SWITCH_US > fromUs);
  }

  /** Figures for a status report; begins the next interval. */
  closeInterval(): { readonly asked: number; readonly emitted: number } {
    const figures = { asked: this.#asked, emitted: this.#emitted };
    this.#asked = 0;
    this.#emitted = 0;
    return figures;
  }

  /** Power is gone: what had not begun never leaves, what goes on ends now. */
  cut(nowUs: number): void {
    this.#queue = this.#queue.flatMap((slot) =>
      slot.fromUs >= nowUs ? [] : [{ fromUs: slot.fromUs, toUs: Math.min(slot.toUs, nowUs) }],
    );
    this.closeInterval();
  }

  #freeAfter(earliestUs: number, airtimeUs: number): number {
    let fromUs = earliestUs;
    for (const slot of [...this.#queue].sort((a, b) => a.fromUs - b.fromUs)) {
      if (slot.fromUs < fromUs + airtimeUs && fromUs < slot.toUs) fromUs = slot.toUs + SWITCH_US;
    }
    return fromUs;
  }
}

function refuse(word: string): Refused {
  return { outcome: { result: "refused", word, powerDbm: null } };
}

/** Time on the air of a LoRa packet asked for; null when it cannot be sent. */
export function downlinkAirtimeUs({
  modulation,
  payload,
  preamble,
  withoutCrc,
  implicitHeader,
}: TransmitRequest): number | null {
  if (modulation.kind !== "lora" || payload === null) return null;
  const { airtimeUs } = loraAirtime({
    spreadingFactor: modulation.spreadingFactor,
    bandwidthHz: modulation.bandwidthHz,
    codingRate: "4/5",
    payloadBytes: payload.length,
    preambleSymbols: preamble ?? 8,
    crc: !withoutCrc,
    explicitHeader: !implicitHeader,
  });
  return Math.round(airtimeUs);
}
