/** What keeps one source from harming the others: answers, lines of the log, drops and loops, each for a bounded number. */
import { digestOf } from "../ledger/group-receptions.ts";
import type { Endpoint } from "../model/datagram.ts";
import { figure } from "../words/format.ts";

// How often may one source be answered? A token bucket a source, for a bounded number of sources; the one longest
// unheard is forgotten first. So a flood from one address costs the others nothing.

export class RateLimit {
  readonly #perSecond: number;
  readonly #mostSources: number;
  readonly #buckets = new Map<string, { tokens: number; atMs: number }>();

  constructor(perSecond: number, mostSources: number) {
    this.#perSecond = perSecond;
    this.#mostSources = mostSources;
  }

  /** True when the source may be answered now. Bursts of one second's worth are allowed. */
  allows(source: string, nowMs: number): boolean {
    let bucket = this.#buckets.get(source);
    if (bucket === undefined) {
      bucket = { tokens: this.#perSecond, atMs: nowMs };
    } else {
      this.#buckets.delete(source);
      const earned = ((nowMs - bucket.atMs) / 1000) * this.#perSecond;
      bucket.tokens = Math.min(this.#perSecond, bucket.tokens + earned);
      bucket.atMs = nowMs;
    }
    this.#buckets.set(source, bucket);
    if (this.#buckets.size > this.#mostSources) {
      const oldest = this.#buckets.keys().next();
      if (oldest.done !== true) this.#buckets.delete(oldest.value);
    }
    if (bucket.tokens < 1) return false;
    bucket.tokens -= 1;
    return true;
  }
}

// Logs errors of a socket so that no sender can fill the log: of each error code one line a minute, with the number of
// those left out since. The message is no key: it names the address that a datagram claims to come from.

/** Milliseconds between two lines of one error code. Chosen: a person reads each, and a day has 1,440 at most. */
const LOG_AGAIN_MS = 60_000;

export class TroubleLog {
  readonly #log: (sentence: string) => void;
  readonly #byCode = new Map<string, { loggedMs: number; leftOut: number }>();

  constructor(log: (sentence: string) => void) {
    this.#log = log;
  }

  /** Notes an error at a moment of a clock that never steps back, milliseconds. */
  note(error: Error, nowMs: number): void {
    // The system's codes are a bounded set; an error without one shares a line with its kind.
    const code = "code" in error && typeof error.code === "string" ? error.code : error.name;
    const known = this.#byCode.get(code);
    if (known !== undefined && nowMs - known.loggedMs < LOG_AGAIN_MS) {
      known.leftOut += 1;
      return;
    }
    const leftOut = known?.leftOut ?? 0;
    this.#byCode.set(code, { loggedMs: nowMs, leftOut: 0 });
    const more = leftOut === 0 ? "" : ` (${figure(leftOut)} more like it since the last line)`;
    this.#log(`UDP: ${error.message}${more}`);
  }
}

// How many datagrams of each source found no room, for a bounded number of sources; all others share one count.

/** Sources counted apart. */
const MAX_SOURCES = 1_000;
/** Sources named in the figures. */
const MAX_NAMED = 10;

export interface SourceDrops {
  /** null: sources that are not counted apart. */
  readonly address: string | null;
  readonly port: number | null;
  readonly count: number;
  /** Microseconds since 1970. */
  readonly lastAtUs: number;
}

export class DropCounts {
  total = 0;
  readonly #sources = new Map<string, { from: Endpoint; count: number; lastAtUs: number }>();

  add(from: Endpoint, atUs: number): void {
    this.total += 1;
    const key = `${from.address} ${from.port}`;
    const known = this.#sources.get(key);
    if (known !== undefined) {
      known.count += 1;
      known.lastAtUs = atUs;
    } else if (this.#sources.size < MAX_SOURCES) this.#sources.set(key, { from, count: 1, lastAtUs: atUs });
    else this.#others = { count: this.#others.count + 1, lastAtUs: atUs };
  }

  #others = { count: 0, lastAtUs: 0 };

  /** The sources that lost most, and all others as one; their counts add up to `total`. */
  largest(): SourceDrops[] {
    if (this.total === 0) return [];
    const sorted = [...this.#sources.values()].sort((a, b) => b.count - a.count);
    const named = sorted
      .slice(0, MAX_NAMED)
      .map(({ from, count, lastAtUs }) => ({ address: from.address, port: from.port, count, lastAtUs }));
    const rest = { ...this.#others };
    for (const { count, lastAtUs } of sorted.slice(MAX_NAMED)) {
      rest.count += count;
      rest.lastAtUs = Math.max(rest.lastAtUs, lastAtUs);
    }
    return rest.count === 0 ? named : [...named, { address: null, port: null, ...rest }];
  }
}

// Does a datagram come back that was just passed on? Then two relays point at each other, or several in a ring. No two
// sources of gateways send the same octets within seconds: a forwarder draws a new token for each datagram.

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
