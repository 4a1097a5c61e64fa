/**
 * When were datagrams lost between gateway and listener, some of them and not all? Keepalives come at a fixed interval:
 * those that are missing between others were lost on the way. A time without any datagram is an outage, and no part
 * of this.
 */
import type { TimeWindow } from "../../model/window.ts";
import { wilsonInterval } from "../../statistics/wilson.ts";

/** Keepalives due and come in a stretch of equal length with others. */
export interface KeepaliveCell extends TimeWindow {
  readonly due: number;
  readonly came: number;
}

export interface LossyTime extends TimeWindow {
  readonly due: number;
  readonly came: number;
  /** Share of the keepalives lost, with its 95 % interval. */
  readonly lostShare: number;
  readonly low: number;
  readonly high: number;
  /** Reaches to the newest cell. */
  readonly isOpen: boolean;
}

/** A cell is lossy when more than this is lost with 95 %. One percent is the limit of common practice; an interval is known to some percent. */
const MIN_CELL_LOSS = 0.03;
const MIN_LOSS = 0.01;
/** Keepalives due from which a time says something. Chosen. */
const MIN_DUE = 20;
/** Sound cells between two lossy ones that belong to them: luck spares some. Chosen. */
const MAX_SOUND_BETWEEN = 2;

/** Returns the times in which keepalives were lost, in order. Cells in order of time, without gaps. */
export function lossyTimes(cells: readonly KeepaliveCell[]): LossyTime[] {
  const isLossy = cells.map(({ due, came }) => lossOf(due, came).low > MIN_CELL_LOSS);
  const times: { first: number; last: number }[] = [];
  isLossy.forEach((lossy, i) => {
    if (!lossy) return;
    const open = times.at(-1);
    if (open !== undefined && i - open.last - 1 <= MAX_SOUND_BETWEEN) open.last = i;
    else times.push({ first: i, last: i });
  });
  return times.flatMap(({ first, last }) => {
    const own = cells.slice(first, last + 1);
    const [begin, end] = [own[0], own.at(-1)];
    if (begin === undefined || end === undefined) return [];
    const due = own.reduce((sum, cell) => sum + cell.due, 0);
    const came = own.reduce((sum, cell) => sum + Math.min(cell.came, cell.due), 0);
    const { ratio, low, high } = lossOf(due, came);
    if (due < MIN_DUE || low < MIN_LOSS) return [];
    const isOpen = last === cells.length - 1;
    return [{ fromUs: begin.fromUs, toUs: end.toUs, due, came, lostShare: ratio ?? 0, low, high, isOpen }];
  });
}

function lossOf(due: number, came: number) {
  return wilsonInterval(Math.max(0, due - came), due);
}
