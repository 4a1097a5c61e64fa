/** How often was each channel heard? */
import type { SceneReception, Stretch } from "../../model/scene.ts";
import { isIn, known } from "./sight.ts";

export function countsIn(
  receptions: readonly Pick<SceneReception, "atUs" | "frequencyHz">[],
  stretch: Stretch,
): Map<number, number> {
  return countsOf(receptions.filter(({ atUs }) => isIn(stretch, atUs)).map(({ frequencyHz }) => frequencyHz));
}

export function countsOf(frequencies: readonly (number | null)[]): Map<number, number> {
  const counts = new Map<number, number>();
  for (const frequency of known(frequencies)) counts.set(frequency, (counts.get(frequency) ?? 0) + 1);
  return counts;
}

/** How many channels there are; one heard once among a hundred is a stray. */
export function heardChannels(frequencies: readonly (number | null)[]): number {
  const counts = countsOf(frequencies);
  return [...counts.values()].filter((count) => count >= 0.03 * sumOf(counts)).length;
}

export function sumOf(counts: ReadonlyMap<number, number>): number {
  return [...counts.values()].reduce((a, b) => a + b, 0);
}
