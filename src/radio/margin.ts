/**
 * How far above the demodulation floor does a link run?
 */
import { median } from "../statistics/robust.ts";
import { demodulationFloorDb } from "./demodulation-floor.ts";

/** SNR minus the floor of the spreading factor, dB; null when either is unknown. */
export function linkMarginDb(snrDb: number | null, spreadingFactor: number): number | null {
  const floorDb = demodulationFloorDb(spreadingFactor);
  return snrDb === null || floorDb === null || !Number.isFinite(snrDb) ? null : snrDb - floorDb;
}

export interface MarginSummary {
  /** Median margin: the figure for judging a placement. */
  readonly medianDb: number | null;
  /** Best of the last 20: what a network's data-rate control sees (common practice, no source). */
  readonly bestOfLast20Db: number | null;
  /** Margins that were known. */
  readonly count: number;
}

/** Summary of margins in order of time. Unknown margins are skipped. */
export function summariseMargins(marginsDb: readonly (number | null)[]): MarginSummary {
  const known = marginsDb.filter((margin): margin is number => margin !== null && Number.isFinite(margin));
  return {
    medianDb: median(known),
    bestOfLast20Db: known.length === 0 ? null : known.slice(-20).reduce((a, b) => Math.max(a, b)),
    count: known.length,
  };
}
