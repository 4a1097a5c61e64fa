/** The gateways: heartbeat, reach, restarts, what was rejected, which plan they follow, how their counters run. */

import type { GatewayRow, GatewaysView, Heartbeat } from "../contract/index.ts";
import { judgeGateway } from "../diagnosis/status.ts";
import { groupBy } from "../model/group-by.ts";
import { rounded } from "../model/rounding.ts";
import { isoTime, MINUTE_US, minuteOf, type TimeRange, wholeHours } from "../model/time-range.ts";
import type { RegionRecognition } from "../radio/regions/recognise-region.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { heardHours } from "../store/hours/heard-hours.ts";
import type { Store } from "../store/open.ts";
import { placements } from "../store/placements.ts";
import { gatewayCounts, heartbeatCells } from "../store/queries/gateway-packets.ts";
import {
  type GatewayRecord,
  newestReport,
  type RefusalRecord,
  refusals,
  restartsUs,
} from "../store/queries/gateways.ts";
import { type LabelRecord, labels } from "../store/queries/lives.ts";
import type { RecordedTime } from "../store/recorded-time.ts";
import { driftOfGateway } from "./counter-drift.ts";
import type { EventContext } from "./gateway-backhaul.ts";
import { gatewayDownlinks } from "./gateway-downlinks.ts";
import { eventContext, gatewayEvents } from "./gateway-events.ts";
import { lookBack, type Reach, reachOf, shownGateways } from "./reachability.ts";

import { type AskedWindow, knownEndUs, recordedOf, rowsPart, shortestCell, windowView } from "./window.ts";
import { heardPlan, subBandSentences } from "./wrong-sub-band.ts";

/** Cells of a heartbeat line at most: wider ones stand for more minutes. */
const MAX_CELLS = 480;
/** First heard this long after the begin of the window, a gateway was not there throughout. Chosen: one cell of its line. */
const NEW_US = MINUTE_US;

/** Every gateway of the window, however many there are, worked out one at a time; what it contradicts is not shown. */
export function* gatewaysOfWindow(store: Store, window: AskedWindow): Generator<GatewayRow> {
  const { shown } = shownGateways(store, window, Number.MAX_SAFE_INTEGER);
  const context = gatewayContext(store, window, []);
  for (const gateway of shown) yield gatewayRow(store, gateway, window, context).row;
}

/** `ownPlans`: channel plans of the user's own, judged beside the regions. */
export function gatewaysView(
  store: Store,
  window: AskedWindow,
  ownPlans: readonly RegionPlan[] = [],
): GatewaysView {
  const { shown, more } = shownGateways(store, window);
  const context = gatewayContext(store, window, ownPlans);
  const gateways = shown.map((gateway) => gatewayRow(store, gateway, window, context));
  const sentences = subBandSentences(
    store,
    rowsPart(window),
    gateways.map(({ id, row, recognition }) => ({ ...row, id, name: row.name ?? row.eui, recognition })),
  );
  return {
    window: windowView(window),
    gateways: gateways.map(({ id, row }) => {
      const contradictions = [...(sentences.get(id) ?? []), ...row.region.contradictions];
      return { ...row, region: { ...row.region, contradictions } };
    }),
    moreGateways: more,
  };
}

/** What all rows of one answer share. */
interface GatewayContext {
  readonly endUs: number;
  readonly names: ReadonlyMap<string, LabelRecord>;
  readonly refused: ReadonlyMap<number, readonly RefusalRecord[]>;
  readonly ownPlans: readonly RegionPlan[];
  readonly recorded: RecordedTime;
  /** Of the part of the window whose rows are there; null: of none of it. */
  readonly events: EventContext | null;
}

function gatewayContext(store: Store, window: AskedWindow, ownPlans: readonly RegionPlan[]): GatewayContext {
  const endUs = knownEndUs(store, window);
  const rows = rowsPart(window);
  return {
    endUs,
    names: labels(store, "gateway"),
    refused: groupBy(refusals(store), ({ gatewayId }) => gatewayId),
    ownPlans,
    recorded: recordedOf(store, window),
    events: isEmpty(rows)
      ? null
      : eventContext(store, rows, endUs, placements(store), heardHours(store, window)),
  };
}

function gatewayRow(
  store: Store,
  gateway: GatewayRecord,
  window: AskedWindow,
  { endUs, names, refused, ownPlans, recorded, events: context }: GatewayContext,
): { readonly id: number; readonly row: GatewayRow; readonly recognition: RegionRecognition } {
  const reach = reachOf(store, gateway, window, endUs, recorded);
  const counts = gatewayCounts(store, gateway.id, window);
  const restarts = restartsUs(store, gateway.id, window);
  const drift = driftOfGateway(store, gateway.id, window, restarts);
  const rows = rowsPart(window);
  const report = isEmpty(rows) ? null : newestReport(store, gateway.id, rows);
  const { recognition } = heardPlan(store, gateway.id, window, ownPlans);
  const keepaliveSeconds = reach.keepaliveUs === null ? null : Math.round(reach.keepaliveUs / 1e5) / 10;
  const ackPercent = report === null || report.ackTenths === null ? null : report.ackTenths / 10;
  const heartbeat = heartbeatOf(store, gateway.id, window, reach.keepaliveUs);
  const own = refused.get(gateway.id) ?? [];
  const name = names.get(gateway.eui)?.name ?? null;
  const downlinks = isEmpty(rows) ? null : gatewayDownlinks(store, gateway.id, rows, recognition.name);
  const events = context === null ? [] : gatewayEvents(context, reach, name, downlinks);
  const row: GatewayRow = {
    eui: gateway.eui,
    name,
    ...siteOf(names.get(gateway.eui)),
    ...counts,
    rejected: countsOf(own.filter(({ refused: wasRefused }) => wasRefused === 1)),
    odd: countsOf(own.filter(({ refused: wasRefused }) => wasRefused === 0)),
    keepaliveSeconds,
    firstHeard: isoTime(gateway.firstAtUs),
    lastHeard: isoTime(gateway.lastAtUs),
    protocolVersions: [1, 2].filter((version) => (gateway.versions & (1 << (version - 1))) !== 0),
    region: regionRow(recognition),
    clockDriftPpm: rounded(drift.ppm, 2),
    clockDriftInterval95:
      drift.ppm === null || drift.lowPpm === null || drift.highPpm === null
        ? null
        : [rounded(drift.lowPpm, 2), rounded(drift.highPpm, 2)],
    restarts: restarts.length,
    restartTimes: restarts.map(isoTime),
    outages: reach.outages.map(({ fromUs, toUs }) => ({ from: isoTime(fromUs), to: isoTime(toUs) })),
    outagesKnown: reach.isJudged,
    notRecorded: reach.notRecorded.map(({ fromUs, toUs }) => ({ from: isoTime(fromUs), to: isoTime(toUs) })),
    events,
    pullSource: gateway.pullSource,
    ackPercent,
    temperatureC: report === null || report.temperatureTenths === null ? null : report.temperatureTenths / 10,
    ...judgeGateway({
      isOut: reach.isOut,
      silentForSeconds: reach.outForUs / 1e6,
      followedForSeconds: (endUs - Math.max(gateway.firstAtUs, lookBack(window).fromUs)) / 1e6,
      newForSeconds: gateway.firstAtUs > window.fromUs + NEW_US ? (endUs - gateway.firstAtUs) / 1e6 : null,
      outageSeconds: outageSeconds(reach, window),
      outages: reach.outages.length,
      restarts: restarts.length,
      datagrams: counts.datagrams,
      keepalives: heartbeat.keepalives.reduce((sum, n) => sum + n, 0),
      keepaliveSeconds,
      receptions: counts.receptions,
      crcBad: counts.crcBad,
      event: events.find(({ open }) => open) ?? events[0] ?? null,
    }),
    heartbeat,
    downlinks,
  };
  return { id: gateway.id, row, recognition };
}

function isEmpty({ fromUs, toUs }: TimeRange): boolean {
  return fromUs >= toUs;
}

/** The key is there only where a site is named. */
export function siteOf(label: LabelRecord | undefined): Pick<GatewayRow, "site"> {
  return label?.site == null ? {} : { site: label.site };
}

/** Seconds unreachable within the window. */
export function outageSeconds(reach: Reach, window: TimeRange): number {
  return reach.outages.reduce((sum, { fromUs, toUs }) => {
    return sum + Math.max(0, Math.min(toUs, window.toUs) - Math.max(fromUs, window.fromUs)) / 1e6;
  }, 0);
}

function countsOf(records: readonly RefusalRecord[]): Record<string, number> {
  return Object.fromEntries(records.map(({ reason, count }) => [reason, count]));
}

function regionRow({
  name,
  confidence,
  subBand,
  alternatives,
  contradictions,
  reason,
}: RegionRecognition): GatewayRow["region"] {
  return {
    name,
    confidence: rounded(confidence, 3),
    subBand,
    alternatives: alternatives.map((other) => ({
      name: other.name,
      confidence: rounded(other.confidence, 3),
    })),
    contradictions: [...contradictions],
    reason,
  };
}

function heartbeatOf(
  store: Store,
  gatewayId: number,
  window: AskedWindow,
  keepaliveUs: number | null,
): Heartbeat {
  const firstMinute = minuteOf(window.fromUs);
  const toMinute = minuteOf(window.toUs - 1) + 1;
  const minutesACell = wholeHours(
    Math.max(shortestCell(window), Math.ceil((toMinute - firstMinute) / MAX_CELLS)),
  );
  // Cells of hours begin at full hours, which are gathered; the first may reach a little beyond the window.
  const fromMinute = minutesACell <= 60 ? firstMinute : Math.floor(firstMinute / 60) * 60;
  const cells = Math.max(1, Math.ceil((toMinute - fromMinute) / minutesACell));
  const zeros = () => Array<number>(cells).fill(0);
  const line = {
    datagrams: zeros(),
    keepalives: zeros(),
    statusReports: zeros(),
    receptions: zeros(),
    crcBad: zeros(),
  };
  for (const row of heartbeatCells(store, gatewayId, fromMinute, toMinute, minutesACell)) {
    const { cell } = row;
    line.datagrams[cell] = row.datagrams;
    line.keepalives[cell] = row.keepalives;
    line.statusReports[cell] = row.statusReports;
    line.receptions[cell] = row.receptions;
    line.crcBad[cell] = row.crcBad;
  }
  const cellUs = minutesACell * MINUTE_US;
  return {
    cellSeconds: minutesACell * 60,
    from: isoTime(fromMinute * MINUTE_US),
    keepalivesExpected: keepaliveUs === null ? 0 : rounded(cellUs / keepaliveUs, 1),
    ...line,
  };
}
