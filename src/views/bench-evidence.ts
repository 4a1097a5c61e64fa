/** What is known of one gateway, gathered for the checks of the bench list. */
import type { DownlinkTest } from "../diagnosis/bench/downlink.ts";
import type { KeepaliveEvidence, Rhythm } from "../diagnosis/bench/heartbeat.ts";
import type { BenchEvidence } from "../diagnosis/bench/judge.ts";
import { LIMITS } from "../diagnosis/bench/limits.ts";
import type { NoiseChannel } from "../diagnosis/bench/signal.ts";
import { counterLines } from "../ledger/counter-lines.ts";
import { isoTime, type TimeWindow } from "../model/window.ts";
import { noiseFloor } from "../radio/noise.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { median } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { answerDelaysUs, transmitOutcomes } from "../store/queries/bench-downlinks.ts";
import {
  datagramCounts,
  keepaliveTimesUs,
  type ReportRecord,
  refusedFromAddress,
  statusRecords,
} from "../store/queries/bench-heartbeat.ts";
import { counterTrail, newestLevels, packetCounts, weakPackets } from "../store/queries/bench-radio.ts";
import { type GatewayRecord, type RefusalRecord, refusals, restartsUs } from "../store/queries/gateways.ts";
import { planEvidence } from "./bench-plan.ts";
import { driftOfGateway } from "./counter-drift.ts";

export interface BenchGiven {
  /** Channel plans of the user's own. */
  readonly ownPlans?: readonly RegionPlan[];
  /** A downlink that was sent to test the way back. */
  readonly downlinkTest?: DownlinkTest | null;
}

/** `endUs`: up to when anything is known; silence counts up to there. */
export function benchEvidence(
  store: Store,
  gateway: GatewayRecord,
  window: TimeWindow,
  endUs: number,
  given: BenchGiven,
): BenchEvidence {
  const { id } = gateway;
  const counts = datagramCounts(store, id, window);
  const reports = statusRecords(store, id, window);
  const trail = counterLines(counterTrail(store, id, window));
  const restarts = restartsUs(store, id, window);
  const packets = packetCounts(store, id, window);
  const own = refusals(store).filter(
    ({ gatewayId, lastAtUs }) => gatewayId === id && lastAtUs >= window.fromUs,
  );
  const address = (gateway.pullSource ?? gateway.pushSource)?.split(" ")[0] ?? null;
  const foreign = address === null ? [] : refusedFromAddress(store, address, window);
  const plan = planEvidence(store, gateway, window, given.ownPlans ?? []);
  const followedSeconds = counts.firstUs === null ? 0 : (endUs - counts.firstUs) / 1e6;
  const account = accountOf(reports);
  const isTwo = trail.returns >= LIMITS.oneGateway.failReturns;
  return {
    eui: gateway.eui,
    keepalives: {
      ...keepalives(keepaliveTimesUs(store, id, window), endUs),
      count: counts.keepalives,
      followedSeconds,
      others: counts.datagrams - counts.keepalives,
    },
    status: {
      ...rhythm(
        reports.map(({ atUs }) => atUs),
        endUs,
      ),
      followedSeconds,
      sinceAnythingSeconds: counts.lastUs === null ? 0 : (endUs - counts.lastUs) / 1e6,
      odd: countOf(own, ["stat_repaired", "stat_odd"]),
    },
    protocol: {
      versions:
        counts.datagrams === 0
          ? []
          : [1, 2].filter((version) => (gateway.versions & (1 << (version - 1))) !== 0),
      foreignVersion: foreign.find(({ reason }) => reason === "version")?.count ?? 0,
    },
    oneGateway: trail,
    gatewayClock: {
      offsetsUs: reports.map(({ clockOffsetUs }) => clockOffsetUs),
      newestAtUs: reports.at(-1)?.atUs ?? null,
    },
    drift: isTwo ? null : driftOfGateway(store, id, window, restarts),
    restarts: {
      readings: trail.readings,
      restarts: restarts.map(isoTime),
      windowSeconds: followedSeconds,
    },
    ackPercents: account.ackPercents,
    counts: account.counts,
    intervals: account.intervals,
    crc: { ...account.counts, arrived: packets.all - packets.ghosts, arrivedBad: packets.crcBad },
    region: plan.region,
    channels: { ...plan.channels, quietSeconds: account.quietSeconds },
    levels: {
      packets: newestLevels(store, id, window).map(({ rssiTenths, snrTenths }) => ({
        rssiDbm: rssiTenths === null ? null : rssiTenths / 10,
        snrDb: snrTenths === null ? null : snrTenths / 10,
      })),
      ghosts: packets.ghosts,
      all: packets.all,
    },
    noise: noiseOf(store, id, window),
    order: { datagrams: counts.datagrams, duplicates: counts.duplicates, reordered: trail.reordered },
    refused: {
      datagrams: counts.datagrams,
      refused: [...own.filter(({ refused }) => refused === 1), ...foreign].map(({ reason, count }) => ({
        reason,
        count,
      })),
    },
    roundTrip: {
      pairsMs: answerDelaysUs(store, id, window).map((us) => us / 1000),
      ackPercent: mean(account.ackPercents.slice(1)),
    },
    downlinks: { ...outcomes(store, id, window), ...account.downlinks, test: given.downlinkTest ?? null },
  };
}

function rhythm(timesUs: readonly number[], endUs: number): Rhythm {
  const steps = timesUs.slice(1).map((atUs, i) => (atUs - (timesUs[i] ?? atUs)) / 1e6);
  const newest = timesUs.at(-1);
  return {
    count: timesUs.length,
    intervalSeconds: steps.length < 2 ? null : median(steps),
    sinceNewestSeconds: newest === undefined ? null : (endUs - newest) / 1e6,
  };
}

function keepalives(
  timesUs: readonly number[],
  endUs: number,
): Rhythm & Pick<KeepaliveEvidence, "lost" | "silences"> {
  const told = rhythm(timesUs, endUs);
  const every = told.intervalSeconds;
  let lost = 0;
  let silences = 0;
  if (every !== null && every > 0) {
    // Half an interval more: keepalives slip a little.
    const silentFrom = Math.max(
      LIMITS.keepalives.silentSeconds,
      (LIMITS.keepalives.silentIntervals + 0.5) * every,
    );
    for (const [i, atUs] of timesUs.entries()) {
      const step = i === 0 ? every : (atUs - (timesUs[i - 1] ?? atUs)) / 1e6;
      if (step > silentFrom) silences += 1;
      else lost += Math.max(0, Math.round(step / every) - 1);
    }
  }
  return { ...told, lost, silences };
}

/** What the status reports add up to. Stretches in which a report was lost are left out where it would mislead. */
function accountOf(reports: readonly ReportRecord[]) {
  const { intervalSeconds } = rhythm(
    reports.map(({ atUs }) => atUs),
    0,
  );
  const intervals = reports.flatMap((report, i) => {
    const before = reports[i - 1];
    if (before === undefined || report.arrived === null || report.rxForwarded === null) return [];
    const isNext = intervalSeconds !== null && report.atUs - before.atUs <= 1.5e6 * intervalSeconds;
    return isNext ? [{ forwarded: report.rxForwarded, arrived: report.arrived }] : [];
  });
  const lastHeard = reports.findLast(({ rxReceived }) => rxReceived !== null && rxReceived > 0);
  const quietFrom = lastHeard ?? reports[0];
  const newest = reports.at(-1);
  const countsAny = reports.some(({ rxReceived }) => rxReceived !== null);
  return {
    intervals,
    ackPercents: reports.map(({ ackTenths }) => (ackTenths === null ? null : ackTenths / 10)),
    counts: {
      reports: reports.length,
      received: sum(reports.map(({ rxReceived }) => rxReceived)),
      crcOk: sum(reports.map(({ rxCrcOk }) => rxCrcOk)),
      forwarded: sum(reports.map(({ rxForwarded }) => rxForwarded)),
      seconds: (intervalSeconds ?? 0) * reports.length,
    },
    downlinks: {
      asked: sum(reports.map(({ downlinkDatagrams }) => downlinkDatagrams)),
      emitted: sum(reports.map(({ txEmitted }) => txEmitted)),
    },
    quietSeconds:
      countsAny && newest !== undefined && quietFrom !== undefined ? (newest.atUs - quietFrom.atUs) / 1e6 : 0,
  };
}

function noiseOf(store: Store, gatewayId: number, window: TimeWindow): NoiseChannel[] {
  const groups = new Map<
    string,
    { frequencyHz: number; bandwidthHz: number; frames: { rssiDbm: number; snrDb: number }[] }
  >();
  for (const { frequencyHz, dataRate, rssiTenths, snrTenths } of weakPackets(store, gatewayId, window)) {
    const modulation = modulationFromCodes(dataRate, 0);
    if (modulation.kind !== "lora") continue;
    const { bandwidthHz } = modulation;
    const key = `${frequencyHz}/${bandwidthHz}`;
    const group = groups.get(key) ?? { frequencyHz, bandwidthHz, frames: [] };
    groups.set(key, group);
    group.frames.push({ rssiDbm: rssiTenths / 10, snrDb: snrTenths / 10 });
  }
  return [...groups.values()]
    .sort((a, b) => a.frequencyHz - b.frequencyHz)
    .map(({ frames, ...channel }) => ({ ...channel, floor: noiseFloor(frames) }));
}

function outcomes(store: Store, gatewayId: number, window: TimeWindow) {
  const records = transmitOutcomes(store, gatewayId, window);
  const accepted = records.filter(({ result }) => result.startsWith("accepted"));
  return {
    accepted: accepted.reduce((total, { count }) => total + count, 0),
    refused: records
      .filter(({ result }) => !result.startsWith("accepted"))
      .map(({ word, count }) => ({ word: word ?? "unreadable", count })),
  };
}

function countOf(records: readonly RefusalRecord[], reasons: readonly string[]): number {
  return records.reduce((total, { reason, count }) => total + (reasons.includes(reason) ? count : 0), 0);
}

function sum(values: readonly (number | null)[]): number | null {
  const known = values.filter((value) => value !== null);
  return known.length === 0 ? null : known.reduce((total, value) => total + value, 0);
}

function mean(values: readonly (number | null)[]): number | null {
  const known = values.filter((value) => value !== null);
  return known.length === 0 ? null : known.reduce((total, value) => total + value, 0) / known.length;
}
