/**
 * How many wrong tokens may one address try? A bounded number in a stretch of time; then nothing it says is
 * compared until the stretch is over. Addresses are remembered in a bounded number, the oldest forgotten first.
 */
export class GuessLimit {
  readonly #most: number;
  readonly #stretchMs: number;
  readonly #mostSources: number;
  readonly #wrong = new Map<string, { count: number; sinceMs: number }>();

  constructor(most: number, stretchMs: number, mostSources: number) {
    this.#most = most;
    this.#stretchMs = stretchMs;
    this.#mostSources = mostSources;
  }

  /** True while the source has used up its tries. */
  isBlocked(source: string, nowMs: number): boolean {
    const entry = this.#wrong.get(source);
    if (entry === undefined) return false;
    if (nowMs - entry.sinceMs >= this.#stretchMs) {
      this.#wrong.delete(source);
      return false;
    }
    return entry.count >= this.#most;
  }

  /** Counts a wrong try. */
  note(source: string, nowMs: number): void {
    if (this.isBlocked(source, nowMs)) return;
    const entry = this.#wrong.get(source);
    if (entry !== undefined) {
      entry.count += 1;
      return;
    }
    this.#wrong.set(source, { count: 1, sinceMs: nowMs });
    if (this.#wrong.size > this.#mostSources) {
      const oldest = this.#wrong.keys().next();
      if (oldest.done !== true) this.#wrong.delete(oldest.value);
    }
  }
}
