/** Which channel was busy when, by whom, how broken, and how loud was the noise? The grids of the air map. */

import type { AirMap } from "../contract/index.ts";
import { rounded } from "../model/rounding.ts";
import { intersect, isoTime, MINUTE_US, type TimeRange, totalUs, wholeHours } from "../model/time-range.ts";
import { type NoiseTrend, noiseTrend, noiseTrendOf } from "../radio/noise.ts";
import { IntervalUnion } from "../radio/occupancy.ts";
import type { Store } from "../store/open.ts";
import { type ChannelMinuteRecord, channelCells, channelIntervals } from "../store/queries/channels.ts";
import type { AirEvidence, ChannelEvidence } from "./air-evidence.ts";
import { type AskedWindow, shortestCell } from "./window.ts";

const MAX_CELLS = 120;
/** Stretches of time in which noise is shown, finest first; a trend needs six. */
const NOISE_STRETCHES = [24, 12, 8];

/** Where the cells of a map lie. */
export interface Grid {
  readonly fromMinute: number;
  readonly toMinute: number;
  readonly minutesACell: number;
  readonly cells: number;
}

/**
 * Cells of whole minutes that the window touches, cut at multiples of their own length so that a moving window does not
 * shuffle them; the ends may reach a little beyond the window.
 */
export function gridOf(window: AskedWindow): Grid {
  const firstMinute = Math.floor(window.fromUs / MINUTE_US);
  const toMinute = Math.ceil(window.toUs / MINUTE_US);
  const minutesACell = wholeHours(
    Math.max(shortestCell(window), Math.ceil((toMinute - firstMinute) / MAX_CELLS)),
  );
  const fromMinute = Math.floor(firstMinute / minutesACell) * minutesACell;
  return { fromMinute, toMinute, minutesACell, cells: Math.ceil((toMinute - fromMinute) / minutesACell) };
}

/**
 * How long each cell has lasted, microseconds: the last one until now, or to the end of what is stored. Its minutes are
 * summed whole, so a window that ends amid them does not cut it.
 */
export function cellLengths(grid: Grid, knownToUs: number): number[] {
  return Array.from({ length: grid.cells }, (_, cell) => {
    const fromUs = (grid.fromMinute + cell * grid.minutesACell) * MINUTE_US;
    const fullUs = Math.min(grid.minutesACell, grid.toMinute - grid.fromMinute - cell * grid.minutesACell);
    return Math.max(1, Math.min(fullUs * MINUTE_US, knownToUs - fromUs));
  });
}

export interface ChannelNoise {
  readonly trend: NoiseTrend;
  readonly fromUs: number;
  readonly stretchUs: number;
}

/** What is shown of a channel without frames. */
export const NO_NOISE: NoiseTrend = noiseTrend([], { fromUs: 0, toUs: 1 }, 1);

/**
 * Trend of the noise of each channel of a gateway by frequency, in stretches that stand still while the window moves:
 * the finest that most channels can fill, one width for all of them.
 */
export function noiseByChannel(
  channels: readonly ChannelEvidence[],
  window: TimeRange,
): Map<number, ChannelNoise> {
  const minutes = Math.ceil((window.toUs - window.fromUs) / MINUTE_US);
  let shown = new Map<number, ChannelNoise>();
  for (const stretches of NOISE_STRETCHES) {
    const stretchUs = Math.max(1, Math.ceil(minutes / stretches)) * MINUTE_US;
    const fromUs = Math.floor(window.fromUs / stretchUs) * stretchUs;
    const count = Math.max(1, Math.ceil((window.toUs - fromUs) / stretchUs));
    const over = { fromUs, toUs: fromUs + count * stretchUs };
    shown = new Map(
      channels.map(({ frequencyHz, noise }) => [
        frequencyHz,
        { trend: noiseTrendOf(noise, over, count), fromUs, stretchUs },
      ]),
    );
    const filled = [...shown.values()].filter(({ trend }) => 2 * trend.filled >= count).length;
    if (2 * filled >= channels.length) break;
  }
  return shown;
}

export interface MapParts {
  readonly gatewayId: number;
  readonly gatewayEui: string;
  readonly gatewayName: string | null;
  readonly grid: Grid;
  readonly cellUs: readonly number[];
  readonly window: TimeRange;
  readonly evidence: AirEvidence;
  /** By frequency. */
  readonly noise: ReadonlyMap<number, ChannelNoise>;
  /** Where nothing was recorded of this gateway. */
  readonly notRecorded: readonly TimeRange[];
}

/** The map of one gateway from its cells; null when there are none. */
export function airMap(parts: MapParts, records: readonly ChannelMinuteRecord[]): AirMap | null {
  const { grid, cellUs, window, evidence, gatewayId } = parts;
  const frequenciesHz = [...new Set(records.map(({ frequencyHz }) => frequencyHz))].sort((a, b) => a - b);
  if (frequenciesHz.length === 0) return null;
  const rows = new Map(frequenciesHz.map((frequencyHz, row) => [frequencyHz, row]));
  const grids = <T>(value: T): T[][] => frequenciesHz.map(() => Array<T>(grid.cells).fill(value));
  const utilisation = grids(0);
  const offeredLoad = grids(0);
  const crcBadRatio = grids<number | null>(null);
  for (const { frequencyHz, cell, busyUs, airtimeUs, receptions, crcBad } of records) {
    const row = rows.get(frequencyHz) ?? 0;
    const lengthUs = recordedOf(cell);
    set(utilisation, row, cell, Math.min(1, rounded(busyUs / lengthUs, 5)));
    set(offeredLoad, row, cell, rounded(airtimeUs / lengthUs, 5));
    set(crcBadRatio, row, cell, receptions === 0 ? null : rounded(crcBad / receptions, 3));
  }
  const own = evidence.gateways.get(gatewayId)?.channels;
  const channels = frequenciesHz.map((frequencyHz) => own?.get(frequencyHz));
  const noise = frequenciesHz.map((frequencyHz) => parts.noise.get(frequencyHz));
  const [lane] = parts.noise.values();
  return {
    gatewayEui: parts.gatewayEui,
    gatewayName: parts.gatewayName,
    from: isoTime(grid.fromMinute * MINUTE_US),
    cellSeconds: grid.minutesACell * 60,
    lastCellSeconds: Math.round((cellUs.at(-1) ?? 0) / 1e5) / 10,
    frequenciesHz,
    notRecorded: parts.notRecorded.map(({ fromUs, toUs }) => ({ from: isoTime(fromUs), to: isoTime(toUs) })),
    utilisation,
    offeredLoad,
    ownLoad: channels.map((channel) => loads(channel, parts, false)),
    strangerLoad: channels.map((channel) => loads(channel, parts, true)),
    crcBadRatio,
    noise: {
      from: isoTime(lane?.fromUs ?? window.fromUs),
      stretchSeconds: (lane?.stretchUs ?? MINUTE_US) / 1e6,
      dbm: noise.map((own) => (own?.trend.stretches ?? []).map(tenthOfADb)),
    },
  };

  /** Length of a cell, less the pauses between recordings in it. */
  function recordedOf(cell: number): number {
    const lengthUs = cellUs[cell] ?? MINUTE_US;
    const fromUs = (grid.fromMinute + cell * grid.minutesACell) * MINUTE_US;
    const pauses = parts.notRecorded.filter((one) => one.fromUs > window.fromUs && one.toUs < window.toUs);
    const missingUs = totalUs(intersect(pauses, [{ fromUs, toUs: fromUs + lengthUs }]));
    return missingUs < lengthUs ? lengthUs - missingUs : lengthUs;
  }
}

/** Airtime of one's own nodes or of strangers in each cell, Erlang; null for cells that begin before the evidence. */
function loads(
  channel: ChannelEvidence | undefined,
  parts: MapParts,
  ofStrangers: boolean,
): (number | null)[] {
  const { grid, cellUs, evidence } = parts;
  const cellLengthUs = grid.minutesACell * MINUTE_US;
  const gridFromUs = grid.fromMinute * MINUTE_US;
  const spentUs = Array<number>(grid.cells).fill(0);
  for (const { endUs, airtimeUs, stranger } of channel?.bursts ?? []) {
    if (stranger !== ofStrangers) continue;
    const startUs = endUs - airtimeUs;
    for (let cell = cellAt(startUs); cell <= cellAt(endUs - 1); cell++) {
      const cellFromUs = gridFromUs + cell * cellLengthUs;
      const inside = Math.min(endUs, cellFromUs + cellLengthUs) - Math.max(startUs, cellFromUs);
      if (cell >= 0 && cell < grid.cells) spentUs[cell] = (spentUs[cell] ?? 0) + Math.max(0, inside);
    }
  }
  return spentUs.map((us, cell) => {
    // The evidence of a whole window begins with the window, which may lie within the first cell.
    const isTold = evidence.whole || gridFromUs + cell * cellLengthUs >= evidence.stretch.fromUs;
    return isTold ? rounded(us / (cellUs[cell] ?? cellLengthUs), 5) : null;
  });

  function cellAt(atUs: number): number {
    return Math.floor((atUs - gridFromUs) / cellLengthUs);
  }
}

function tenthOfADb(dbm: number | null): number | null {
  return rounded(dbm, 1);
}

function set<T>(grid: T[][], row: number, cell: number, value: T): void {
  const line = grid[row];
  if (line !== undefined && cell >= 0 && cell < line.length) line[cell] = value;
}

// Airtime and busy time of each channel at each gateway over any window, exact to the microsecond: whole minutes
// from the roll-ups, the ragged ends from the receptions themselves.

export interface ChannelSum {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  receptions: number;
  crcBad: number;
  /** Sum, clipped to the window. */
  airtimeUs: number;
  /** Union, clipped to the window. */
  busyUs: number;
}

/** `gatewayIds`: only of these. */
export function sumChannels(store: Store, window: TimeRange, gatewayIds?: readonly number[]): ChannelSum[] {
  const sums = new Map<string, ChannelSum>();
  const sumOf = (gatewayId: number, frequencyHz: number): ChannelSum => {
    const key = `${gatewayId}/${frequencyHz}`;
    let sum = sums.get(key);
    if (sum === undefined) {
      sum = { gatewayId, frequencyHz, receptions: 0, crcBad: 0, airtimeUs: 0, busyUs: 0 };
      sums.set(key, sum);
    }
    return sum;
  };
  const firstWhole = Math.ceil(window.fromUs / MINUTE_US);
  const endWhole = Math.floor(window.toUs / MINUTE_US);
  if (firstWhole >= endWhole) {
    addEnd(store, window, sumOf);
  } else {
    const minutes = endWhole - firstWhole;
    for (const row of channelCells(store, firstWhole, endWhole, minutes, gatewayIds)) {
      const sum = sumOf(row.gatewayId, row.frequencyHz);
      sum.receptions += row.receptions;
      sum.crcBad += row.crcBad;
      sum.airtimeUs += row.airtimeUs;
      sum.busyUs += row.busyUs;
    }
    addEnd(store, { fromUs: window.fromUs, toUs: firstWhole * MINUTE_US }, sumOf);
    addEnd(store, { fromUs: endWhole * MINUTE_US, toUs: window.toUs }, sumOf);
  }
  if (gatewayIds === undefined) return [...sums.values()];
  const asked = new Set(gatewayIds);
  return [...sums.values()].filter(({ gatewayId }) => asked.has(gatewayId));
}

/** A stretch shorter than two minutes, summed from the receptions that were on the air in it. */
function addEnd(
  store: Store,
  stretch: TimeRange,
  sumOf: (gatewayId: number, frequencyHz: number) => ChannelSum,
): void {
  if (stretch.toUs <= stretch.fromUs) return;
  const unions = new Map<ChannelSum, IntervalUnion>();
  for (const { gatewayId, frequencyHz, atUs, airtimeUs, crc } of channelIntervals(store, stretch)) {
    const sum = sumOf(gatewayId, frequencyHz);
    const startUs = Math.max(stretch.fromUs, atUs - airtimeUs);
    const endUs = Math.min(stretch.toUs, atUs);
    sum.airtimeUs += Math.max(0, endUs - startUs);
    const union = unions.get(sum) ?? new IntervalUnion();
    unions.set(sum, union);
    sum.busyUs += union.add(startUs, endUs);
    // A packet counts where it ends.
    if (atUs >= stretch.toUs) continue;
    sum.receptions += 1;
    if (crc === 1) sum.crcBad += 1;
  }
}
