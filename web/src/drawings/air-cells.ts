/** What stands in each cell of the air map, once cells that are too fine for the screen are taken together? */
import type { AirMap } from "../../../src/contract/air.ts";

/** From this share of CRC-failed packets a cell is crossed. Common practice, no source. */
export const MANY_BROKEN = 0.3;

export interface AirCell {
  /** Share of the time in use, 0 to 1. */
  readonly inUse: number;
  /** Strangers' part of the airtime whose owner is known; null when none is known. */
  readonly strangers: number | null;
  readonly isBroken: boolean;
}

export interface CellGrid {
  /** One array a frequency. */
  readonly rows: readonly (readonly AirCell[])[];
  /** Cells of the map in each cell of the grid. */
  readonly together: number;
}

/** Largest share in use, for caption and scale. A last cell that is less than half full is left out: one frame fills it. */
export function busiestCell({ utilisation, cellSeconds, lastCellSeconds }: AirMap): number {
  let most = 0;
  for (const row of utilisation) {
    const told = 2 * lastCellSeconds < cellSeconds ? row.slice(0, -1) : row;
    for (const share of told) most = Math.max(most, share);
  }
  return most;
}

/** The grid for at most so many columns: neighbours taken together, each weighing by how long it lasted. */
export function gridOf(map: AirMap, mostColumns: number): CellGrid {
  const columns = Math.max(1, ...map.utilisation.map((row) => row.length));
  const together = Math.max(1, Math.ceil(columns / Math.max(1, mostColumns)));
  const weight = (at: number) => (at === columns - 1 ? map.lastCellSeconds : map.cellSeconds);
  const rows = map.frequenciesHz.map((_, row) =>
    Array.from({ length: Math.ceil(columns / together) }, (_, cell) => {
      let [seconds, busy, own, foreign, broken] = [0, 0, 0, 0, 0];
      for (let at = cell * together; at < Math.min(columns, (cell + 1) * together); at += 1) {
        seconds += weight(at);
        busy += (map.utilisation[row]?.[at] ?? 0) * weight(at);
        own += (map.ownLoad[row]?.[at] ?? 0) * weight(at);
        foreign += (map.strangerLoad[row]?.[at] ?? 0) * weight(at);
        broken = Math.max(broken, map.crcBadRatio[row]?.[at] ?? 0);
      }
      return {
        inUse: seconds === 0 ? 0 : busy / seconds,
        strangers: own + foreign === 0 ? null : foreign / (own + foreign),
        isBroken: broken >= MANY_BROKEN,
      };
    }),
  );
  return { rows, together };
}

/** The levels between which the noise lanes of a map run, in whole steps of 5 dB and 10 dB apart at least; null without noise. */
export function noiseRange({ noise }: AirMap): { low: number; high: number } | null {
  const levels = noise.dbm.flat().filter((dbm) => dbm !== null);
  if (levels.length === 0) return null;
  const low = Math.floor(Math.min(...levels) / 5) * 5;
  return { low, high: Math.max(low + 10, Math.ceil(Math.max(...levels) / 5) * 5) };
}
