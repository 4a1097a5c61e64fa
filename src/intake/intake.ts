/**
 * What happens to a datagram between the socket and the store? It is checked, decoded, queued, recorded with
 * whatever else has queued, and only then acknowledged.
 *
 * A promise and its limit: an acknowledgement follows the commit that holds the data. But a gateway that waits
 * for its answer fetches nothing from its radio (the reference daemon gives up after about 100 ms), so when the
 * store is slow or has failed the answer leaves after 25 ms all the same, is counted as "answered before
 * stored", and the datagram waits in a bounded buffer.
 */
import type { Arrival, Endpoint } from "../model/arrival.ts";
import type { Recorded } from "../store/recorder/rows.ts";
import type { DecodedArrival, DownlinkArrival, Recorder } from "../store/recorder.ts";
import { answerFor } from "../wire/forwarder/answer.ts";
import { decodeDownstream } from "../wire/forwarder/downstream.ts";
import { decodeUpstream, type UpstreamDecoding } from "../wire/forwarder/upstream.ts";
import type { IntakeFigures } from "./handle.ts";
import { RateLimit } from "./rate-limit.ts";
import { isBusy, recordBatch } from "./record-batch.ts";
import type { Copy } from "./relay/copies.ts";
import { isGroupAddress } from "./source-address.ts";
import type { TransmitDesk } from "./transmit-desk.ts";

/** How an answer leaves: from the socket that was addressed. */
export type SendAnswer = (answer: Uint8Array, to: Endpoint) => void;

/** Timers and clocks, handed in so that tests decide about time. */
export interface IntakeClock {
  /** Milliseconds that never step back. */
  monotonicMs(): number;
  after(delayMs: number, work: () => void): void;
  /** Runs the work once what has arrived by now was read. */
  soon(work: () => void): void;
}

export interface IntakeOptions {
  readonly recorder: Pick<Recorder, "record">;
  readonly clock: IntakeClock;
  readonly onRecorded: (recorded: Recorded) => void;
  /** True when an address and port are this listener's own: an answer would come back for ever. */
  readonly isOwnEndpoint: (endpoint: Endpoint) => boolean;
  /** Where a test frame is handed out, if anywhere: it must know who calls, and what they answer. */
  readonly desk?: Pick<TransmitDesk, "pulled" | "answered">;
}

/** Latest moment of an acknowledgement. A quarter of the first of the reference daemon's two 50 ms waits would be 12; twice that leaves a busy disk a chance. */
const ANSWER_WITHIN_MS = 25;
/** Datagrams in one transaction: about 10 ms of work, so that the next answer is not late. */
const MOST_A_COMMIT = 128;
/** The bounded buffer: about 20 s of a thousand datagrams a second. */
const MOST_WAITING = 20_000;
const MOST_WAITING_BYTES = 64 * 1024 * 1024;
const RETRY_AFTER_MS = 50;
const RETRY_FAILED_AFTER_MS = 1_000;
/** Answers to keepalives of one source, a second. The reference daemon asks every 5 to 10 s. */
const PULL_ANSWERS_A_SECOND = 50;

interface Waiting {
  readonly item: DecodedArrival | DownlinkArrival;
  /** null when nothing is to be answered, or no longer. */
  answer: (() => void) | null;
  readonly sinceMs: number;
}

export class Intake {
  readonly #options: IntakeOptions;
  readonly #waiting: Waiting[] = [];
  #waitingBytes = 0;
  readonly #pullLimit: RateLimit;
  #scheduled = false;
  #retrying = false;
  #datagrams = 0;
  #lastAtUs: number | null = null;
  #lastFrom: string | null = null;
  #answeredAfterCommit = 0;
  #answeredBeforeStored = 0;
  #dropped = 0;
  #storage: IntakeFigures["storage"] = "well";
  #storageWords = "";

  constructor(options: IntakeOptions) {
    this.#options = options;
    this.#pullLimit = new RateLimit(PULL_ANSWERS_A_SECOND, 4096);
  }

  /** Takes a datagram from a socket. Never throws, whatever its bytes. */
  receive(arrival: Arrival, send: SendAnswer): void {
    this.#datagrams += 1;
    this.#lastAtUs = arrival.atUs;
    this.#lastFrom = `${arrival.from.address} ${arrival.from.port}`;
    const decoding = this.#decode(arrival);
    // An error of ours is no reason to leave a gateway waiting.
    const isAnswered = decoding.ok || decoding.fault.reason === "internal";
    const answer = isAnswered ? answerFor(arrival.bytes) : null;
    const sendAnswer = answer === null ? null : () => send(answer, arrival.from);
    if (decoding.ok && decoding.datagram.kind === "tx-ack") this.#options.desk?.answered(decoding.datagram);
    if (decoding.ok && decoding.datagram.kind === "pull-data") {
      this.#options.desk?.pulled(decoding.datagram, arrival, send);
      // A keepalive holds no data: its answer waits for nothing.
      if (this.#pullLimit.allows(arrival.from.address, this.#options.clock.monotonicMs())) sendAnswer?.();
      this.#queue(arrival, { arrival, decoding }, null);
      return;
    }
    this.#queue(arrival, { arrival, decoding }, sendAnswer);
  }

  /** Takes the copy of a datagram that a relay passed on: the answer is the server's own business. */
  take(copy: Copy): void {
    const { bytes, atUs, from, to, gatewayEui } = copy;
    const arrival: Arrival = { bytes, atUs, from, to, door: "relay" };
    if (copy.way === "down") {
      this.#queue(arrival, { arrival, downlink: decodeDownstream(bytes), gatewayEui }, null);
      return;
    }
    this.#datagrams += 1;
    this.#lastAtUs = atUs;
    this.#lastFrom = `${from.address} ${from.port}`;
    this.#queue(arrival, { arrival, decoding: this.#decode(arrival) }, null);
  }

  /** Takes what this listener itself handed to a gateway, for the record. */
  handedOut(arrival: Arrival, gatewayEui: string): void {
    this.#queue(arrival, { arrival, downlink: decodeDownstream(arrival.bytes), gatewayEui }, null);
  }

  figures(): Omit<IntakeFigures, "relay"> {
    return {
      datagrams: this.#datagrams,
      lastAtUs: this.#lastAtUs,
      lastFrom: this.#lastFrom,
      answeredAfterCommit: this.#answeredAfterCommit,
      answeredBeforeStored: this.#answeredBeforeStored,
      waiting: this.#waiting.length,
      dropped: this.#dropped,
      storage: this.#storage,
      storageWords: this.#storageWords,
    };
  }

  /** Records all that waits, as far as the store lets it; call when no more will be received. */
  drain(): void {
    while (this.#waiting.length > 0) {
      const before = this.#waiting.length;
      this.#commit();
      if (this.#waiting.length === before) return;
    }
  }

  #decode(arrival: Arrival): UpstreamDecoding {
    const trouble = this.#sourceTrouble(arrival);
    if (trouble !== null) return { ok: false, fault: { reason: trouble, layer: "udp", at: 0 } };
    return decodeUpstream(arrival.bytes);
  }

  #sourceTrouble(arrival: Arrival): "source" | "loop" | null {
    const { from } = arrival;
    if (from.port === 0 || isGroupAddress(from.address)) return "source";
    return this.#options.isOwnEndpoint(from) ? "loop" : null;
  }

  #queue(arrival: Arrival, item: Waiting["item"], answer: (() => void) | null): void {
    if (
      this.#waiting.length >= MOST_WAITING ||
      this.#waitingBytes + arrival.bytes.length > MOST_WAITING_BYTES
    ) {
      this.#dropped += 1;
      // The gateway must not stall for our trouble; that its data are lost is said on the screen.
      if (answer !== null) {
        this.#answeredBeforeStored += 1;
        answer();
      }
      return;
    }
    this.#waiting.push({ item, answer, sinceMs: this.#options.clock.monotonicMs() });
    this.#waitingBytes += arrival.bytes.length;
    if (this.#retrying) this.#options.clock.after(ANSWER_WITHIN_MS, () => this.#answerOverdue());
    else this.#schedule();
  }

  #schedule(): void {
    if (this.#scheduled) return;
    this.#scheduled = true;
    this.#options.clock.soon(() => {
      this.#scheduled = false;
      if (this.#retrying) return;
      this.#commit();
      if (this.#waiting.length > 0 && !this.#retrying) this.#schedule();
    });
  }

  #commit(): void {
    const batch = this.#waiting.slice(0, MOST_A_COMMIT);
    if (batch.length === 0) return;
    const { recorded, done, trouble } = recordBatch(
      this.#options.recorder,
      batch.map(({ item }) => item),
    );
    for (const { item, answer } of this.#waiting.splice(0, done)) {
      this.#waitingBytes -= item.arrival.bytes.length;
      if (answer === null) continue;
      this.#answeredAfterCommit += 1;
      answer();
    }
    if (done > 0) this.#options.onRecorded(recorded);
    if (trouble !== null) {
      this.#storageFailed(trouble);
      return;
    }
    this.#retrying = false;
    this.#storage = "well";
    this.#storageWords = "";
  }

  #storageFailed(error: Error): void {
    const busy = isBusy(error);
    this.#storage = busy ? "slow" : "failed";
    this.#storageWords = busy
      ? "Another program holds the store; what arrives waits in memory."
      : `The store cannot be written: ${error.message}. What arrives waits in memory, ${MOST_WAITING.toLocaleString("en-GB")} datagrams at most.`;
    const { clock } = this.#options;
    if (!this.#retrying) {
      this.#retrying = true;
      clock.after(ANSWER_WITHIN_MS, () => this.#answerOverdue());
    }
    clock.after(busy ? RETRY_AFTER_MS : RETRY_FAILED_AFTER_MS, () => {
      this.#retrying = false;
      this.#commit();
      if (!this.#retrying && this.#waiting.length > 0) this.#schedule();
    });
  }

  /** Answers what has waited too long although it is not stored. */
  #answerOverdue(): void {
    const nowMs = this.#options.clock.monotonicMs();
    for (const waiting of this.#waiting) {
      if (waiting.answer === null) continue;
      if (nowMs - waiting.sinceMs < ANSWER_WITHIN_MS - 1) break;
      this.#answeredBeforeStored += 1;
      waiting.answer();
      waiting.answer = null;
    }
  }
}
