/** How are the levels of a trial spread: in bins, side by side, and as differences of common frames? */
import type { z } from "zod";
import type { Histogram, TrialAnswer } from "../../contract/trials.ts";
import type { Reading } from "../../diagnosis/trials/evidence.ts";

const BIN_DB = 1;

/** SNR of all that either side heard, in bins of 1 dB that both share. */
export function histogram(
  a: readonly (Reading | null)[],
  b: readonly (Reading | null)[],
): z.infer<typeof Histogram> {
  const values = (readings: readonly (Reading | null)[]) =>
    readings.flatMap((reading) => (reading?.snrDb == null ? [] : [reading.snrDb]));
  const ofA = values(a);
  const ofB = values(b);
  const fromDb = Math.floor(leastOf([...ofA, ...ofB]));
  return { fromDb, binDb: BIN_DB, ...binned({ a: ofA, b: ofB }, fromDb, BIN_DB) };
}

/** Differences in bins of half a decibel; null without any. */
export function differenceBins(differences: readonly number[]): TrialAnswer["difference"] {
  if (differences.length === 0) return null;
  const fromDb = Math.floor(leastOf(differences));
  const { a } = binned({ a: differences, b: [] }, fromDb, BIN_DB / 2);
  return { fromDb, binDb: BIN_DB / 2, frames: a };
}

/** Bins enough for any SNR that a register can hold. */
const MOST_BINS = 200;

function binned(
  { a, b }: { readonly a: readonly number[]; readonly b: readonly number[] },
  fromDb: number,
  binDb: number,
): { a: number[]; b: number[] } {
  const bin = (value: number) => Math.min(MOST_BINS - 1, Math.floor((value - fromDb) / binDb));
  let most = -1;
  for (const value of [...a, ...b]) most = Math.max(most, bin(value));
  const counted = (values: readonly number[]) => {
    const counts = new Array<number>(most + 1).fill(0);
    for (const value of values) counts[bin(value)] = (counts[bin(value)] ?? 0) + 1;
    return counts;
  };
  return { a: counted(a), b: counted(b) };
}

function leastOf(values: readonly number[]): number {
  let least = Number.POSITIVE_INFINITY;
  for (const value of values) least = Math.min(least, value);
  return values.length === 0 ? 0 : least;
}
