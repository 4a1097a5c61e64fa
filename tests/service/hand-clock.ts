/** Time that moves only when a test says so. */
import type { LiveClock } from "../../src/service/live-view.ts";

export class HandClock implements LiveClock {
  nowMs = 1_000_000;
  #timers: { readonly atMs: number; readonly work: () => void }[] = [];

  monotonicMs(): number {
    return this.nowMs;
  }
  after(delayMs: number, work: () => void): () => void {
    const timer = { atMs: this.nowMs + delayMs, work };
    this.#timers.push(timer);
    return () => {
      this.#timers = this.#timers.filter((one) => one !== timer);
    };
  }
  get waiting(): number {
    return this.#timers.length;
  }
  pass(ms: number): void {
    const untilMs = this.nowMs + ms;
    for (;;) {
      const next = this.#timers.filter(({ atMs }) => atMs <= untilMs).sort((a, b) => a.atMs - b.atMs)[0];
      if (next === undefined) break;
      this.#timers = this.#timers.filter((one) => one !== next);
      this.nowMs = Math.max(this.nowMs, next.atMs);
      next.work();
    }
    this.nowMs = Math.max(this.nowMs, untilMs);
  }
}
