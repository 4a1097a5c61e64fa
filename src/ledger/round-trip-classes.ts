/**
 * How are many durations kept in little room, so that any window's median and 99th percentile can be told? Counted in
 * classes a quarter of an octave wide: what is read back is right to within a tenth.
 */

/** Asked, while relaying: an answer that is missing was not given. */
export const ASKED_IN_LINE = -1;
/** Asked in a capture that holds no answer to this source: nothing says whether one was given. */
export const ASKED_ONE_SIDED = -2;
/** Asked in a capture that holds answers to this source: an answer that is missing did not pass there. */
export const ASKED_BOTH_SIDES = -3;

const SHORTEST_US = 100;
const CLASSES_AN_OCTAVE = 4;

/** The class of a duration in microseconds, 0 and up; all below 100 us are one. */
export function roundTripClass(durationUs: number): number {
  if (!(durationUs > SHORTEST_US)) return 0;
  return Math.round(CLASSES_AN_OCTAVE * Math.log2(durationUs / SHORTEST_US));
}

/** The middle of a class, milliseconds. */
export function classMs(roundTripClass: number): number {
  return (SHORTEST_US * 2 ** (roundTripClass / CLASSES_AN_OCTAVE)) / 1000;
}

/** The duration that this share (0 to 1) of all does not exceed, milliseconds; null without any. */
export function quantileMs(counts: ReadonlyMap<number, number>, share: number): number | null {
  const classes = [...counts].filter(([one]) => one >= 0).sort(([a], [b]) => a - b);
  const total = classes.reduce((sum, [, count]) => sum + count, 0);
  let below = 0;
  for (const [one, count] of classes) {
    below += count;
    if (below >= share * total && total > 0) return classMs(one);
  }
  return null;
}
