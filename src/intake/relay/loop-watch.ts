/**
 * Does a datagram come back that was just passed on? Then two relays point at each other, or several in a ring. No two
 * sources of gateways send the same octets within seconds: a forwarder draws a new token for each datagram.
 */
import { digestOf } from "../../ledger/group-receptions.ts";
import type { Endpoint } from "../../model/datagram.ts";

/** A datagram that goes round is back within the round trip; a second is the longest that a network keeps one. Chosen. */
const REMEMBERED_MS = 2_000;
/** Datagrams remembered: a thousand a second for as long; of more, the oldest are forgotten first. */
const MAX_REMEMBERED = 4_096;

/** What went round since the start. */
export interface LoopFigures {
  readonly count: number;
  /** Who sent the newest back, and when. */
  readonly from: Endpoint;
  readonly atUs: number;
}

interface Passed {
  readonly address: string;
  readonly port: number;
  readonly atMs: number;
}

export class LoopWatch {
  readonly #passed = new Map<number, Passed>();
  #seen: LoopFigures | null = null;

  /** True when these octets were passed on for another source a moment ago. Otherwise they are remembered. */
  comesBack(bytes: Uint8Array, from: Endpoint, nowMs: number, atUs: number): boolean {
    const digest = digestOf(bytes);
    const before = this.#passed.get(digest);
    if (before !== undefined && nowMs - before.atMs <= REMEMBERED_MS) {
      if (before.address === from.address && before.port === from.port) return false;
      this.#seen = { count: (this.#seen?.count ?? 0) + 1, from, atUs };
      return true;
    }
    this.#passed.delete(digest);
    this.#passed.set(digest, { address: from.address, port: from.port, atMs: nowMs });
    if (this.#passed.size > MAX_REMEMBERED) {
      const oldest = this.#passed.keys().next();
      if (oldest.done !== true) this.#passed.delete(oldest.value);
    }
    return false;
  }

  /** null: nothing came back. */
  figures(): LoopFigures | null {
    return this.#seen;
  }
}
