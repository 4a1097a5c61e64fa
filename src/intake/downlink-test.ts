/**
 * How is one test frame handed to a gateway, and what did it say? Only to a gateway that called (PULL_DATA) within the
 * last keepalives, only to where it called from, only one at a time, and only where transmitting was allowed at the start.
 * What may be sent is judged elsewhere (src/diagnosis/test-transmission.ts); this desk sends what it is given.
 */
import type { Arrival, Endpoint, PullData, TransmitOutcome, TxAck } from "../model/datagram.ts";
import type { Eui } from "../model/identifiers.ts";
import { milliseconds } from "../words/format.ts";
import type { SendAnswer } from "./udp-listener.ts";

/** Three keepalives of the shipped configurations (10 s): so long the path is held valid. */
export const CALLED_WITHIN_MS = 30_000;
/** A gateway answers within milliseconds. Chosen: ample for a slow back-haul. */
const ANSWER_WITHIN_MS = 3_000;
/** A person presses; a script must not. */
const BETWEEN_TESTS_MS = 10_000;
/** As many as the store follows. */
const MAX_CALLERS = 4096;

export interface TestOutcome {
  /** null: no TX_ACK came in time. */
  readonly outcome: TransmitOutcome | null;
  readonly answeredAfterMs: number | null;
  /** Microseconds since 1970, when it was handed over. */
  readonly atUs: number;
  readonly to: Endpoint;
}

export interface TransmitDeskOptions {
  readonly allowed: boolean;
  readonly clock: {
    monotonicMs(): number;
    nowUs(): number;
    after(delayMs: number, work: () => void): void;
  };
  /** Sentences for the log: each test before it is sent, and what came of it. */
  readonly log: (sentence: string) => void;
  /** What was handed over, for the record. */
  readonly onSent: (arrival: Arrival, gatewayEui: Eui) => void;
}

interface Caller {
  readonly from: Endpoint;
  readonly to: Endpoint;
  readonly send: SendAnswer;
  readonly version: 1 | 2;
  readonly atMs: number;
}

interface OpenTest {
  readonly gatewayEui: Eui;
  readonly token: number;
  readonly sentMs: number;
  readonly done: (outcome: TransmitOutcome | null, answeredAfterMs: number | null) => void;
}

export class TransmitDesk {
  readonly #options: TransmitDeskOptions;
  readonly #callers = new Map<Eui, Caller>();
  #open: OpenTest | null = null;
  #lastMs = Number.NEGATIVE_INFINITY;

  constructor(options: TransmitDeskOptions) {
    this.#options = options;
  }

  /** A gateway called. */
  pulled({ gatewayEui, version }: PullData, { from, to }: Arrival, send: SendAnswer): void {
    if (!this.#options.allowed) return;
    this.#callers.delete(gatewayEui);
    this.#callers.set(gatewayEui, { from, to, send, version, atMs: this.#options.clock.monotonicMs() });
    if (this.#callers.size <= MAX_CALLERS) return;
    const oldest = this.#callers.keys().next();
    if (oldest.done !== true) this.#callers.delete(oldest.value);
  }

  /** Seconds since a gateway called; null: it has not. */
  calledSecondsAgo(gatewayEui: Eui): number | null {
    const caller = this.#callers.get(gatewayEui);
    return caller === undefined ? null : (this.#options.clock.monotonicMs() - caller.atMs) / 1000;
  }

  /** A gateway's word on a downlink; only the one that was tested may answer for it. */
  answered({ gatewayEui, token, outcome }: TxAck): void {
    const open = this.#open;
    if (open === null || open.gatewayEui !== gatewayEui || open.token !== token) return;
    open.done(outcome, this.#options.clock.monotonicMs() - open.sentMs);
  }

  /**
   * Hands over a PULL_RESP made by `bytesFor` and resolves with what came of it. `what`: the frame in words, for the log.
   * Rejects with a sentence when it is not done.
   */
  async send(
    gatewayEui: Eui,
    bytesFor: (version: 1 | 2, token: number) => Uint8Array,
    what: string,
  ): Promise<TestOutcome> {
    const { allowed, clock, log } = this.#options;
    if (!allowed) throw new Error("Transmitting was not allowed when Mastlog was started.");
    const nowMs = clock.monotonicMs();
    const caller = this.#callers.get(gatewayEui);
    if (caller === undefined || nowMs - caller.atMs > CALLED_WITHIN_MS)
      throw new Error(
        "That gateway has not called (PULL_DATA) within the last 30 s: there is no downlink path to it.",
      );
    if (this.#open !== null || nowMs - this.#lastMs < BETWEEN_TESTS_MS)
      throw new Error("One test at a time, and ten seconds between them.");
    this.#lastMs = nowMs;
    // Any value does; one that follows the clock is not met again soon.
    const token = clock.nowUs() & 0xffff;
    const bytes = bytesFor(caller.version, token);
    const atUs = clock.nowUs();
    const where = `${caller.from.address} port ${caller.from.port}`;
    log(`Downlink test: gateway ${gatewayEui} at ${where} is asked to send ${what}.`);
    return new Promise((resolve) => {
      const done: OpenTest["done"] = (outcome, answeredAfterMs) => {
        if (this.#open?.token !== token) return;
        this.#open = null;
        const words = outcome === null ? "did not answer" : `answered ${outcome.word ?? outcome.result}`;
        const after = answeredAfterMs === null ? "" : ` after ${milliseconds(answeredAfterMs)}`;
        log(`Downlink test: gateway ${gatewayEui} ${words}${after}.`);
        resolve({ outcome, answeredAfterMs, atUs, to: caller.from });
      };
      this.#open = { gatewayEui, token, sentMs: clock.monotonicMs(), done };
      this.#options.onSent({ bytes, atUs, from: caller.to, to: caller.from, door: "udp" }, gatewayEui);
      caller.send(bytes, caller.from);
      clock.after(ANSWER_WITHIN_MS, () => done(null, null));
    });
  }
}
