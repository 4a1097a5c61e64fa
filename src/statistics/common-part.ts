/**
 * How much more does a sum over many paths vary because something moves them all at once: weather, noise at one place?
 *
 * It does not show in any one path, where it is small, nor in the scatter between them, which it leaves alone; but it does
 * not average out. The sum of all over time is weighed by Whittle's likelihood as in slow-part.ts, against what the paths'
 * own slow parts let it vary.
 */
import { chancesOf, shapeOf, wavesOf } from "./slow-part.ts";

export interface MergedSeries {
  /** Of all that may move together, in order of time. */
  readonly values: readonly number[];
  readonly durationS: number;
  readonly dayTaken?: boolean;
  /** Power at a frequency, over that of independent values, if nothing moves them together. */
  readonly expected: (hz: number) => number;
}

/** One of the ways in which the sum of all may vary more than if nothing moved all at once. */
export interface Extra {
  readonly chance: number;
  /** For each series: by how much, over its variance if the values were independent. */
  readonly extra: readonly number[];
}

/** Chance that something moves all nodes at once (weather, noise at one place). Chosen. */
const PRESUMED_COMMON = 0.02;
/** Shares of the variance; small ones count, for what is common does not average out over nodes. Chosen, alike likely. */
const COMMON_SHARES = [0.003, 0.01, 0.03, 0.06, 0.1, 0.2, 0.35, 0.6];
const COMMON_MEMORIES_S = [600, 1800, 7200, 28_800];

/** What moves all at once, found from the sum of all over time; the chances sum to 1. */
export function commonPart(series: readonly MergedSeries[]): Extra[] {
  const told = series.map((one) =>
    wavesOf(one).map((power, j) => ({
      power,
      own: one.expected((j + 1) / (2 * Math.max(1, one.durationS))),
    })),
  );
  const cell = (chance: number, share: number, memoryS: number) => {
    let logWeight = Math.log(chance);
    const extra = series.map(({ values, durationS }, k) => {
      const shape = shapeOf(values.length, durationS, memoryS);
      told[k]?.forEach(({ power, own }, j) => {
        if (power === null) return;
        const expected = own + share * Math.max(0, (shape.waves[j] ?? 1) - 1);
        logWeight -= (Math.log(expected) + power / expected) / 2;
      });
      return share * Math.max(0, shape.sum - 1);
    });
    return { logWeight, extra };
  };
  const each = PRESUMED_COMMON / (COMMON_SHARES.length * COMMON_MEMORIES_S.length);
  const cells = [
    cell(1 - PRESUMED_COMMON, 0, 1800),
    ...COMMON_SHARES.flatMap((share) => COMMON_MEMORIES_S.map((memoryS) => cell(each, share, memoryS))),
  ];
  const chances = chancesOf(cells);
  return cells.map(({ extra }, i) => ({ chance: chances[i] ?? 0, extra }));
}
