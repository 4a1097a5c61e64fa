/**
 * Were both periods of a trial heard at the same times of day? The air, people and leaves have a daily course: frames are
 * weighed so that each part of the day counts alike on both sides.
 */
const DAY_US = 86_400_000_000;
/** Parts of a day of four hours. Chosen: narrow enough for a daily course, wide enough to hold frames. */
const PARTS = 6;
/** A period covers the day when it holds so many parts. */
const FEWEST_PARTS = 4;
/** No frame may count more than this many. */
const MOST_WEIGHT = 4;

export interface DayWeights {
  /** Weight of a frame of a and of b by its time; 0 outside the parts that both hold. */
  readonly a: (atUs: number) => number;
  readonly b: (atUs: number) => number;
  /** False: the periods share too little of the day, and frames count as they are. */
  readonly matched: boolean;
}

/** Times of the frames sent in each period. */
export function dayWeights(a: readonly number[], b: readonly number[]): DayWeights {
  const ofA = partCounts(a);
  const ofB = partCounts(b);
  const shared = ofA.map((count, part) => count > 0 && (ofB[part] ?? 0) > 0);
  if (shared.filter(Boolean).length < FEWEST_PARTS) return { a: () => 1, b: () => 1, matched: false };
  const target = shared.map((isShared, part) => (isShared ? Math.min(ofA[part] ?? 0, ofB[part] ?? 0) : 0));
  return { a: weightOf(ofA, target), b: weightOf(ofB, target), matched: true };
}

function partOf(atUs: number): number {
  return Math.min(PARTS - 1, Math.floor(((atUs % DAY_US) / DAY_US) * PARTS));
}

function partCounts(times: readonly number[]): number[] {
  const counts = new Array<number>(PARTS).fill(0);
  for (const atUs of times) {
    const part = partOf(atUs);
    counts[part] = (counts[part] ?? 0) + 1;
  }
  return counts;
}

/** Scaled so that the frames of a side keep their number on average. */
function weightOf(counts: readonly number[], target: readonly number[]): (atUs: number) => number {
  const all = counts.reduce((sum, count) => sum + count, 0);
  const wanted = target.reduce((sum, count) => sum + count, 0);
  const weights = counts.map((count, part) =>
    count === 0 ? 0 : Math.min(MOST_WEIGHT, ((target[part] ?? 0) / wanted) * (all / count)),
  );
  return (atUs) => weights[partOf(atUs)] ?? 0;
}
