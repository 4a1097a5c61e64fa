/**
 * Does a gateway's radio hear nothing while the gateway itself goes on? Keepalives and status reports come, the reports
 * count no packet at all (`rxnb` 0: none with a wrong CRC either), and senders that it hears regularly were due. Users
 * of the reference daemons know this of a concentrator that hangs; a restart of the daemon cures it (from memory).
 *
 * What else leaves such a silence: all senders are silent at once, or something drowns every channel. So it takes more
 * than one sender that was due, or another gateway that heard them.
 */

import type { CounterAcross } from "../../model/gap.ts";
import { subtract, type TimeRange, totalUs } from "../../model/time-range.ts";
import { wilsonInterval } from "../../statistics/proportions.ts";
import { median } from "../../statistics/robust.ts";

/** A sender that the gateway heard before the silence. */
export interface RegularSender {
  /** When it was heard here, in order of time; copies of one frame once. */
  readonly heardUs: readonly number[];
  /** Median margin over the demodulation floor, dB; null where unknown. */
  readonly marginDb: number | null;
}

export interface SilentRadio {
  /** No packet came in it, whatever its CRC: from the last one before to the first one after. */
  readonly silence: TimeRange;
  /** No packet has come since: the silence ends with what is known. */
  readonly isOpen: boolean;
  /** Status reports that came in it, in order of time. `received`: `rxnb`; null where a report does not count. */
  readonly reports: readonly { readonly atUs: number; readonly received: number | null }[];
  readonly senders: readonly RegularSender[];
  /** Times before it in which nothing that was sent could come: unreachable, or not recorded. */
  readonly unheard: readonly TimeRange[];
  /** Frames of these senders that other gateways heard in it; null: no other gateway hears them. */
  readonly heardElsewhere: number | null;
  /** Frames of these senders that were due there, by what those gateways heard before; null: not known. */
  readonly dueElsewhere: number | null;
  /** What the concentrator's counter did across it; null: no reading on both sides. */
  readonly counter: CounterAcross | null;
}

export interface DeafRadio extends TimeRange {
  readonly isOpen: boolean;
  /** Status reports in it that count no packet. */
  readonly reports: number;
  /** Senders that were due in it, and frames of theirs. */
  readonly sendersDue: number;
  readonly framesDue: number;
  readonly heardElsewhere: number | null;
  readonly counter: CounterAcross | null;
  /** 0 to 1: that it was the radio, not the senders or the air. */
  readonly confidence: number;
}

/** Reports without a packet that it takes. Chosen: one may be cut by luck; how many frames were due in them counts beside it. */
export const MIN_EMPTY_REPORTS = 2;
/** Frames of a sender from which its rhythm is known. Chosen. */
const MIN_HEARD = 5;
/** A sender is due when the silence is longer than so many of its median intervals, and than its longest one. Chosen. */
const MIN_INTERVALS = 2.5;
/** Frames due in all, and senders, from which nobody's silence explains the rest. Chosen. */
const MIN_FRAMES_DUE = 6;
const MIN_SENDERS_DUE = 2;
/** Frames that another gateway heard meanwhile, from which one sender is enough. Chosen. */
const MIN_HEARD_ELSEWHERE = 3;
/** Share of what was due at another gateway, below which that one heard next to nothing either. Chosen. */
const MIN_SHARE_ELSEWHERE = 0.3;
/** Newest intervals of a sender that are looked at. */
const MAX_INTERVALS = 60;

/** Log odds of the radio against senders and air: chosen, judged by `npm run evaluate`. */
const BASE = -1.2;
const A_SENDER = 0.45;
const MAX_SENDERS_COUNTED = 7;
const BY_ANOTHER = 3.5;
const SILENT_AT_ANOTHER = -3;
export const BY_COUNTER: Readonly<Record<CounterAcross, number>> = {
  "began-anew": 2,
  stood: 4,
  "ran-on": -4,
};
/** The strongest sender's margin at which it says nothing, and dB for one unit: what drowns all must be that strong. */
const USUAL_MARGIN_DB = 14;
const MARGIN_SCALE_DB = 6;
const MAX_BY_MARGIN = 1.5;
/** Models of the air are models. Chosen. */
const MAX_CONFIDENCE = 0.98;

/** Frames that other gateways must have been due to hear, for their silence to say anything. Chosen. */
const MIN_DUE_ELSEWHERE = 6;

/** Returns what the silence of other gateways says: nothing where little was due there. */
export function elsewhere(heard: number, due: number): Pick<SilentRadio, "heardElsewhere" | "dueElsewhere"> {
  return { heardElsewhere: heard === 0 && due < MIN_DUE_ELSEWHERE ? null : heard, dueElsewhere: due };
}

/** Returns what a silence of a radio was, or null where it is no sign of a deaf radio. */
export function deafRadio(given: SilentRadio): DeafRadio | null {
  const intervalUs = reportIntervalUs(given);
  if (intervalUs === null) return null;
  const silent = withoutEnds(given, intervalUs);
  if (silent === null) return null;
  const { silence, isOpen, heardElsewhere, dueElsewhere, counter } = silent;
  const counted = countedReports(silent, intervalUs);
  if (counted.length < MIN_EMPTY_REPORTS) return null;
  if (counted.some(({ received }) => received > 0)) return null;
  // Where reports are missing nobody knows what the radio heard.
  const lengthUs = Math.min(silence.toUs - silence.fromUs, (counted.length + 1) * intervalUs);
  const due = silent.senders.flatMap((sender) => dueIn(sender, silent, lengthUs) ?? []);
  const framesDue = due.reduce((sum, { frames }) => sum + frames, 0);
  const isWitnessed =
    heardElsewhere !== null &&
    heardElsewhere >= Math.max(MIN_HEARD_ELSEWHERE, MIN_SHARE_ELSEWHERE * (dueElsewhere ?? 0));
  if (due.length === 0) return null;
  if (!isWitnessed && (due.length < MIN_SENDERS_DUE || framesDue < MIN_FRAMES_DUE)) return null;
  const margins = due.flatMap(({ marginDb }) => (marginDb === null ? [] : [marginDb]));
  const byMargin =
    margins.length === 0
      ? 0
      : clamp((Math.max(...margins) - USUAL_MARGIN_DB) / MARGIN_SCALE_DB, MAX_BY_MARGIN);
  const odds =
    BASE +
    A_SENDER * Math.min(due.length, MAX_SENDERS_COUNTED) +
    byMargin +
    (heardElsewhere === null ? 0 : isWitnessed ? BY_ANOTHER : SILENT_AT_ANOTHER) +
    // A silence that goes on tells nothing by its end.
    (isOpen || counter === null ? 0 : BY_COUNTER[counter]);
  return {
    ...silence,
    isOpen,
    reports: counted.length,
    sendersDue: due.length,
    framesDue: Math.round(framesDue),
    heardElsewhere,
    counter: isOpen ? null : counter,
    confidence: Math.min(MAX_CONFIDENCE, 1 / (1 + Math.exp(-odds))),
  };
}

function reportIntervalUs({ reports }: SilentRadio): number | null {
  return median(reports.slice(1).map(({ atUs }, i) => atUs - (reports[i]?.atUs ?? atUs)));
}

/** Share of the time without a packet that no report counts one in, for the rest to be its ends. Chosen. */
const MIN_EMPTY_SHARE = 0.8;

/**
 * The same without its ends in which a report counts a packet that was not forwarded (a wrong CRC): the radio heard then.
 * null: reports count packets in the midst of it.
 */
function withoutEnds(silent: SilentRadio, intervalUs: number): SilentRadio | null {
  const { silence, isOpen } = silent;
  const heard = countedReports(silent, intervalUs).filter(({ received }) => received > 0);
  const ends = [
    { fromUs: silence.fromUs, toUs: silence.fromUs },
    ...heard.map(({ atUs }) => ({ fromUs: atUs - intervalUs, toUs: atUs })),
    { fromUs: silence.toUs, toUs: silence.toUs },
  ];
  const empty = ends.slice(1).map(({ fromUs }, i) => ({ fromUs: ends[i]?.toUs ?? fromUs, toUs: fromUs }));
  const longest = empty.reduce((a, b) => (b.toUs - b.fromUs > a.toUs - a.fromUs ? b : a));
  if (longest.toUs - longest.fromUs < MIN_EMPTY_SHARE * (silence.toUs - silence.fromUs)) return null;
  const isToEnd = longest.toUs === silence.toUs;
  return {
    ...silent,
    silence: longest,
    isOpen: isOpen && isToEnd,
    reports: silent.reports.filter(({ atUs }) => atUs > longest.fromUs && atUs <= longest.toUs),
  };
}

/** Reports that count packets, and whose interval lies in the silence. */
function countedReports(
  { silence, reports }: SilentRadio,
  intervalUs: number,
): { atUs: number; received: number }[] {
  return reports.flatMap(({ atUs, received }) =>
    // The first one still speaks of the packets before it.
    received === null || atUs < silence.fromUs + 0.98 * intervalUs ? [] : [{ atUs, received }],
  );
}

function dueIn(
  { heardUs, marginDb }: RegularSender,
  { silence: { fromUs }, unheard }: SilentRadio,
  lengthUs: number,
): { frames: number; marginDb: number | null } | null {
  const before = heardUs.filter((atUs) => atUs <= fromUs).slice(-MAX_INTERVALS);
  const last = before.at(-1);
  if (last === undefined || before.length < MIN_HEARD) return null;
  const steps = before
    .slice(1)
    .map((atUs, i) => heardTimeUs({ fromUs: before[i] ?? atUs, toUs: atUs }, unheard));
  const usualUs = median(steps) ?? 0;
  const longestUs = Math.max(...steps);
  // It fell silent by itself before.
  const sinceUs = heardTimeUs({ fromUs: last, toUs: fromUs }, unheard);
  if (usualUs <= 0 || sinceUs > Math.max(longestUs, MIN_INTERVALS * usualUs)) return null;
  const silentUs = lengthUs + sinceUs;
  if (silentUs <= Math.max(MIN_INTERVALS * usualUs, longestUs)) return null;
  const meanUs = steps.reduce((sum, step) => sum + step, 0) / steps.length;
  return { frames: lengthUs / Math.max(usualUs, meanUs), marginDb };
}

/** A step over a time in which nothing could be heard tells less of a sender's rhythm. */
function heardTimeUs(range: TimeRange, unheard: readonly TimeRange[]): number {
  return totalUs(subtract([range], unheard));
}

function clamp(value: number, most: number): number {
  return Math.max(-most, Math.min(most, value));
}

// When were datagrams lost between gateway and listener, some of them and not all? Keepalives come at a fixed interval:
// those that are missing between others were lost on the way. A time without any datagram is an outage, and no part
// of this.

/** Keepalives due and come in a stretch of equal length with others. */
export interface KeepaliveCell extends TimeRange {
  readonly due: number;
  readonly came: number;
}

export interface LossyTime extends TimeRange {
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
