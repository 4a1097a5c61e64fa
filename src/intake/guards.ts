/**
 * How often may one source be answered? A token bucket a source, for a bounded number of sources; the one
 * longest unheard is forgotten first. So a flood from one address costs the others nothing.
 */
import { figure } from "../words/format.ts";
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
