/** How are the margins of a link spread, and how many steps of data rate do they leave? */
import type { Headroom, MarginDistribution } from "../contract/link.ts";
import { quantile } from "../statistics/robust.ts";
import { type LinkFrame, marginOf } from "./link-frame.ts";
import { decibels } from "./link-words.ts";

/** Exact: every frame with an SNR is counted once. */
export function marginDistribution(frames: readonly LinkFrame[]): MarginDistribution {
  const margins = frames.map(marginOf).filter((margin): margin is number => margin !== null);
  const round = (value: number | null) => (value === null ? null : Math.round(value * 100) / 100);
  const shared = {
    count: margins.length,
    p10Db: round(quantile(margins, 0.1)),
    medianDb: round(quantile(margins, 0.5)),
    p90Db: round(quantile(margins, 0.9)),
  };
  if (margins.length === 0) return { ...shared, firstBinDb: 0, bins: [] };
  let first = Number.POSITIVE_INFINITY;
  let last = Number.NEGATIVE_INFINITY;
  for (const margin of margins) {
    first = Math.min(first, Math.floor(margin));
    last = Math.max(last, Math.floor(margin));
  }
  const bins = new Array<number>(last - first + 1).fill(0);
  for (const margin of margins)
    bins[Math.floor(margin) - first] = (bins[Math.floor(margin) - first] ?? 0) + 1;
  return { ...shared, firstBinDb: first, bins };
}

/** SNR floors of neighbouring spreading factors are 2.5 dB apart. SX1276 data sheet, Table 13. */
export const STEP_DB = 2.5;
const FASTEST = 7;
const SLOWEST = 12;
/** Fewer frames say too little of a tenth of them (chosen). */
const LEAST_FRAMES = 20;

/** `spreadingFactor`: of the newest frame, or null. Judged by the weakest tenth, because the median is above the floor in half the frames only. */
export function headroomOf(
  { count, p10Db }: Pick<MarginDistribution, "count" | "p10Db">,
  spreadingFactor: number | null,
): Headroom {
  if (spreadingFactor === null)
    return { steps: null, words: "No LoRa: no step of data rate to compare with." };
  if (p10Db === null || count < LEAST_FRAMES)
    return { steps: null, words: `Not enough to say: ${count} of ${LEAST_FRAMES} frames with an SNR.` };
  const weakest = `the weakest tenth stands ${decibels(Math.abs(p10Db))} ${p10Db < 0 ? "below" : "above"} the floor`;
  if (p10Db >= 0) {
    const wanted = Math.floor(p10Db / STEP_DB);
    const possible = Math.max(0, spreadingFactor - FASTEST);
    const steps = Math.min(wanted, possible);
    if (steps === 0)
      return {
        steps,
        words:
          possible === 0
            ? `SF${spreadingFactor} is the fastest at 125\u202FkHz; ${weakest}.`
            : `No step faster: ${weakest}, and a step costs 2.5\u202FdB.`,
      };
    return { steps, words: `${stepWords(steps)} faster (SF${spreadingFactor - steps}): ${weakest}.` };
  }
  const wanted = Math.ceil(-p10Db / STEP_DB);
  const possible = Math.max(0, SLOWEST - spreadingFactor);
  const steps = Math.min(wanted, possible);
  if (steps === 0) return { steps: 0, words: `SF${SLOWEST} is the slowest already; ${weakest}.` };
  return {
    steps: -steps,
    words: `${stepWords(steps)} slower (SF${spreadingFactor + steps}) wanted: ${weakest}.`,
  };
}

function stepWords(steps: number): string {
  return steps === 1 ? "One step" : `${steps} steps`;
}
