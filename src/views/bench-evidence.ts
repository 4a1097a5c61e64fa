/** What is known of one gateway, gathered for the checks of the bench list. */
import type { DownlinkTest } from "../diagnosis/bench/downlink.ts";
import type { BenchEvidence } from "../diagnosis/bench/judge.ts";
import { LIMITS } from "../diagnosis/bench/limits.ts";
import type { ServerTrip } from "../diagnosis/bench/packet-counts.ts";
import type { OverheardEvidence } from "../diagnosis/bench/radio.ts";
import { counterLines, counterStandstill } from "../ledger/concentrator-time.ts";
import { ASKED_IN_LINE } from "../ledger/downlink-timing.ts";
import { describeModulation } from "../model/modulation.ts";
import { isoTime, type TimeRange, totalUs } from "../model/time-range.ts";
import type { PlanChoice } from "../radio/regions/plan-choice.ts";
import type { HeardChannel } from "../radio/regions/recognise-region.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import type { Store } from "../store/open.ts";
import {
  answerDelaysUs,
  copyCounts,
  datagramCounts,
  keepaliveTimesUs,
  type Newest,
  refusedDownlinks,
  refusedFromAddress,
  statusRecords,
  transmitOutcomes,
} from "../store/queries/bench.ts";
import { type BenchPacket, newestPackets, nodesHeard, packetCounts } from "../store/queries/bench-radio.ts";
import { roundTrips } from "../store/queries/downlinks.ts";
import { type GatewayRecord, type RefusalRecord, refusals, restartsUs } from "../store/queries/gateways.ts";
import { countsOf, heartbeatOf, radioOf } from "./bench-heartbeat.ts";
import { noiseAbove, noiseOf, planEvidence } from "./bench-plan.ts";
import { driftOfGateway } from "./counter-drift.ts";
import { roundTripOf } from "./gateway-downlinks.ts";
import { type AskedWindow, recordedOf } from "./window.ts";

export interface BenchGiven {
  /** Channel plans of the user's own. */
  readonly ownPlans?: readonly RegionPlan[];
  /** The plan that the user named; left out or null: the one that is recognised. */
  readonly expected?: PlanChoice | null;
  /** A downlink that was sent to test the downlink path. */
  readonly downlinkTest?: DownlinkTest | null;
}

/** `endUs`: up to when anything is known; silence counts up to there. */
export function benchEvidence(
  store: Store,
  gateway: GatewayRecord,
  window: AskedWindow,
  endUs: number,
  given: BenchGiven,
): BenchEvidence {
  const { id } = gateway;
  const expected = given.expected ?? null;
  const counts = datagramCounts(store, id, window);
  const recorded = recordedOf(store, window);
  const span = { fromUs: window.fromUs, toUs: Math.max(endUs, window.fromUs) };
  // A store from before these ranges were kept has none: then all of it counts as recorded.
  const isKnown = recorded.ranges(span, [id]).length > 0;
  const unrecorded = isKnown ? recorded.missing(span, [id]) : [];
  const keepalives = keepaliveTimesUs(store, id, window);
  const reports = statusRecords(store, id, window);
  const newest = newestPackets(store, id, window);
  const { sinceUs } = newest;
  const trail = trailOf(newest.rows);
  // Each packet once: ghosts too, since the gateway counts them as forwarded.
  const arrivals = {
    rows: newest.rows.flatMap(({ atUs, isFurther }) => (isFurther ? [] : [atUs])).reverse(),
    sinceUs,
  };
  const lines = counterLines(trail);
  const isTwo = lines.returns >= LIMITS.oneGateway.failReturns;
  const restarts = restartsUs(store, id, window);
  const packets = packetCounts(store, id, window);
  const levels = newest.rows.filter(({ crc, isGhost }) => crc === 0 && !isGhost);
  const own = refusals(store).filter(
    ({ gatewayId, lastAtUs }) => gatewayId === id && lastAtUs >= window.fromUs,
  );
  const address = (gateway.pullSource ?? gateway.pushSource)?.split(" ")[0] ?? null;
  const foreign = address === null ? [] : refusedFromAddress(store, address, window);
  const plan = planEvidence(store, gateway, window, { ownPlans: given.ownPlans ?? [], expected });
  const heartbeat = heartbeatOf({
    keepalives: keepalives.rows,
    reports: reports.rows,
    counts,
    endUs,
    unrecorded,
  });
  const account = countsOf(reports.rows, arrivals, unrecorded);
  const radio = radioOf(store, id, window, {
    reports: reports.rows,
    arrivals: arrivals.rows,
    keepalives: keepalives.rows,
    counts,
    endUs,
    unrecorded,
  });
  const noise = noiseOf(levels);
  const trip = serverTrip(store, id, window);
  const seconds = heartbeat.followedSeconds;
  return {
    eui: gateway.eui,
    keepalives: {
      ...heartbeat.keepalives,
      followedSeconds: seconds,
      others: counts.datagrams - counts.keepalives,
      lastHeardSeconds: Math.max(0, (span.toUs - gateway.lastAtUs) / 1e6),
      recordedSeconds: totalUs(recorded.ranges(span)) / 1e6,
    },
    status: {
      ...heartbeat.status,
      followedSeconds: seconds,
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
    oneGateway: { ...lines, seconds },
    gatewayClock: {
      offsetsUs: reports.rows.map(({ clockOffsetUs }) => clockOffsetUs),
      newestAtUs: reports.rows.at(-1)?.atUs ?? null,
    },
    drift: isTwo ? null : driftOfGateway(store, id, window, restarts),
    standstill: counterStandstill(trail),
    packetTime: {
      packets: packets.all,
      dated: trail.flatMap(({ timeOffsetUs, ...reading }) =>
        timeOffsetUs === null ? [] : [{ ...reading, timeOffsetUs }],
      ),
    },
    restarts: {
      readings: lines.readings,
      restarts: restarts.map(isoTime),
      windowSeconds: seconds,
      isTwoBoards: isTwo,
    },
    acknowledged: {
      ackPercents: account.ackPercents,
      trip,
      nothingLost:
        heartbeat.keepalives.lost + heartbeat.keepalives.silences > 0 ? false : account.nothingLost,
    },
    radio: { ...radio, expectedPlan: expected?.name ?? null },
    dataRates: {
      heard: dataRatesOf(plan.heard),
      channels: plan.channels.heard.length,
      nodes: nodesHeard(store, id, window),
      seconds,
    },
    overheard: overheardOf(newest.rows),
    counts: account.counts,
    arrived: account.arrived,
    crc: { ...account.counts, arrived: packets.all - packets.ghosts, arrivedBad: packets.crcBad },
    region: { ...plan.region, seconds },
    channels: { ...plan.channels, noise: noiseAbove(noise), seconds },
    levels: {
      packets: levels.map(({ rssiTenths, snrTenths }) => ({
        rssiDbm: rssiTenths === null ? null : rssiTenths / 10,
        snrDb: snrTenths === null ? null : snrTenths / 10,
      })),
      ghosts: packets.ghosts,
      all: packets.all,
    },
    noise,
    order: {
      ...copyCounts(store, id, { fromUs: sinceUs ?? window.fromUs, toUs: window.toUs }),
      reordered: lines.reordered,
    },
    refused: {
      datagrams: counts.datagrams,
      refused: [...own.filter(({ refused }) => refused === 1), ...foreign].map(({ reason, count }) => ({
        reason,
        count,
      })),
    },
    roundTrip: {
      pairsMs: answerDelaysUs(store, id, window).map((us) => us / 1000),
      trip,
      ackPercent: mean(account.ackPercents.slice(1)),
    },
    downlinks: {
      ...outcomes(store, id, window),
      ...account.downlinks,
      refusedHere: refusedDownlinks(store, id, window).map(({ word, leadUs, window: answers }) => ({
        word,
        leadMs: leadUs === null ? null : leadUs / 1000,
        answersUplink: answers !== "none",
      })),
      test: given.downlinkTest ?? null,
    },
    since: {
      ...partOf(keepalives, ["keepalives"]),
      ...partOf(reports, ["status-reports", "acknowledged", "forwarded"]),
      ...partOf(newest, OF_NEWEST),
    },
  };
}

/** Checks that rest on packets read one by one. */
const OF_NEWEST = [
  "arrived",
  "one-gateway",
  "packet-time",
  "datagram-order",
  "overheard-downlinks",
  "overload",
  "levels",
  "noise",
];

/** Counter, arrival and own time of packets, each once, in the order in which they came. */
function trailOf(packets: readonly BenchPacket[]) {
  return packets
    .flatMap(({ atUs, arrivedUs, tmstUs, timeOffsetUs, isGhost, isFurther }) =>
      tmstUs === null || isGhost || isFurther ? [] : [{ atUs, arrivedUs, tmstUs, timeOffsetUs }],
    )
    .sort((a, b) => a.arrivedUs - b.arrivedUs || a.tmstUs - b.tmstUs);
}

/** Which checks rest on the newest part only, and since when. */
function partOf({ sinceUs }: Newest<unknown>, ids: readonly string[]): Record<string, string> {
  return sinceUs === null ? {} : Object.fromEntries(ids.map((id) => [id, isoTime(sinceUs)]));
}

const PUSH = 0;

function serverTrip(store: Store, gatewayId: number, window: TimeRange): ServerTrip | null {
  const trips = roundTrips(store, gatewayId, window);
  const { asked, lostRatio, medianMs, p99Ms } = roundTripOf(trips, PUSH);
  if (medianMs === null || p99Ms === null) return null;
  const source = trips.some((one) => one.class === ASKED_IN_LINE) ? "relay" : "capture";
  return { source, medianMs, p99Ms, lostShare: lostRatio ?? 0, asked };
}

function dataRatesOf(heard: readonly HeardChannel[]): { dataRate: string; count: number }[] {
  const counts = new Map<string, number>();
  for (const { modulation, count } of heard) {
    const name = describeModulation(modulation);
    counts.set(name, (counts.get(name) ?? 0) + count);
  }
  return [...counts]
    .map(([dataRate, count]) => ({ dataRate, count }))
    .sort((a, b) => b.count - a.count || a.dataRate.localeCompare(b.dataRate));
}

/** Downlinks of any CRC but a wrong one. */
function overheardOf(packets: readonly BenchPacket[]): OverheardEvidence {
  const right = packets.filter(({ crc, isGhost, isFurther }) => crc !== 1 && !isGhost && !isFurther);
  const downlinks = right.filter(({ isDownlink }) => isDownlink);
  return {
    packets: right.length,
    downlinks: downlinks.length,
    withCrc: downlinks.filter(({ crc }) => crc === 0).length,
  };
}

function outcomes(store: Store, gatewayId: number, window: TimeRange) {
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

function mean(values: readonly (number | null)[]): number | null {
  const known = values.filter((value) => value !== null);
  return known.length === 0 ? null : known.reduce((total, value) => total + value, 0) / known.length;
}
