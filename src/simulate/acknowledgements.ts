/**
 * Which of a gateway's datagrams were acknowledged in time? The share goes into its status reports, as the
 * reference daemons compute it.
 */

// Reference daemons, push_timeout_ms: an answer after 100 ms counts as lost.
const LIMIT_US = 100_000;

/** Counts for one gateway. Times are of one clock, microseconds, that never falls. */
export class Acknowledgements {
  readonly #waiting = new Map<string, number>();
  /** PUSH_DATA since the last report. */
  #sentInInterval = 0;
  #answeredInInterval = 0;
  #sent = 0;
  #answered = 0;

  /** Handed to the network since the start, PULL_DATA included, and of these answered in time. */
  get totals(): { readonly sent: number; readonly answered: number } {
    return { sent: this.#sent, answered: this.#answered };
  }

  /** Share of PUSH_DATA answered in the interval that ends now, per cent; 0 when none was sent. Begins the next one. */
  closeInterval(): number {
    const percent = this.#sentInInterval === 0 ? 0 : (100 * this.#answeredInInterval) / this.#sentInInterval;
    this.#sentInInterval = 0;
    this.#answeredInInterval = 0;
    return percent;
  }

  sent(kind: "push-data" | "pull-data", token: number, atUs: number): void {
    this.#sent += 1;
    if (kind === "push-data") this.#sentInInterval += 1;
    for (const [key, sentUs] of this.#waiting) {
      if (atUs - sentUs <= LIMIT_US) break;
      this.#waiting.delete(key);
    }
    // A token drawn again while the first waits takes its place at the end of the line.
    this.#waiting.delete(`${kind} ${token}`);
    this.#waiting.set(`${kind} ${token}`, atUs);
  }

  /** Sent on a way that loses it: no answer can come. */
  lost(kind: "push-data" | "pull-data"): void {
    if (kind === "push-data") this.#sentInInterval += 1;
  }

  answered(kind: "push-data" | "pull-data", token: number, atUs: number): void {
    const sentUs = this.#waiting.get(`${kind} ${token}`);
    if (sentUs === undefined) return;
    this.#waiting.delete(`${kind} ${token}`);
    if (atUs - sentUs > LIMIT_US) return;
    this.#answered += 1;
    if (kind === "push-data") this.#answeredInInterval += 1;
  }
}
