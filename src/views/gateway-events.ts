/**
 * What happened to each gateway as a whole: a radio that heard nothing, levels that stepped for all nodes, datagrams lost
 * on the way, acknowledgements that came too late? Worked out from roll-ups and a bounded sample of receptions when it is
 * asked for: nothing is stored, so that the answer depends on what is stored alone.
 */
import type { GatewayDownlinks, GatewayEvent } from "../contract/index.ts";
import { deafRadio, elsewhere } from "../diagnosis/gateway-events/deaf-radio.ts";
import {
  type CommonStep,
  type LevelPoint,
  sendersOf,
  stepsOfSenders,
  weakenedTimes,
} from "../diagnosis/gateway-events/level-step.ts";
import { deafText, strengthenedText, weakenedText } from "../diagnosis/gateway-events/sentences.ts";
import { groupBy } from "../model/group-by.ts";
import { rounded } from "../model/rounding.ts";
import { MINUTE_US, minuteOf, overlapUs, type TimeRange, unite } from "../model/time-range.ts";
import { counterAcross } from "../radio/clock.ts";
import { linkMarginDb } from "../radio/margin.ts";
import { signalPowerDbm } from "../radio/noise.ts";
import { median } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { HeardHours } from "../store/hours/heard-hours.ts";
import type { Store } from "../store/open.ts";
import type { PlacementRecord } from "../store/placements.ts";
import {
  type FrameHeard,
  framesHeard,
  levelsIn,
  minutesWithPackets,
  packetAtEdge,
  reportsIn,
} from "../store/queries/gateway-events.ts";
import type { GatewayRecord } from "../store/queries/gateways.ts";
import { backhaulEvents, type EventContext, eventOf, lateAcknowledgements } from "./gateway-backhaul.ts";
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
/** A placement that begins within this of a step is named beside it. Chosen: people enter it some minutes before or after. */
const PLACEMENT_SLACK_US = 15 * 60e6;

/** Reads once for all gateways what their level steps rest on. */
export function eventContext(
  store: Store,
  window: TimeRange,
  endUs: number,
  placements: readonly PlacementRecord[],
  heard: HeardHours,
): EventContext {
  const toUs = Math.min(window.toUs, endUs + 1);
  const fromUs = window.fromUs - BEFORE_STEP_US;
  const levels = new Map<number, LevelPoint[]>();
  for (const one of levelsIn(store, { fromUs, toUs }, LEVEL_SLOTS, MAX_LEVELS_A_SLOT, heard)) {
    const snrDb = one.snrTenths === null ? null : one.snrTenths / 10;
    const rssiDbm = one.rssiTenths / 10;
    const source = snrDb === null ? "channel-rssi" : "esp";
    const powerDbm = signalPowerDbm({ rssiDbm, signalRssiDbm: null, snrDb }, source);
    if (powerDbm === null) continue;
    const { gatewayId, atUs, lifeId } = one;
    const point = { tUs: atUs, sender: lifeId, powerDbm, snrDb, marginDb: marginOf(one) };
    const own = levels.get(gatewayId);
    if (own === undefined) levels.set(gatewayId, [point]);
    else own.push(point);
  }
  return {
    store,
    window,
    endUs,
    placements,
    levels: new Map([...levels].map(([id, own]) => [id, sendersOf(own)])),
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
      const outUs = unknown.reduce((sum, out) => sum + overlapUs(out, silence), 0);
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
