/**
 * What happened to each gateway as a whole: a radio that heard nothing, levels that stepped for all nodes, datagrams lost
 * on the way, acknowledgements that came too late? Worked out from roll-ups and a bounded sample of receptions when it is
 * asked for: nothing is stored, so that the answer depends on what is stored alone.
 */

import type { GatewayDownlinks, GatewayEvent } from "../contract/index.ts";
import {
  deafRadio,
  elsewhere,
  type KeepaliveCell,
  lossyTimes,
} from "../diagnosis/gateway-events/deaf-radio.ts";
import {
  type CommonStep,
  type Senders,
  sendersOf,
  stepsOfSenders,
  weakenedTimes,
} from "../diagnosis/gateway-events/level-step.ts";
import {
  backhaulText,
  deafText,
  type EventText,
  lateAcknowledgementText,
  type RoundTripFigures,
  strengthenedText,
  weakenedText,
} from "../diagnosis/gateway-events/sentences.ts";
import { groupBy } from "../model/group-by.ts";
import { rounded } from "../model/rounding.ts";
import { isoTime, MINUTE_US, minuteOf, type TimeRange, unite, wholeHours } from "../model/time-range.ts";
import { counterAcross } from "../radio/clock.ts";
import { linkMarginDb } from "../radio/margin.ts";
import { signalPowerDbm } from "../radio/noise.ts";
import { median } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import type { PlacementRecord } from "../store/placements.ts";
import {
  type FrameHeard,
  framesHeard,
  levelsIn,
  minutesWithPackets,
  packetAtEdge,
  reportedAcknowledgements,
  reportsIn,
  reportsWithArrivals,
} from "../store/queries/gateway-events.ts";
import { type GatewayRecord, heartbeatCells } from "../store/queries/gateways.ts";
import { certaintyOf, POSSIBLE_FROM } from "../words/causes.ts";
import type { Reach } from "./reachability.ts";

/** A silence may have begun, and a level have stepped, so long before the window: what a window says rests on no more. */
const BEFORE_SILENCE_US = 24 * 3600e6;
const BEFORE_STEP_US = 6 * 3600e6;
/** The longest silences of a gateway that are looked at, and from which length on. Chosen. */
const MAX_SILENCES = 8;
const MIN_SILENCE_MINUTES = 3;
/** Frames before a silence from which its senders are known. */
const MAX_FRAMES = 3_000;
const SENDERS_FROM_US = 24 * 3600e6;
/** Levels are sampled: so many of each part of the time, over all gateways. */
const LEVEL_SLOTS = 200;
const MAX_LEVELS_A_SLOT = 100;
/** A cell of keepalives holds so many, and no less than ten minutes. Chosen. */
const KEEPALIVES_A_CELL = 60;
const MIN_CELL_MINUTES = 10;
const MAX_CELLS = 600;
/** A placement that begins within this of a step is named beside it. Chosen: people enter it some minutes before or after. */
const PLACEMENT_SLACK_US = 15 * 60e6;
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

/** Reads once for all gateways what their level steps rest on. */
export function eventContext(
  store: Store,
  window: TimeRange,
  endUs: number,
  placements: readonly PlacementRecord[],
): EventContext {
  const toUs = Math.min(window.toUs, endUs + 1);
  const fromUs = window.fromUs - BEFORE_STEP_US;
  const points = levelsIn(store, { fromUs, toUs }, LEVEL_SLOTS, MAX_LEVELS_A_SLOT).flatMap((one) => {
    const snrDb = one.snrTenths === null ? null : one.snrTenths / 10;
    const rssiDbm = one.rssiTenths / 10;
    const source = snrDb === null ? "channel-rssi" : "esp";
    const powerDbm = signalPowerDbm({ rssiDbm, signalRssiDbm: null, snrDb }, source);
    if (powerDbm === null) return [];
    const { gatewayId, atUs, lifeId } = one;
    return [{ gatewayId, tUs: atUs, sender: lifeId, powerDbm, snrDb, marginDb: marginOf(one) }];
  });
  const levels = [...groupBy(points, ({ gatewayId }) => gatewayId)];
  return {
    store,
    window,
    endUs,
    placements,
    levels: new Map(levels.map(([id, own]) => [id, sendersOf(own)])),
  };
}

function marginOf({ snrTenths, dataRate }: { snrTenths: number | null; dataRate: number }): number | null {
  const modulation = modulationFromCodes(dataRate, 0);
  return modulation.kind === "lora" && snrTenths !== null
    ? linkMarginDb(snrTenths / 10, modulation.spreadingFactor)
    : null;
}

/** Returns the events of a gateway that touch the window, newest first. */
export function gatewayEvents(
  context: EventContext,
  { gateway, keepaliveUs, outages, notRecorded, lastUs }: Reach,
  name: string | null,
  downlinks: GatewayDownlinks | null,
): GatewayEvent[] {
  const who = name ?? `Gateway ${gateway.eui}`;
  // Of a time that nobody recorded, and of one in which nothing came, nothing can be known.
  const unknown = unite([...outages, ...notRecorded]);
  const lossy = backhaulEvents(context, gateway, keepaliveUs, unknown, who, downlinks);
  return [
    ...deafEvents(context, gateway, unknown, lastUs, who),
    ...levelEvents(context, gateway, who),
    ...lossy,
    ...(lossy.length === 0 ? lateAcknowledgements(context, gateway, who, downlinks) : []),
  ].sort((a, b) => b.from.localeCompare(a.from) || a.kind.localeCompare(b.kind));
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

function eventOf({ fromUs, toUs, confidence, ...figures }: Figures, text: EventText): GatewayEvent[] {
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

function deafEvents(
  { store, window, endUs }: EventContext,
  { id }: GatewayRecord,
  unknown: readonly TimeRange[],
  lastUs: number | null,
  who: string,
): GatewayEvent[] {
  // While nothing at all arrives nobody knows what the radio hears.
  const knownUs = Math.min(window.toUs, endUs, lastUs ?? endUs);
  const minutes = minutesWithPackets(
    store,
    id,
    minuteOf(window.fromUs - BEFORE_SILENCE_US),
    minuteOf(knownUs) + 1,
  );
  const silences: { minute: number; next: number | null; minutes: number }[] = [];
  for (const [i, minute] of minutes.entries()) {
    const next = minutes[i + 1] ?? null;
    const long = (next ?? minuteOf(knownUs)) - minute;
    if (long > MIN_SILENCE_MINUTES && (minute + long) * MINUTE_US >= window.fromUs)
      silences.push({ minute, next, minutes: long });
  }
  return silences
    .sort((a, b) => b.minutes - a.minutes || a.minute - b.minute)
    .slice(0, MAX_SILENCES)
    .flatMap(({ minute, next }) => {
      const last = packetAtEdge(store, id, minute, "last");
      const first = next === null ? null : packetAtEdge(store, id, next, "first");
      if (last === null) return [];
      const silence = { fromUs: last.atUs, toUs: first?.atUs ?? knownUs };
      const outUs = unknown.reduce((sum, out) => sum + sharedUs(out, silence), 0);
      if (outUs > 0.5 * (silence.toUs - silence.fromUs)) return [];
      const senders = framesBySender(
        framesHeard(
          store,
          id,
          { fromUs: silence.fromUs - SENDERS_FROM_US, toUs: silence.fromUs },
          "here",
          MAX_FRAMES,
        ),
      );
      const deaf = deafRadio({
        silence,
        isOpen: first === null,
        reports: reportsIn(store, id, silence),
        senders: [...senders.values()],
        unheard: unknown,
        ...heardElsewhere(store, id, silence, senders),
        counter: acrossOf(last, first),
      });
      if (deaf === null || deaf.toUs <= window.fromUs) return [];
      const { fromUs, toUs, isOpen, confidence, sendersDue } = deaf;
      return eventOf(
        { kind: "gateway-deaf", fromUs, toUs, open: isOpen, confidence, nodes: sendersDue },
        deafText(who, deaf),
      );
    });
}

interface Moment {
  readonly atUs: number;
  readonly tmstUs: number | null;
}

function acrossOf(last: Moment, first: Moment | null) {
  if (last.tmstUs === null || first === null || first.tmstUs === null) return null;
  return counterAcross({ atUs: last.atUs, tmstUs: last.tmstUs }, { atUs: first.atUs, tmstUs: first.tmstUs });
}

function framesBySender(frames: readonly FrameHeard[]) {
  const known = new Set<number>();
  const once = [...frames].reverse().filter(({ frameId }) => !known.has(frameId) && known.add(frameId));
  return new Map(
    [...groupBy(once, ({ lifeId }) => lifeId)].map(([lifeId, list]) => [
      lifeId,
      {
        heardUs: list.map(({ atUs }) => atUs),
        marginDb: median(list.flatMap((frame) => marginOf(frame) ?? [])),
      },
    ]),
  );
}

function heardElsewhere(
  store: Store,
  gatewayId: number,
  silence: TimeRange,
  senders: ReadonlyMap<number, unknown>,
) {
  const lengthUs = silence.toUs - silence.fromUs;
  const count = (time: TimeRange) =>
    new Set(
      framesHeard(store, gatewayId, time, "elsewhere", MAX_FRAMES)
        .filter(({ lifeId }) => senders.has(lifeId))
        .map(({ frameId }) => frameId),
    ).size;
  const heard = count(silence);
  const due = count({ fromUs: silence.fromUs - lengthUs, toUs: silence.fromUs });
  return elsewhere(heard, due);
}

function levelEvents(
  { window, endUs, placements, levels }: EventContext,
  { id, eui }: GatewayRecord,
  who: string,
): GatewayEvent[] {
  const here = levels.get(id);
  const others = () => [...levels].filter(([other]) => other !== id).map(([, senders]) => senders);
  const { weakened, strengthened } = weakenedTimes(here === undefined ? [] : stepsOfSenders(here, others));
  const knownUs = Math.min(window.toUs, endUs);
  const placementAt = (step: CommonStep) =>
    placements.find(
      ({ gatewayEui, fromUs }) =>
        gatewayEui === eui &&
        fromUs >= step.notBeforeUs - PLACEMENT_SLACK_US &&
        fromUs <= step.notAfterUs + PLACEMENT_SLACK_US,
    )?.name ?? null;
  const figures = (step: CommonStep) => ({
    confidence: step.confidence,
    nodes: step.senders,
    sizeDb: rounded(Math.abs(step.changeDb), 1),
    sizeIntervalDb: sizes(step),
  });
  return [
    ...weakened
      .filter(({ mended }) => mended === null || mended.atUs > window.fromUs)
      .flatMap((time) =>
        eventOf(
          {
            ...figures(time.fall),
            kind: "gateway-weakened",
            fromUs: time.fall.atUs,
            toUs: time.mended?.atUs ?? knownUs,
            open: time.mended === null,
          },
          weakenedText(who, time, placementAt(time.fall)),
        ),
      ),
    ...strengthened
      .filter(({ atUs }) => atUs >= window.fromUs)
      .flatMap((rise) =>
        eventOf(
          { ...figures(rise), kind: "gateway-strengthened", fromUs: rise.atUs, toUs: knownUs, open: true },
          strengthenedText(who, rise, placementAt(rise)),
        ),
      ),
  ];
}

/** The interval of a step's size, the smaller figure first. */
function sizes({ changeDb, lowDb, highDb }: CommonStep): [number, number] {
  return changeDb < 0 ? [rounded(-highDb, 1), rounded(-lowDb, 1)] : [rounded(lowDb, 1), rounded(highDb, 1)];
}

function backhaulEvents(
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
    const outs = unknown.map((out) => sharedUs(out, cell)).filter((us) => us > 0);
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

function unacknowledgedOf(tenthsPercent: readonly (number | null)[]): number | null {
  const known = tenthsPercent.flatMap((one) => one ?? []);
  if (known.length < MIN_ACK_REPORTS) return null;
  return Math.max(0, 1 - known.reduce((sum, one) => sum + one, 0) / known.length / 1000);
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
function lateAcknowledgements(
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

function sharedUs(a: TimeRange, b: TimeRange): number {
  return Math.max(0, Math.min(a.toUs, b.toUs) - Math.max(a.fromUs, b.fromUs));
}
