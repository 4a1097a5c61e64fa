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
    while (this.#next(untilMs));
    this.nowMs = Math.max(this.nowMs, untilMs);
  }
  /** The same, with time for what a timer's work waits for. */
  async passing(ms: number): Promise<void> {
    const untilMs = this.nowMs + ms;
    await settled();
    while (this.#next(untilMs)) await settled();
    this.nowMs = Math.max(this.nowMs, untilMs);
  }
  #next(untilMs: number): boolean {
    const next = this.#timers.filter(({ atMs }) => atMs <= untilMs).sort((a, b) => a.atMs - b.atMs)[0];
    if (next === undefined) return false;
    this.#timers = this.#timers.filter((one) => one !== next);
    this.nowMs = Math.max(this.nowMs, next.atMs);
    next.work();
    return true;
  }
}

/** Every promise that is settled already has told so. */
export function settled(): Promise<void> {
  return new Promise((resolve) => setImmediate(resolve));
}
