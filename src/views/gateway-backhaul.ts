/**
 * What is lost between a gateway and here: datagrams on the way, acknowledgements that come too late? And the form that an
 * event of a gateway takes in the answer.
 */
import type { GatewayDownlinks, GatewayEvent } from "../contract/index.ts";
import { type KeepaliveCell, lossyTimes } from "../diagnosis/gateway-events/deaf-radio.ts";
import type { Senders } from "../diagnosis/gateway-events/level-step.ts";
import {
  backhaulText,
  type EventText,
  lateAcknowledgementText,
  type RoundTripFigures,
} from "../diagnosis/gateway-events/sentences.ts";
import { rounded } from "../model/rounding.ts";
import { isoTime, MINUTE_US, minuteOf, overlapUs, type TimeRange, wholeHours } from "../model/time-range.ts";
import { median } from "../statistics/robust.ts";
import type { Store } from "../store/open.ts";
import type { PlacementRecord } from "../store/placements.ts";
import { reportedAcknowledgements, reportsWithArrivals } from "../store/queries/gateway-events.ts";
import { heartbeatCells } from "../store/queries/gateway-packets.ts";
import type { GatewayRecord } from "../store/queries/gateways.ts";
import { certaintyOf, POSSIBLE_FROM } from "../words/causes.ts";

/** A cell of keepalives holds so many, and no less than ten minutes. Chosen. */
const KEEPALIVES_A_CELL = 60;
const MIN_CELL_MINUTES = 10;
const MAX_CELLS = 600;
/** The reference daemons wait this long for a PUSH_ACK unless set otherwise (push_timeout_ms). */
const PUSH_TIMEOUT_MS = 100;
/** Acknowledgements from which their lateness says something, and shares of late or missed ones that count. Chosen. */
const MIN_ANSWERS = 20;
const MIN_LATE_SHARE = 0.02;
const MIN_UNACKNOWLEDGED = 0.05;
const MIN_ACK_REPORTS = 5;
/** The newest reports of a time, from which packets and acknowledgements are counted: each costs a count of its own. */
const MAX_REPORTS = 480;

export interface EventContext {
  readonly store: Store;
  readonly window: TimeRange;
  /** What is known ends here. */
  readonly endUs: number;
  readonly placements: readonly PlacementRecord[];
  /** Of each gateway, row id. */
  readonly levels: ReadonlyMap<number, Senders>;
}

interface Figures extends TimeRange {
  readonly kind: GatewayEvent["kind"];
  readonly open: boolean;
  readonly confidence: number;
  readonly nodes: number;
  readonly sizeDb?: number;
  readonly sizeIntervalDb?: [number, number];
  readonly lossShare?: number;
}

export function eventOf({ fromUs, toUs, confidence, ...figures }: Figures, text: EventText): GatewayEvent[] {
  if (confidence < POSSIBLE_FROM) return [];
  const word = certaintyOf(figures.kind, confidence);
  return [
    {
      ...figures,
      from: isoTime(fromUs),
      to: isoTime(toUs),
      confidence: rounded(confidence, 3),
      word,
      ...text,
    },
  ];
}

function unacknowledgedOf(tenthsPercent: readonly (number | null)[]): number | null {
  const known = tenthsPercent.flatMap((one) => one ?? []);
  if (known.length < MIN_ACK_REPORTS) return null;
  return Math.max(0, 1 - known.reduce((sum, one) => sum + one, 0) / known.length / 1000);
}

export function backhaulEvents(
  { store, window, endUs }: EventContext,
  gateway: GatewayRecord,
  keepaliveUs: number | null,
  unknown: readonly TimeRange[],
  who: string,
  downlinks: GatewayDownlinks | null,
): GatewayEvent[] {
  if (keepaliveUs === null) return [];
  return lossyTimes(keepaliveCells(store, gateway, window, endUs, keepaliveUs, unknown)).flatMap((lossy) => {
    const counts = countsOf(store, gateway.id, lossy);
    const { fromUs, toUs, isOpen, lostShare } = lossy;
    return eventOf(
      {
        kind: "backhaul-loss",
        fromUs,
        toUs,
        open: isOpen,
        // Keepalives are counted; what remains is whether the gateway sent them.
        confidence: counts.missing !== null && counts.missing > 0 ? 0.98 : 0.92,
        nodes: 0,
        lossShare: rounded(lostShare, 3),
      },
      backhaulText(who, lossy, counts, roundTripOf(downlinks)),
    );
  });
}

/** Keepalives due and come, in cells from the window's begin to the newest moment known; outages are left out. */
function keepaliveCells(
  store: Store,
  { id, firstAtUs }: GatewayRecord,
  window: TimeRange,
  endUs: number,
  keepaliveUs: number,
  unknown: readonly TimeRange[],
): KeepaliveCell[] {
  const firstMinute = Math.max(minuteOf(window.fromUs - 1) + 1, minuteOf(firstAtUs) + 1);
  const toMinute = minuteOf(Math.min(window.toUs, endUs));
  const perCell = wholeHours(
    Math.max(
      MIN_CELL_MINUTES,
      Math.ceil((KEEPALIVES_A_CELL * keepaliveUs) / MINUTE_US),
      Math.ceil((toMinute - firstMinute) / MAX_CELLS),
    ),
  );
  // Cells of hours begin at full hours, which are gathered.
  const fromMinute = perCell <= 60 ? firstMinute : Math.ceil(firstMinute / 60) * 60;
  const cells = Math.floor((toMinute - fromMinute) / perCell);
  if (cells < 1) return [];
  const came = new Map(
    heartbeatCells(store, id, fromMinute, fromMinute + cells * perCell, perCell).map((one) => [
      one.cell,
      one.keepalives,
    ]),
  );
  return Array.from({ length: cells }, (_, i) => {
    const cell = {
      fromUs: (fromMinute + i * perCell) * MINUTE_US,
      toUs: (fromMinute + (i + 1) * perCell) * MINUTE_US,
    };
    const outs = unknown.map((out) => overlapUs(out, cell)).filter((us) => us > 0);
    const openUs = outs.reduce((left, us) => left - us, cell.toUs - cell.fromUs);
    // One less than fit, on each side of what is cut out: their phase is not known, and they slip a little.
    const due = Math.max(0, Math.floor(openUs / keepaliveUs) - 1 - outs.length);
    return { ...cell, due, came: Math.min(due, came.get(i) ?? 0) };
  });
}

function countsOf(store: Store, gatewayId: number, time: TimeRange) {
  const reports = reportsWithArrivals(store, gatewayId, time, MAX_REPORTS);
  const spacing = median(reports.slice(1).map(({ atUs }, i) => atUs - (reports[i]?.atUs ?? atUs)));
  let forwarded: number | null = null;
  let arrived = 0;
  for (const [i, report] of reports.entries()) {
    const before = reports[i - 1];
    // Where the report before was lost, what arrived belongs to more than one report.
    if (before === undefined || spacing === null || report.atUs - before.atUs > 1.5 * spacing) continue;
    if (report.forwarded === null || report.arrived === null) continue;
    forwarded = (forwarded ?? 0) + report.forwarded;
    arrived += report.arrived;
  }
  return {
    forwarded,
    missing: forwarded === null ? null : Math.max(0, forwarded - arrived),
    unacknowledged: unacknowledgedOf(reports.map(({ ackTenths }) => ackTenths)),
  };
}

function roundTripOf(downlinks: GatewayDownlinks | null): RoundTripFigures | null {
  const push = downlinks?.push;
  if (push === undefined || push.medianMs === null || push.p99Ms === null) return null;
  const isLate =
    push.answered >= MIN_ANSWERS &&
    push.p99Ms > PUSH_TIMEOUT_MS &&
    push.overPatience >= MIN_LATE_SHARE * push.answered;
  return isLate ? { medianMs: push.medianMs, p99Ms: push.p99Ms } : null;
}

/** Acknowledgements that the gateway does not wait for, though its datagrams arrive. */
export function lateAcknowledgements(
  { store, window, endUs }: EventContext,
  { id, firstAtUs }: GatewayRecord,
  who: string,
  downlinks: GatewayDownlinks | null,
): GatewayEvent[] {
  const time = {
    fromUs: Math.max(window.fromUs, firstAtUs),
    toUs: Math.min(window.toUs, endUs),
  };
  const figures = roundTripOf(downlinks);
  const unacknowledged = unacknowledgedOf(reportedAcknowledgements(store, id, time, MAX_REPORTS));
  if (figures === null && (unacknowledged === null || unacknowledged < MIN_UNACKNOWLEDGED)) return [];
  const confidence = figures === null ? 0.75 : 0.95;
  return eventOf(
    { kind: "late-acknowledgements", ...time, open: true, confidence, nodes: 0 },
    lateAcknowledgementText(who, figures, unacknowledged),
  );
}
