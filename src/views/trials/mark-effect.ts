/**
 * Is it better since a mark? The time before against the time after, at the same gateways, by node and hour of day: a
 * sequential trial whose two sides are two times. Both are equally long, as far as was recorded.
 */
import { MAX_EFFECT_DAYS, type MarkEffect } from "../../contract/trials.ts";
import type { MarkRow } from "../../contract/user-data.ts";
import {
  EFFECT_CAUTION,
  type EffectLimit,
  effectNeeded,
  effectSentence,
  methodSentences,
  TRIAL_CAUTION,
} from "../../diagnosis/trials/sentences.ts";
import { MIN_COUNTERS } from "../../diagnosis/trials/sequential-delivery.ts";
import { LIMITS, type Reading, type SequentialNode, verdictOf } from "../../diagnosis/trials/verdict.ts";
import { intersect, isoTime, subtract, type TimeRange, totalUs, unite } from "../../model/time-range.ts";
import type { PresumedCommon } from "../../statistics/series.ts";
import type { Store } from "../../store/open.ts";
import { placements } from "../../store/placements.ts";
import { allGateways, type GatewayRecord } from "../../store/queries/gateways.ts";
import { labels, storedSpanUs } from "../../store/queries/lives.ts";
import { newestFrames, oldestFrames } from "../../store/queries/trial-frames.ts";
import { removedToUs } from "../../store/retention.ts";
import { type MarkRecord, markOf, marksIn } from "../../store/user-data.ts";
import { duration, listed } from "../../words/format.ts";
import { reachOf } from "../reachability.ts";
import { markRows } from "../user-data.ts";
import { assertNotRemoved } from "../window.ts";
import { outlookOf } from "./answer.ts";
import { intervalOf, type Judged, SHARE_DIGITS } from "./groups.ts";
import { judgeSequential } from "./sequential.ts";
import { MAX_FRAMES, type NodeCounters, SharedFrames } from "./shared-frames.ts";
import { readingOf, within } from "./sides.ts";

export interface EffectAsked {
  /** An identifier, or all gateways together; left out: as the mark says. */
  readonly gateway?: string | undefined;
  /** On each side at most. */
  readonly days?: number | undefined;
}

const DAY_US = 86_400_000_000;
/** A gateway takes part where it leaves at least so much of what the others have, on each side. Chosen. */
const MIN_SHARE = 0.75;
/** A gateway that stood still tells of a node when it heard so much of all that was sent; as in trials of placements. */
const MIN_CONTROL_SHARE = 0.25;
/** Gateways asked for their times, those that heard most; beyond them a few frames. */
const MAX_GATEWAYS = 32;
const MAX_OTHER_MARKS = 20;
/** Of other marks, those named in the sentence. */
const MAX_NAMED = 5;

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

interface Sides {
  readonly before: TimeRange;
  readonly after: TimeRange;
  readonly limit: EffectLimit;
  /** So much longer both sides could grow with what is yet to be recorded, microseconds. */
  readonly roomUs: number;
}

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

interface Joint {
  readonly gateways: readonly GatewayRecord[];
  readonly leftOut: readonly GatewayRecord[];
  /** When all of them were recorded and reachable. */
  readonly compared: readonly TimeRange[];
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

function beginningWithin(store: Store, times: readonly TimeRange[]) {
  const from = Math.min(...times.map(({ fromUs }) => fromUs));
  const to = Math.max(...times.map(({ toUs }) => toUs));
  return placements(store).filter(({ fromUs }) => fromUs > from && fromUs < to);
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

interface Found {
  readonly mark: MarkRecord;
  readonly chosen: string | null;
  readonly sides: Sides;
  readonly joint: Joint;
  readonly compared: readonly TimeRange[];
  readonly judged: Judged;
  readonly known: readonly GatewayRecord[];
  readonly heard: ReadonlyMap<number, number>;
}

const EFFECTS = {
  a: "better",
  b: "worse",
  "no difference": "no difference",
  "not enough": "not enough",
} as const;

function answerOf(store: Store, found: Found): MarkEffect {
  const { mark, chosen, sides, joint, compared, judged, known, heard } = found;
  const names = labels(store, "gateway");
  const named = ({ eui }: { readonly eui: string }) => ({ eui, name: names.get(eui)?.name ?? null });
  const { differences } = judged;
  const verdict = verdictOf(differences);
  const [row] = markRows(store, [mark]);
  if (row === undefined) throw new RangeError("A mark that is there has a row.");
  const plain = outlookOf(judged, verdict, () => nothingWords(found));
  // Both sides grow while one waits.
  const wait = plain.minutesStillNeeded === null ? null : plain.minutesStillNeeded / 2;
  const canWait = wait !== null && wait * 60e6 <= sides.roomUs;
  const isUntold = differences.snr === null && differences.delivery === null;
  const neededWords =
    plain.enough || isUntold
      ? plain.neededWords
      : effectNeeded(
          plain.framesStillNeeded,
          canWait ? wait : null,
          sides.limit,
          totalUs([sides.before]) >= MAX_EFFECT_DAYS * DAY_US - 1,
        );
  const gateway = chosen === null ? null : named({ eui: chosen });
  const comparedUs = (time: TimeRange) => totalUs(intersect(compared, [time]));
  const otherMarks = markRows(store, othersNear(store, mark, [sides.before, sides.after]));
  return {
    mark: row,
    a: sideOf("after", sides.after, comparedUs(sides.after)),
    b: sideOf("before", sides.before, comparedUs(sides.before)),
    paired: false,
    sentence: effectSentence({
      mark: mark.text,
      subject:
        mark.devAddr !== null
          ? (row.nodeName ?? mark.devAddr)
          : gateway === null
            ? "the site"
            : (gateway.name ?? gateway.eui),
      isNode: mark.devAddr !== null,
      verdict,
      differences,
      needed: neededWords,
    }),
    effect: EFFECTS[verdict],
    verdict,
    snrDifferenceDb: intervalOf(differences.snr),
    deliveryDifference: intervalOf(differences.delivery, SHARE_DIGITS),
    ...plain,
    minutesStillNeeded: plain.enough ? 0 : canWait && wait !== null ? Math.ceil(wait) : null,
    neededWords,
    limits: LIMITS,
    ...judged.parts(),
    gateways: joint.gateways.map(named),
    gatewaysLeftOut: joint.leftOut.map(named),
    choices: known.filter(({ id }) => heard.has(id)).map(named),
    limitedBy: sides.limit,
    lengthWords: lengthWords(sides, comparedUs),
    otherMarks,
    reservations: [
      ...judged.reservations,
      ...otherWords(otherMarks, mark),
      ...placementWords(store, found),
      ...leftOutWords(joint.leftOut.map((one) => named(one).name ?? one.eui)),
      ...(judged.frames > 0 && mark.devAddr !== null
        ? ["One node alone: what holds for it need not hold for others."]
        : []),
    ],
    method: methodSentences(false),
    caution: `${EFFECT_CAUTION} ${TRIAL_CAUTION}`,
  };
}

function sideOf(name: "before" | "after", { fromUs, toUs }: TimeRange, comparedUs: number) {
  return { name, from: isoTime(fromUs), to: isoTime(toUs), comparedSeconds: Math.round(comparedUs / 1e6) };
}

/** Why nothing is said at all. */
function nothingWords({ sides, joint, judged, mark }: Found): string {
  if (totalUs([sides.before]) === 0)
    return sides.limit === "recorded before"
      ? "nothing was recorded before the mark."
      : "nothing was recorded since the mark.";
  if (joint.gateways.length === 0)
    return "no gateway was recorded, reachable and heard something on both sides of the mark.";
  if (judged.frames === 0)
    return mark.devAddr === null
      ? "no node was heard both before and after the mark."
      : "the node was not heard both before and after the mark.";
  return `no node sent ${MIN_COUNTERS} frames at one data rate both before and after the mark.`;
}

const LIMIT_WORDS: Readonly<Record<EffectLimit, string>> = {
  "recorded before": "as far back as was recorded before it",
  "recorded after": "as long as was recorded since",
  days: "no longer, as asked",
  frames: `no longer, since a comparison takes in ${MAX_FRAMES / 2} frames a side`,
};

function lengthWords({ before, after, limit }: Sides, comparedUs: (time: TimeRange) => number): string {
  const lengthUs = totalUs([before]);
  const length = duration(lengthUs / 1e6);
  const why =
    limit === "days" && lengthUs >= MAX_EFFECT_DAYS * DAY_US - 1
      ? "the longest that is compared"
      : LIMIT_WORDS[limit];
  const [of, other] = [comparedUs(before), comparedUs(after)];
  const isWhole = of + other >= 2 * lengthUs * 0.999;
  const rest = isWhole
    ? ""
    : ` Compared are ${duration(of / 1e6)} and ${duration(other / 1e6)} of them: the rest was not recorded, or a gateway was unreachable.`;
  return `${length} before the mark with ${length} after it, ${why}.${rest}`;
}

/** Other notes on either side or amid the mark's own time, the nearest first. Stops of a walk test are none. */
function othersNear(
  store: Store,
  mark: MarkRecord,
  [before, after]: readonly [TimeRange, TimeRange],
): MarkRecord[] {
  const distance = ({ atUs }: MarkRecord) => Math.abs(atUs - mark.atUs);
  return marksIn(store, { fromUs: before.fromUs, toUs: after.toUs }, 1_000, { kind: "note" })
    .filter(({ id }) => id !== mark.id)
    .sort((x, y) => distance(x) - distance(y))
    .slice(0, MAX_OTHER_MARKS);
}

function otherWords(others: readonly MarkRow[], mark: MarkRecord): string[] {
  if (others.length === 0) return [];
  const texts = others.slice(0, MAX_NAMED).map(({ text, at }) => {
    const awayUs = Date.parse(at) * 1000 - mark.atUs;
    const when =
      awayUs === 0
        ? "at the same moment"
        : `${duration(Math.abs(awayUs) / 1e6)} ${awayUs < 0 ? "before" : "after"}`;
    return `\u201c${text}\u201d (${when})`;
  });
  const more = others.length - texts.length;
  return [
    `Noted in these times as well: ${listed([...texts, ...(more > 0 ? [`${more} more`] : [])])}. What they changed is in this figure too.`,
  ];
}

function placementWords(store: Store, { joint, sides }: Found): string[] {
  const compared = new Set(joint.gateways.map(({ eui }) => eui));
  const begun = beginningWithin(store, [sides.before, sides.after]).filter(({ gatewayEui }) =>
    compared.has(gatewayEui),
  );
  if (begun.length === 0) return [];
  const texts = begun.slice(0, MAX_NAMED).map(({ name }) => `\u201c${name}\u201d`);
  return [`A gateway was moved in these times: the placement ${listed(texts)} begins in them.`];
}

function leftOutWords(names: readonly string[]): string[] {
  if (names.length === 0) return [];
  const texts =
    names.length > MAX_NAMED ? [...names.slice(0, MAX_NAMED), `${names.length - MAX_NAMED} more`] : names;
  return [
    `Left out: ${listed(texts)}, not there, unreachable or not recorded for more than a quarter of the time before or after.`,
  ];
}
