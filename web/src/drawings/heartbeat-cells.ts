/** How do a heartbeat's cells fit the width there is? Neighbours are put together until each has two pixels. */
import type { Heartbeat } from "../../../src/contract/gateways.ts";

export interface BeatCell {
  readonly receptions: number;
  readonly crcBad: number;
  readonly keepalives: number;
  readonly keepalivesExpected: number;
  readonly statusReports: number;
}

export interface BeatCells {
  readonly cells: readonly BeatCell[];
  readonly cellSeconds: number;
}

/** The cells of `beat`, gathered so that at most `most` are left. Sums stay what they were. */
export function gatherCells(beat: Heartbeat, most: number): BeatCells {
  const group = Math.max(1, Math.ceil(beat.receptions.length / Math.max(1, most)));
  const cells: BeatCell[] = [];
  for (let at = 0; at < beat.receptions.length; at += group) {
    const end = Math.min(at + group, beat.receptions.length);
    cells.push({
      receptions: sum(beat.receptions, at, end),
      crcBad: sum(beat.crcBad, at, end),
      keepalives: sum(beat.keepalives, at, end),
      keepalivesExpected: beat.keepalivesExpected * (end - at),
      statusReports: sum(beat.statusReports, at, end),
    });
  }
  return { cells, cellSeconds: beat.cellSeconds * group };
}

function sum(values: readonly number[], from: number, to: number): number {
  let total = 0;
  for (let at = from; at < to; at += 1) total += values[at] ?? 0;
  return total;
}
