/** Time that moves only when a test says so. */
export class HandClock {
  nowMs = 0;
  #timers: { atMs: number; work: () => void }[] = [];
  #soon: (() => void)[] = [];

  monotonicMs(): number {
    return this.nowMs;
  }
  after(delayMs: number, work: () => void): void {
    this.#timers.push({ atMs: this.nowMs + delayMs, work });
  }
  soon(work: () => void): void {
    this.#soon.push(work);
  }
  /** Runs what was to run soon. */
  turn(): void {
    const now = this.#soon;
    this.#soon = [];
    for (const work of now) work();
  }
  pass(ms: number): void {
    const untilMs = this.nowMs + ms;
    for (;;) {
      this.turn();
      const next = this.#timers.filter((timer) => timer.atMs <= untilMs).sort((a, b) => a.atMs - b.atMs)[0];
      if (next === undefined) break;
      this.#timers = this.#timers.filter((timer) => timer !== next);
      this.nowMs = next.atMs;
      next.work();
    }
    this.nowMs = untilMs;
    this.turn();
  }
}
