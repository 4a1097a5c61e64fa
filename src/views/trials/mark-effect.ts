/**
 * Is it better since a mark? The time before against the time after, at the same gateways, by node and hour of day: a
 * sequential trial whose two sides are two times. Both are equally long, as far as was recorded.
 */

import { MAX_EFFECT_DAYS, type MarkEffect } from "../../contract/trials.ts";
import type { EffectLimit } from "../../diagnosis/trials/sentences.ts";
import type { Reading, SequentialNode } from "../../diagnosis/trials/verdict.ts";
import { intersect, subtract, type TimeRange, totalUs, unite, within } from "../../model/time-range.ts";
import { DAY_US } from "../../statistics/robust.ts";
import type { PresumedCommon } from "../../statistics/series.ts";
import type { Store } from "../../store/open.ts";
import { allGateways, type GatewayRecord } from "../../store/queries/gateways.ts";
import { storedSpanUs } from "../../store/queries/lives.ts";
import { newestFrames, oldestFrames } from "../../store/queries/trial-frames.ts";
import { removedToUs } from "../../store/retention.ts";
import { type MarkRecord, markOf } from "../../store/user-data.ts";
import { reachOf } from "../reachability.ts";
import { assertNotRemoved } from "../window.ts";
import { answerOf, beginningWithin, type Joint, type Sides } from "./mark-answer.ts";
import { judgeSequential } from "./sequential.ts";
import { MAX_FRAMES, type NodeCounters, SharedFrames } from "./shared-frames.ts";
import { readingOf } from "./sides.ts";

export interface EffectAsked {
  /** An identifier, or all gateways together; left out: as the mark says. */
  readonly gateway?: string | undefined;
  /** On each side at most. */
  readonly days?: number | undefined;
}

/** A gateway takes part where it leaves at least so much of what the others have, on each side. Chosen. */
const MIN_SHARE = 0.75;
/** A gateway that stood still tells of a node when it heard so much of all that was sent; as in trials of placements. */
const MIN_CONTROL_SHARE = 0.25;
/** Gateways asked for their times, those that heard most; beyond them a few frames. */
const MAX_GATEWAYS = 32;

/** What is asked about is not there. */
export type NoEffect = "no-such-mark" | "no-such-gateway";

/** The effect of a mark, or what of the question is not there. */
export function markEffect(store: Store, id: number, asked: EffectAsked = {}): MarkEffect | NoEffect {
  const mark = markOf(store, id);
  if (mark === null) return "no-such-mark";
  assertNotRemoved(store, mark.atUs);
  const chosen = asked.gateway === "all" ? null : (asked.gateway ?? mark.gatewayEui);
  const known = allGateways(store);
  if (chosen !== null && !known.some(({ eui }) => eui === chosen)) return "no-such-gateway";
  const sides = sidesOf(store, mark, asked.days ?? MAX_EFFECT_DAYS);
  const { before, after } = sides;
  const shared = new SharedFrames(store, { fromUs: before.fromUs, toUs: after.toUs, live: false });
  const nodes = shared.nodes().filter(({ devAddr }) => mark.devAddr === null || devAddr === mark.devAddr);
  const heard = heardCounts(nodes);
  const candidates = known
    .filter(({ id: row, eui }) => heard.has(row) && (chosen === null || eui === chosen))
    .sort((x, y) => (heard.get(y.id) ?? 0) - (heard.get(x.id) ?? 0) || x.eui.localeCompare(y.eui))
    .slice(0, MAX_GATEWAYS);
  const times = [before, after];
  const joint = takingPart(store, times, candidates);
  // What moved all nodes alike is taken off only where the mark is about this gateway and no other.
  const still =
    chosen !== null && chosen === mark.gatewayEui
      ? standingStill(store, { times, joint, nodes, heard, known: known.filter(({ eui }) => eui !== chosen) })
      : null;
  const compared = still?.compared ?? joint.compared;
  const ids = new Set(joint.gateways.map(({ id: row }) => row));
  const judged = judgeSequential(
    store,
    { controlId: still?.gateway.id ?? null },
    {
      hasControl: still !== null,
      common: WEATHER,
      nodes: nodes.flatMap((node) =>
        evidenceOf(node, shared, ids, still?.gateway.id ?? null, {
          after: intersect(compared, [after]),
          before: intersect(compared, [before]),
        }),
      ),
    },
    CHANGED,
  );
  return answerOf(store, { mark, chosen, sides, joint, compared, judged, known, heard });
}

/**
 * What moves all nodes at once is presumed as likely as not, with memories of up to eight hours: the two times are of
 * different days, and weather does not know of the mark. Chosen so that drawn sites under such weather are called better
 * or worse no more often than one in twenty (tests/views/trials/mark-effect.test.ts): with a trial's presumption they
 * were in one of six.
 */
const WEATHER: PresumedCommon = { chance: 0.5, memoriesS: [600, 1800, 7200, 28_800] };

const CHANGED =
  "Weather, leaves, other senders and the nodes' batteries may have changed at the same time: they are in this figure too.";

/** Equal times before and after, as long as recorded, asked for, and as a comparison takes in. */
function sidesOf(store: Store, { atUs, untilUs }: MarkRecord, days: number): Sides {
  const resumedUs = untilUs ?? atUs;
  const stored = storedSpanUs(store);
  const storedFromUs = Math.max(stored?.fromUs ?? atUs, removedToUs(store));
  const recordedBefore = Math.max(0, atUs - storedFromUs);
  const recordedAfter = Math.max(0, stored === null ? 0 : stored.toUs + 1 - resumedUs);
  const mostUs = Math.round(days * DAY_US);
  const byTime: [EffectLimit, number][] = [
    ["days", mostUs],
    ["recorded before", recordedBefore],
    ["recorded after", recordedAfter],
  ];
  const [limit, lengthUs] = shortest(byTime);
  const byFrames = Math.min(
    atUs - newestFrames(store, { fromUs: atUs - lengthUs, toUs: atUs }, MAX_FRAMES / 2),
    oldestFrames(store, { fromUs: resumedUs, toUs: resumedUs + lengthUs }, MAX_FRAMES / 2) - resumedUs,
  );
  const isCut = byFrames < lengthUs;
  const us = Math.min(byFrames, lengthUs);
  return {
    before: { fromUs: atUs - us, toUs: atUs },
    after: { fromUs: resumedUs, toUs: resumedUs + us },
    limit: isCut ? "frames" : limit,
    roomUs: isCut || limit !== "recorded after" ? 0 : Math.min(mostUs, recordedBefore) - us,
  };
}

function shortest(all: readonly [EffectLimit, number][]): [EffectLimit, number] {
  return all.reduce((least, one) => (one[1] < least[1] ? one : least), ["days", Number.POSITIVE_INFINITY]);
}

/** How many of the nodes' counters each gateway heard, by row id. */
function heardCounts(nodes: readonly NodeCounters[]): ReadonlyMap<number, number> {
  const counts = new Map<number, number>();
  for (const { counters } of nodes)
    for (const { hearings } of counters)
      for (const id of new Set(hearings.map(({ gatewayId }) => gatewayId)))
        counts.set(id, (counts.get(id) ?? 0) + 1);
  return counts;
}

/** Those that heard most first; one that would cost the others too much of either side is left out. */
function takingPart(store: Store, times: readonly TimeRange[], candidates: readonly GatewayRecord[]): Joint {
  const usable = candidates.map((gateway) => ({ gateway, at: usableOf(store, gateway, times) }));
  const atAll = unite(usable.flatMap(({ at }) => at));
  const gateways: GatewayRecord[] = [];
  const leftOut: GatewayRecord[] = [];
  let compared: readonly TimeRange[] = atAll;
  for (const { gateway, at } of usable) {
    const left = intersect(compared, at);
    const isEnough = times.every(
      (time) =>
        totalUs(intersect(left, [time])) > 0 &&
        totalUs(intersect(left, [time])) >= MIN_SHARE * totalUs(intersect(atAll, [time])),
    );
    if (isEnough) {
      gateways.push(gateway);
      compared = left;
    } else leftOut.push(gateway);
  }
  return { gateways, leftOut, compared: gateways.length === 0 ? [] : compared };
}

/** When a gateway was recorded and reachable, within these times. */
function usableOf(store: Store, gateway: GatewayRecord, times: readonly TimeRange[]): TimeRange[] {
  return times.flatMap((time) => {
    if (time.fromUs >= time.toUs) return [];
    const reach = reachOf(store, gateway, time, time.toUs);
    const absent = { fromUs: Number.NEGATIVE_INFINITY, toUs: reach.absentUntilUs };
    return subtract([time], unite([absent, ...reach.outages, ...reach.notRecorded]));
  });
}

interface Standing {
  readonly times: readonly TimeRange[];
  readonly joint: Joint;
  readonly nodes: readonly NodeCounters[];
  readonly heard: ReadonlyMap<number, number>;
  readonly known: readonly GatewayRecord[];
}

/** Another gateway that was not moved and heard much of the same in both times; what it saw change is taken off. */
function standingStill(
  store: Store,
  { times, joint, nodes, heard, known }: Standing,
): { readonly gateway: GatewayRecord; readonly compared: readonly TimeRange[] } | null {
  const sent = nodes.reduce((sum, { counters }) => sum + counters.length, 0);
  const moved = new Set(beginningWithin(store, times).map(({ gatewayEui }) => gatewayEui));
  const candidates = known
    .filter(({ id, eui }) => !moved.has(eui) && (heard.get(id) ?? 0) > MIN_CONTROL_SHARE * sent)
    .sort((x, y) => (heard.get(y.id) ?? 0) - (heard.get(x.id) ?? 0));
  for (const gateway of candidates.slice(0, MAX_GATEWAYS)) {
    const compared = intersect(joint.compared, usableOf(store, gateway, times));
    const isThere = times.every(
      (time) =>
        totalUs(intersect(compared, [time])) >= MIN_SHARE * totalUs(intersect(joint.compared, [time])),
    );
    if (isThere) return { gateway, compared };
  }
  return null;
}

/** A node that was heard, and sent on both sides; else nothing. */
function evidenceOf(
  { devAddr, name, lifeIds, counters }: NodeCounters,
  shared: SharedFrames,
  gatewayIds: ReadonlySet<number>,
  controlId: number | null,
  { after, before }: { readonly after: readonly TimeRange[]; readonly before: readonly TimeRange[] },
): SequentialNode[] {
  const arm = (times: readonly TimeRange[]) =>
    within(counters, times).map(({ hearings, ...sent }) => ({
      ...sent,
      heard: bestOf(
        [...gatewayIds].map((gatewayId) => readingOf(hearings, { gatewayId, antenna: null }, sent.rate)),
      ),
      control:
        controlId === null ? null : readingOf(hearings, { gatewayId: controlId, antenna: null }, sent.rate),
    }));
  const a = arm(after);
  const b = arm(before);
  if (a.length === 0 || b.length === 0 || ![...a, ...b].some(({ heard }) => heard !== null)) return [];
  return [{ devAddr, name, a, b, powerChangesUs: lifeIds.flatMap((id) => shared.powerChangesUs(id)) }];
}

function bestOf(readings: readonly (Reading | null)[]): Reading | null {
  let best: Reading | null = null;
  for (const one of readings)
    if (one !== null && (best === null || (one.snrDb ?? -1e9) > (best.snrDb ?? -1e9))) best = one;
  return best;
}
