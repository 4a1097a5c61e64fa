/**
 * How often may one source be answered? A token bucket a source, for a bounded number of sources; the one
 * longest unheard is forgotten first. So a flood from one address costs the others nothing.
 */
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
