/** What a gateway's keepalives and status reports add up to: rhythm, what is missing, what it counts, when it was deaf. */

import type { KeepaliveEvidence, Rhythm, StatusEvidence } from "../diagnosis/bench/heartbeat.ts";
import { LIMITS } from "../diagnosis/bench/limits.ts";
import type { ArrivedEvidence, CountEvidence } from "../diagnosis/bench/packet-counts.ts";
import type { RadioEvidence } from "../diagnosis/bench/radio.ts";
import { outageLimitUs, outagesInSilence } from "../ledger/gaps/intervals.ts";
import { subtract, type TimeRange } from "../model/time-range.ts";
import { median } from "../statistics/robust.ts";
import type { Store } from "../store/open.ts";
import type { DatagramCounts, Newest, ReportRecord } from "../store/queries/bench.ts";
import { heardByOthers, nodesHeard } from "../store/queries/bench-radio.ts";

export interface HeartbeatGiven {
  readonly keepalives: readonly number[];
  readonly reports: readonly ReportRecord[];
  readonly counts: DatagramCounts;
  /** Up to when anything is known. */
  readonly endUs: number;
  /** When nobody recorded this gateway: no silence and no loss follows from it. */
  readonly unrecorded: readonly TimeRange[];
}

export interface Heartbeat {
  readonly keepalives: Rhythm & Pick<KeepaliveEvidence, "lost" | "silences" | "outageSeconds">;
  readonly status: Rhythm & Pick<StatusEvidence, "missing">;
  /** Since the first datagram of the window. */
  readonly followedSeconds: number;
}

/** Rhythm of keepalives and reports over all of what was read, with what is missing between them. */
export function heartbeatOf({ keepalives, reports, counts, endUs, unrecorded }: HeartbeatGiven): Heartbeat {
  const silences = silencesOf(keepalives, unrecorded);
  const isCut = (fromUs: number, toUs: number) =>
    [...silences, ...unrecorded].some((range) => range.fromUs < toUs && range.toUs > fromUs);
  const rhythm = rhythmOf(keepalives, endUs);
  const times = reports.map(({ atUs }) => atUs);
  const reportRhythm = rhythmOf(times, endUs);
  return {
    keepalives: {
      ...rhythm,
      lost: lostBetween(keepalives, rhythm.intervalSeconds, isCut),
      silences: silences.length,
      outageSeconds: (outageLimitUs((rhythm.intervalSeconds ?? 0) * 1e6) ?? 0) / 1e6,
    },
    status: { ...reportRhythm, missing: lostBetween(times, reportRhythm.intervalSeconds, isCut) },
    followedSeconds: counts.firstUs === null ? 0 : (endUs - counts.firstUs) / 1e6,
  };
}

function rhythmOf(timesUs: readonly number[], endUs: number): Rhythm {
  const steps = timesUs.slice(1).map((atUs, i) => (atUs - (timesUs[i] ?? atUs)) / 1e6);
  const newest = timesUs.at(-1);
  return {
    count: timesUs.length,
    intervalSeconds: steps.length < 2 ? null : median(steps),
    sinceNewestSeconds: newest === undefined ? null : (endUs - newest) / 1e6,
  };
}

/** Recorded silences between keepalives that are as long as an outage (src/ledger/gaps/intervals.ts). */
function silencesOf(timesUs: readonly number[], unrecorded: readonly TimeRange[]): TimeRange[] {
  const every = rhythmOf(timesUs, 0).intervalSeconds;
  if (every === null || every <= 0) return [];
  const limitUs = outageLimitUs(every * 1e6);
  return timesUs.slice(1).flatMap((toUs, i) => {
    const fromUs = timesUs[i] ?? toUs;
    if (limitUs === null || toUs - fromUs <= limitUs) return [];
    return outagesInSilence(subtract([{ fromUs, toUs }], unrecorded), limitUs);
  });
}

/** Beyond so many intervals one is missing between two. */
const NEXT_ONE = 1.5;

/** What is missing between datagrams that come by the clock. A silence, or time that nobody recorded, explains the rest. */
function lostBetween(
  timesUs: readonly number[],
  every: number | null,
  isCut: (fromUs: number, toUs: number) => boolean,
): number {
  if (every === null || every <= 0) return 0;
  return timesUs.slice(1).reduce((lost, toUs, i) => {
    const fromUs = timesUs[i] ?? toUs;
    const step = (toUs - fromUs) / 1e6;
    if (step <= NEXT_ONE * every || isCut(fromUs, toUs)) return lost;
    return lost + Math.max(0, Math.round(step / every) - 1);
  }, 0);
}

export interface OwnCounts {
  readonly ackPercents: readonly (number | null)[];
  readonly counts: CountEvidence;
  readonly arrived: ArrivedEvidence;
  readonly downlinks: { readonly asked: number | null; readonly emitted: number | null };
  /** Whether all forwarded packets arrived; null: too little to tell. */
  readonly nothingLost: boolean | null;
}

/** What the reports count, held against the packets that arrived. Each packet is counted in one interval. */
export function countsOf(
  reports: readonly ReportRecord[],
  arrivals: Newest<number>,
  unrecorded: readonly TimeRange[],
): OwnCounts {
  const { intervalSeconds } = rhythmOf(
    reports.map(({ atUs }) => atUs),
    0,
  );
  const arrived = arrivedOf(reports, arrivals, intervalSeconds, unrecorded);
  const forwarded = arrived.runs.reduce((total, run) => total + run.forwarded, 0);
  const came = arrived.runs.reduce((total, run) => total + run.arrived, 0);
  return {
    ackPercents: reports.map(({ ackTenths }) => (ackTenths === null ? null : ackTenths / 10)),
    counts: {
      reports: reports.length,
      received: sum(reports.map(({ rxReceived }) => rxReceived)),
      crcOk: sum(reports.map(({ rxCrcOk }) => rxCrcOk)),
      forwarded: sum(reports.map(({ rxForwarded }) => rxForwarded)),
      seconds: (intervalSeconds ?? 0) * reports.length,
    },
    arrived,
    downlinks: {
      asked: sum(reports.map(({ downlinkDatagrams }) => downlinkDatagrams)),
      emitted: sum(reports.map(({ txEmitted }) => txEmitted)),
    },
    nothingLost: arrived.runs.length === 0 ? null : came >= forwarded - LIMITS.arrived.edgePackets,
  };
}

function arrivedOf(
  reports: readonly ReportRecord[],
  { rows: times, sinceUs }: Newest<number>,
  every: number | null,
  unrecorded: readonly TimeRange[],
): ArrivedEvidence {
  const runs: { intervals: number; forwarded: number; arrived: number }[] = [];
  let uncompared = 0;
  let isRunning = false;
  let next = 0;
  for (const [i, report] of reports.entries()) {
    const before = reports[i - 1];
    let arrived = 0;
    while (next < times.length && (times[next] ?? 0) <= report.atUs) {
      if (before !== undefined && (times[next] ?? 0) > before.atUs) arrived += 1;
      next += 1;
    }
    if (before === undefined || report.rxForwarded === null || every === null) {
      isRunning = false;
      continue;
    }
    if (sinceUs !== null && before.atUs < sinceUs) continue;
    const step = (report.atUs - before.atUs) / 1e6;
    const isUnrecorded = unrecorded.some((range) => range.fromUs < report.atUs && range.toUs > before.atUs);
    if (step > NEXT_ONE * every || isUnrecorded) {
      if (!isUnrecorded) uncompared += Math.round(step / every);
      isRunning = false;
      continue;
    }
    const run = isRunning ? runs.at(-1) : undefined;
    if (run === undefined) runs.push({ intervals: 1, forwarded: report.rxForwarded, arrived });
    else {
      run.intervals += 1;
      run.forwarded += report.rxForwarded;
      run.arrived += arrived;
    }
    isRunning = true;
  }
  return { runs, uncompared };
}

export interface RadioGiven extends HeartbeatGiven {
  /** When packets arrived, oldest first. */
  readonly arrivals: readonly number[];
}

/** For how long the gateway has brought no packet while it went on sending, and what was to be expected meanwhile. */
export function radioOf(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  { reports, arrivals, keepalives, counts, endUs, unrecorded }: RadioGiven,
): Omit<RadioEvidence, "expectedPlan"> {
  const counting = reports.filter(({ rxReceived }) => rxReceived !== null);
  const byReports = counting.length > 0;
  const firstUs = counts.firstUs ?? endUs;
  // Only while it sends is it deaf; after its newest datagram it may be unreachable instead.
  const heardOfUs = Math.min(endUs, counts.lastUs ?? endUs);
  const lastPacketUs = Math.max(
    arrivals.at(-1) ?? firstUs,
    lastCountedUs(counting, arrivals) ?? firstUs,
    firstUs,
  );
  const cuts = [...silencesOf(keepalives, unrecorded), ...unrecorded].map(({ toUs }) => toUs);
  const quietFromUs = Math.max(lastPacketUs, ...cuts.filter((toUs) => toUs <= heardOfUs));
  const counted = sum(counting.map(({ rxReceived }) => rxReceived)) ?? 0;
  const quietSeconds = Math.max(0, (heardOfUs - quietFromUs) / 1e6);
  const before = { fromUs: window.fromUs, toUs: lastPacketUs + 1 };
  const isQuiet = quietSeconds > 0 && arrivals.length > 0;
  return {
    // After a start packets arrive before the first report counts them.
    packets: Math.max(counted, arrivals.length),
    byReports,
    quietSeconds,
    heardSeconds: (lastPacketUs - firstUs) / 1e6,
    nodes: isQuiet ? nodesHeard(store, gatewayId, before) : 0,
    heardByOthers: isQuiet ? heardByOthers(store, gatewayId, window, quietFromUs) : null,
  };
}

/**
 * The newest report that counts packets which did not arrive, such as those with a wrong CRC: they came up to then. null:
 * all that the newest counting report counts arrived, and arrival dates it better.
 */
function lastCountedUs(counting: readonly ReportRecord[], arrivals: readonly number[]): number | null {
  const at = counting.findLastIndex(({ rxReceived }) => (rxReceived ?? 0) > 0);
  const report = counting[at];
  if (report === undefined) return null;
  const fromUs = counting[at - 1]?.atUs ?? Number.NEGATIVE_INFINITY;
  const came = arrivals.filter((atUs) => atUs > fromUs && atUs <= report.atUs).length;
  return (report.rxReceived ?? 0) > came ? report.atUs : null;
}

function sum(values: readonly (number | null)[]): number | null {
  const known = values.filter((value) => value !== null);
  return known.length === 0 ? null : known.reduce((total, value) => total + value, 0);
}
