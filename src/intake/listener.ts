/**
 * What a gateway is promised: its answer leaves when its datagram is stored, or 25 ms after it arrived, whichever comes
 * first. Nothing here waits for the recorder, the store or a reader.
 *
 * Why 25 ms: a gateway that waits for its answer fetches nothing from its radio (the reference daemons give up after
 * about 100 ms). An answer that left before its datagram was stored is counted as such; the datagram waits in a bounded
 * buffer in which each source has its share. With --sparing no answer waits: commits are made once a second.
 */
import type { Arrival, Endpoint } from "../model/datagram.ts";
import type { Eui } from "../model/identifiers.ts";
import { answerFor, identifiers } from "../wire/forwarder/header.ts";
import { decodeUpstream } from "../wire/forwarder/upstream.ts";
import { duration, plural } from "../words/format.ts";
import type { ListenedDatagram, SourceFault } from "./datagram-batch.ts";
import type { TransmitDesk } from "./downlink-test.ts";
import { FairQueue, Fifo } from "./fair-queue.ts";
import { DropCounts, RateLimit } from "./guards.ts";
import type { ListenerFigures } from "./handle.ts";
import { isPossibleSource, type SendAnswer } from "./udp-listener.ts";

/** Timers and clocks, handed in so that tests decide about time. */
export interface ListenerClock {
  /** Milliseconds that never step back. */
  monotonicMs(): number;
  after(delayMs: number, work: () => void): void;
  /** Runs the work once what has arrived by now was read. */
  soon(work: () => void): void;
}

export interface ListenerOptions {
  readonly clock: ListenerClock;
  /** Hands datagrams to the recorder. It must report each with `stored`, in their order. */
  readonly post: (datagrams: readonly ListenedDatagram[]) => void;
  /** True when an address and port are this listener's own: an answer would come back for ever. */
  readonly isOwnEndpoint: (endpoint: Endpoint) => boolean;
  /** Where a test frame is sent from, if anywhere: it must know who calls, and what they answer. */
  readonly desk?: Pick<TransmitDesk, "pulled" | "answered">;
  /** Sparing: commits are made once a second, and answers wait for none. Each counts as given before the datagram was stored. */
  readonly sparing?: boolean;
}

/** Latest moment of an acknowledgement: a quarter of what the reference daemons wait in all. */
export const ANSWER_WITHIN_MS = 25;
/** A timer may fire a millisecond late, and the datagrams before it have to be read first. */
const ANSWER_AFTER_MS = ANSWER_WITHIN_MS - 2;
/** The bounded buffer: about 20 s of a thousand datagrams a second. */
const MAX_WAITING = 24_000;
const MAX_WAITING_BYTES = 64 * 1024 * 1024;
/** Handed to the recorder and not yet stored: enough for two commits, so that it never waits for the next. */
const MAX_HANDED_OVER = 128;
const MAX_HANDED_OVER_BYTES = 256 * 1024;
/** Answers to keepalives of one source, a second. The reference daemon asks every 5 to 10 s. */
const PULL_ANSWERS_A_SECOND = 50;
/** How long an early answer or a drop counts for the state of the storage. */
const RECENT_MS = 10_000;
/** Storing is called slow when this share of the recent answers left early, and more than a few did. */
const SLOW_SHARE = 0.1;
const SLOW_COUNT = 5;

/** What waits for longer is a backlog: long after the last retry of a busy store. */
const BACKLOG_MS = 1_000;
/** The same where a second is gathered before each commit. */
const SPARING_BACKLOG_MS = 4_000;

interface Waiting {
  readonly datagram: ListenedDatagram;
  /** null when nothing is to be answered, or no longer. */
  answer: Uint8Array | null;
  readonly send: SendAnswer | null;
  readonly sinceMs: number;
}

export class Listener {
  readonly #options: ListenerOptions;
  readonly #buffer = new FairQueue<Waiting>({ maxItems: MAX_WAITING, maxBytes: MAX_WAITING_BYTES });
  /** Posted and not yet stored, in the order of posting. */
  readonly #handedOver = new Fifo<Waiting>();
  #handedOverBytes = 0;
  /** What still awaits its answer, in the order of arrival; some of it may have been answered by now. */
  readonly #unanswered = new Fifo<Waiting>();
  #timerIsSet = false;
  #postIsSet = false;
  readonly #pullLimit = new RateLimit(PULL_ANSWERS_A_SECOND, 4096);
  readonly #drops = new DropCounts();
  #datagrams = 0;
  #lastAtUs: number | null = null;
  #lastFrom: string | null = null;
  #answeredAfterCommit = 0;
  #answeredBeforeStored = 0;
  #recent: RecentAnswers = { sinceMs: 0, early: 0, answered: 0, dropped: 0 };
  #before: RecentAnswers = { sinceMs: 0, early: 0, answered: 0, dropped: 0 };

  constructor(options: ListenerOptions) {
    this.#options = options;
  }

  get #isSparing(): boolean {
    return this.#options.sparing === true;
  }

  /** Takes a datagram from a socket. Never throws, whatever its bytes. */
  receive(arrival: Arrival, send: SendAnswer): void {
    const { bytes, atUs, from, to } = arrival;
    this.#datagrams += 1;
    this.#lastAtUs = atUs;
    this.#lastFrom = `${from.address} ${from.port}`;
    const sourceFault = this.#sourceFault(from);
    const datagram = { bytes, atUs, from, to, sourceFault, sentTo: null };
    const answer = sourceFault === null ? answerFor(bytes) : null;
    const identifier = bytes[3];
    if (sourceFault === null && this.#options.desk !== undefined && identifier !== identifiers.pushData)
      this.#tellDesk(this.#options.desk, arrival, send);
    if (answer !== null && identifier === identifiers.pullData) {
      // A keepalive holds no data: its answer waits for nothing.
      if (this.#pullLimit.allows(from.address, this.#options.clock.monotonicMs())) send(answer, from);
      this.#queue(datagram, null, send);
      return;
    }
    this.#queue(datagram, answer, send);
  }

  /** Takes what this listener itself sent to a gateway, for the record. */
  sent({ bytes, atUs, from, to }: Arrival, gatewayEui: Eui): void {
    this.#queue({ bytes, atUs, from, to, sourceFault: null, sentTo: gatewayEui }, null, null);
  }

  /** The recorder has stored the next `count` of what it was handed: their answers leave. */
  stored(count: number): void {
    for (let i = 0; i < count; i++) {
      const waiting = this.#handedOver.shift();
      if (waiting === undefined) break;
      this.#handedOverBytes -= waiting.datagram.bytes.length;
      if (waiting.answer !== null) this.#answer(waiting, "stored");
    }
    this.#handOver();
  }

  /** Hands all that waits to the recorder at once; call when no more will be received. */
  handOverAll(): void {
    while (this.#buffer.size > 0) this.#post(MAX_HANDED_OVER, MAX_HANDED_OVER_BYTES);
  }

  figures(): ListenerFigures {
    this.#turnWindow();
    const recent = {
      answered: this.#recent.answered + this.#before.answered,
      early: this.#recent.early + this.#before.early,
      dropped: this.#recent.dropped + this.#before.dropped,
    };
    return {
      datagrams: this.#datagrams,
      lastAtUs: this.#lastAtUs,
      lastFrom: this.#lastFrom,
      answeredAfterCommit: this.#answeredAfterCommit,
      answeredBeforeStored: this.#answeredBeforeStored,
      waiting: this.#buffer.size + this.#handedOver.length,
      dropped: this.#drops.total,
      droppedBySource: this.#drops.largest(),
      slowness: slownessOf(this.#isSparing ? { ...recent, early: 0 } : recent) || this.#backlog(),
    };
  }

  /** One sentence while what was handed over long ago is not stored; empty otherwise. */
  #backlog(): string {
    const oldest = this.#handedOver.head;
    if (oldest === undefined) return "";
    const ageMs = this.#options.clock.monotonicMs() - oldest.sinceMs;
    if (ageMs < (this.#isSparing ? SPARING_BACKLOG_MS : BACKLOG_MS)) return "";
    const count = this.#buffer.size + this.#handedOver.length;
    return `The store lags behind by ${duration(Math.round(ageMs / 1000))}: ${plural(count, "datagram")} ${count === 1 ? "waits" : "wait"} in memory.`;
  }

  #tellDesk(desk: Pick<TransmitDesk, "pulled" | "answered">, arrival: Arrival, send: SendAnswer): void {
    const decoding = decodeUpstream(arrival.bytes);
    if (!decoding.ok) return;
    if (decoding.datagram.kind === "tx-ack") desk.answered(decoding.datagram);
    else if (decoding.datagram.kind === "pull-data") desk.pulled(decoding.datagram, arrival, send);
  }

  #sourceFault(from: Endpoint): SourceFault | null {
    if (!isPossibleSource(from)) return "source";
    return this.#options.isOwnEndpoint(from) ? "loop" : null;
  }

  #queue(datagram: ListenedDatagram, answer: Uint8Array | null, send: SendAnswer | null): void {
    const { clock } = this.#options;
    const waiting: Waiting = { datagram, answer, send, sinceMs: clock.monotonicMs() };
    const source = datagram.sentTo === null ? datagram.from : datagram.to;
    if (!this.#buffer.push(source, datagram.bytes.length, waiting)) {
      this.#turnWindow();
      this.#recent.dropped += 1;
      this.#drops.add(datagram.from, datagram.atUs);
      // The gateway must not stall for our trouble; that its data are lost is shown.
      if (answer !== null) this.#answer(waiting, "early");
      return;
    }
    if (answer !== null && this.#isSparing) this.#answer(waiting, "early");
    else if (answer !== null) {
      this.#unanswered.push(waiting);
      this.#setTimer(ANSWER_AFTER_MS);
    }
    if (this.#postIsSet) return;
    this.#postIsSet = true;
    clock.soon(() => {
      this.#postIsSet = false;
      this.#handOver();
    });
  }

  #handOver(): void {
    this.#post(MAX_HANDED_OVER - this.#handedOver.length, MAX_HANDED_OVER_BYTES - this.#handedOverBytes);
  }

  /** Posts what is next in turn, up to that many datagrams; an octet of room is room for one more. */
  #post(maxCount: number, maxBytes: number): void {
    const datagrams: ListenedDatagram[] = [];
    let bytes = 0;
    while (datagrams.length < maxCount && bytes < maxBytes) {
      const waiting = this.#buffer.take();
      if (waiting === undefined) break;
      this.#handedOver.push(waiting);
      datagrams.push(waiting.datagram);
      bytes += waiting.datagram.bytes.length;
    }
    this.#handedOverBytes += bytes;
    if (datagrams.length > 0) this.#options.post(datagrams);
  }

  #setTimer(delayMs: number): void {
    if (this.#timerIsSet) return;
    this.#timerIsSet = true;
    this.#options.clock.after(delayMs, () => {
      this.#timerIsSet = false;
      this.#answerOverdue();
    });
  }

  /** Answers what has waited long enough although it is not stored. */
  #answerOverdue(): void {
    const nowMs = this.#options.clock.monotonicMs();
    for (;;) {
      const oldest = this.#unanswered.head;
      if (oldest === undefined) return;
      const leftMs = ANSWER_AFTER_MS - (nowMs - oldest.sinceMs);
      if (oldest.answer !== null && leftMs > 0.5) {
        this.#setTimer(leftMs);
        return;
      }
      this.#unanswered.shift();
      if (oldest.answer !== null) this.#answer(oldest, "early");
    }
  }

  #answer(waiting: Waiting, when: "stored" | "early"): void {
    const { answer, send, datagram } = waiting;
    waiting.answer = null;
    if (answer === null || send === null) return;
    this.#turnWindow();
    this.#recent.answered += 1;
    if (when === "stored") this.#answeredAfterCommit += 1;
    else {
      this.#answeredBeforeStored += 1;
      this.#recent.early += 1;
    }
    send(answer, datagram.from);
  }

  #turnWindow(): void {
    const nowMs = this.#options.clock.monotonicMs();
    const halfMs = RECENT_MS / 2;
    if (nowMs - this.#recent.sinceMs < halfMs) return;
    const isNext = nowMs - this.#recent.sinceMs < RECENT_MS;
    this.#before = isNext ? this.#recent : { sinceMs: nowMs, early: 0, answered: 0, dropped: 0 };
    this.#recent = { sinceMs: nowMs, early: 0, answered: 0, dropped: 0 };
  }
}

interface RecentAnswers {
  sinceMs: number;
  early: number;
  answered: number;
  dropped: number;
}

/** One sentence when what arrives cannot be stored at once; empty otherwise. */
function slownessOf({ early, answered, dropped }: Omit<RecentAnswers, "sinceMs">): string {
  if (dropped > 0) {
    const what = dropped === 1 ? "1 datagram was" : `${dropped} datagrams were`;
    return `More arrives than can be stored: ${what} dropped in the last 10 s.`;
  }
  if (early < SLOW_COUNT || early < SLOW_SHARE * answered) return "";
  return `Storing takes longer than ${ANSWER_WITHIN_MS} ms: ${early} of ${answered} answers of the last 10 s left before their datagrams were stored.`;
}
