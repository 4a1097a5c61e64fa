/**
 * What does the frame counter say about a gap: did the node go on transmitting?
 */

/**
 * `transmitting`: frames were sent and lost on the way. `silent`: none was sent. `restarted`: the counter began anew.
 * `mixed`: in between. `undecided`: no rhythm to compare with.
 */
export type CounterVerdictWord = "transmitting" | "silent" | "restarted" | "mixed" | "undecided";

export interface CounterVerdict {
  /** Frames that the rhythm lets expect within the gap. */
  readonly expected: number | null;
  /** Steps of the counter across the gap, a 16-bit wrap resolved; null after a restart. */
  readonly step: number | null;
  readonly verdict: CounterVerdictWord;
}

export interface CounterGap {
  readonly gapUs: number;
  /** Median interval for one counter step. */
  readonly periodUs: number;
  /** Counters on either side of the gap, 0 to 65535. */
  readonly before: number;
  readonly after: number;
}

/**
 * A fall counts as a 16-bit wrap only when the wrapped step is at most twice the expected frames plus 10, else as a
 * restart. Derived; no published rule.
 */
export function counterVerdict(gap: CounterGap): CounterVerdict {
  if (!(gap.periodUs > 0) || !(gap.gapUs >= 0)) {
    return { expected: null, step: null, verdict: "undecided" };
  }
  const expected = Math.round(gap.gapUs / gap.periodUs);
  // LoRaWAN 1.0.x, 4.3.1.5: a frame carries the 16 low bits of the counter
  const wrapped = (((gap.after - gap.before) % 65_536) + 65_536) % 65_536;
  if (gap.after < gap.before && wrapped > 2 * expected + 10) {
    return { expected, step: null, verdict: "restarted" };
  }
  if (wrapped >= 0.5 * expected && wrapped >= 2) {
    return { expected, step: wrapped, verdict: "transmitting" };
  }
  return { expected, step: wrapped, verdict: wrapped <= 1 ? "silent" : "mixed" };
}
