/**
 * What does a synthetic gateway do with a PULL_RESP? As the reference daemons: it refuses what comes too late, too early, or on top
 * of another packet, else queues it, says so in a TX_ACK, and transmits when the time comes. Nothing is sent by radio.
 */
import type { TransmitOutcome } from "../model/datagram.ts";
import { loraAirtime } from "../radio/airtime.ts";
import type { Transmission as TransmitRequest } from "../wire/forwarder/txpk.ts";
import type { Stretch } from "./scenario-time.ts";

// Reference daemon, jitqueue.c (from memory): a packet is handed to the radio 1.5 ms ahead of its time, it may jitter by
// 40 ms in the queue, and a time more than 384 s ahead is refused.
const LEAST_LEAD_US = 41_500;
const MOST_LEAD_US = 384_000_000;
// Chosen: how soon a packet without a time leaves.
const IMMEDIATE_US = 45_000;
// Common practice, no source: about 1 ms to switch between receiving and sending.
const SWITCH_US = 1000;
/** For how long a transmission is kept that is over: longer than any frame lasts that it may have cost. */
const KEPT_US = 20_000_000;

export interface Accepted extends Stretch {
  readonly outcome: TransmitOutcome & { readonly result: "accepted" };
}
export interface Refused {
  readonly outcome: TransmitOutcome & { readonly result: "refused" };
}

/** The sending half of one gateway. Times are of the run, microseconds. */
export class Transmitter {
  #queue: Stretch[] = [];
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
    if (startUs !== null && startUs - nowUs < LEAST_LEAD_US) return refuse("TOO_LATE");
    if (startUs !== null && startUs - nowUs > MOST_LEAD_US) return refuse("TOO_EARLY");
    const fromUs = startUs ?? this.#freeAfter(nowUs + IMMEDIATE_US, airtimeUs);
    const slot = { fromUs, toUs: fromUs + airtimeUs };
    if (this.#queue.some((other) => other.fromUs < slot.toUs && slot.fromUs < other.toUs))
      return refuse("COLLISION_PACKET");
    this.#queue.push(slot);
    return { ...slot, outcome: { result: "accepted", word: null, powerDbm: null } };
  }

  /** A queued packet has left. */
  left({ fromUs, toUs }: Stretch): void {
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
