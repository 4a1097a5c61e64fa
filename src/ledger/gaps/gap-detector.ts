/**
 * Where are the gaps of one counter life? Goes through its heard counters one by one, in the order of the counters,
 * and tells dropouts as they begin, grow and end. Plain data in its state, so that it can be stored and taken up again;
 * the result depends on the counters, their times and the gateways' outages alone, never on how they came in.
 */
import type { GapFigures } from "../../model/gap.ts";
import { lostToNobody, type TimeRange, totalUs } from "../../model/time-range.ts";
import {
  countInterval,
  homeGateways,
  type IntervalCounts,
  longestUsualUs,
  type Rhythm,
  rhythmOf,
  SHARE_WEIGHT,
  STEPS_KEPT,
} from "./intervals.ts";
import {
  type LossEpisode,
  type LossWatch,
  lacking,
  newLossWatch,
  STEADY_HEARD,
  standsOut,
  watchStep,
} from "./loss-detector.ts";

/** A counter and when it was heard first. */
export interface HeardCounter {
  readonly counter: number;
  readonly atUs: number;
  readonly gatewayIds: readonly number[];
}

/** When all of these gateways were unreachable at once (or none of them was recorded), within a range; in order. */
export type OutOfReach = (gatewayIds: readonly number[], range: TimeRange) => readonly TimeRange[];

const ALL_RECORDED: OutOfReach = () => [];

export interface LifeWatch {
  lastAtUs: number;
  /** Highest counter heard; -1 before the first. */
  lastCounter: number;
  heard: number;
  stepsUs: number[];
  newestUs: number[];
  /** Every interval of the life, by class; absent in a state that an older version stored. */
  usual?: IntervalCounts;
  loss: LossWatch;
  /** Share of the newest frames that each gateway heard, by row id. */
  shares: Record<string, number>;
}

/** A dropout as far as the counters tell. `tag` tells apart two that begin at one frame. */
export interface GapDraft extends GapFigures {
  readonly tag: "run" | "episode";
  readonly open: boolean;
  /** It is over by the rule of the episode and will not change any more. */
  readonly final: boolean;
  readonly expectedByRhythm: number | null;
}

export function newLifeWatch(): LifeWatch {
  return {
    lastAtUs: 0,
    lastCounter: -1,
    heard: 0,
    stepsUs: [],
    newestUs: [],
    usual: {},
    loss: newLossWatch(),
    shares: {},
  };
}

/** Newest intervals that a changed rhythm is estimated from. */
const NEWEST_KEPT = 8;
/** A run whose counter went on by less than this share of what the rhythm predicts was silence. */
const SILENT_SHARE = 0.5;

export function rhythmOfLife(watch: LifeWatch): Rhythm | null {
  return rhythmOf(watch.stepsUs, watch.newestUs, longestUsualUs(watch.usual ?? {}));
}

/**
 * Takes the next counter, higher than all before; the dropouts that begin, change or end with it. What may have been
 * sent while nothing was recorded is not missed, and no silence. A counter that is not higher came late: the life is to
 * be gone through anew, in the order of its counters.
 */
export function watchCounter(
  watch: LifeWatch,
  heard: HeardCounter,
  outOfReach: OutOfReach,
  notRecorded: OutOfReach = ALL_RECORDED,
): GapDraft[] {
  if (watch.lastCounter < 0) {
    take(watch, heard);
    return [];
  }
  const step = heard.counter - watch.lastCounter;
  const elapsedUs = Math.max(0, heard.atUs - watch.lastAtUs);
  if (step === 1 && elapsedUs <= longestOf(watch.stepsUs)) return goOn(watch, heard, elapsedUs);
  const rhythm = rhythmOfLife(watch);
  const unknown = notRecordedBetween(watch, heard.atUs, notRecorded);
  const span = { fromUs: watch.lastAtUs, toUs: watch.lastAtUs + elapsedUs, missed: step - 1 };
  const unheard = lostToNobody(span, unknown, rhythm?.isPeriodic ?? false);
  const missed = step - 1 - unheard;
  const recordedUs = elapsedUs - totalUs(unknown);
  const drafts: GapDraft[] = [];
  const run = { ...runOf(watch, heard, rhythm), missed };
  const isSilence =
    rhythm !== null &&
    // A slower rhythm that was not seen before, and one frame of it lost, is no silence: each interval by itself is judged.
    recordedUs / Math.max(1, step - unheard) > rhythm.silenceUs &&
    // Judged by the slowest rhythm that it showed: a counter that went on as that lets expect was sent, and lost.
    step - unheard < SILENT_SHARE * (recordedUs / rhythm.slowestUs);
  if (isSilence) {
    drafts.push({ ...run, kind: "silence" });
  } else if (
    missed > 0 &&
    (missedWhileOut(watch, heard, outOfReach) || standsOut(watch.loss, missed, rhythm?.medianUs ?? null))
  ) {
    drafts.push(run);
  } else {
    drafts.push(...episodes(watch, heard, missed, rhythm));
  }
  // What happened while nothing was recorded tells nothing of the rhythm.
  if (unknown.length === 0) {
    keepInterval(watch.newestUs, elapsedUs / step, NEWEST_KEPT);
    watch.usual ??= {};
    countInterval(watch.usual, elapsedUs / step);
    if (!isSilence) keepInterval(watch.stepsUs, elapsedUs / step, STEPS_KEPT);
  }
  take(watch, heard);
  return drafts;
}

/** When none of the gateways that usually hear the node was recorded, since its last frame. */
export function notRecordedBetween(
  watch: LifeWatch,
  toUs: number,
  notRecorded: OutOfReach,
): readonly TimeRange[] {
  const homes = homeGateways(watch.shares);
  if (homes.length === 0 || toUs <= watch.lastAtUs) return [];
  return notRecorded(homes, { fromUs: watch.lastAtUs, toUs });
}

/** The next counter in due time: nearly every frame, so the rhythm is not worked out for it. */
function goOn(watch: LifeWatch, heard: HeardCounter, elapsedUs: number): GapDraft[] {
  const drafts = episodes(watch, heard, 0, null);
  keepInterval(watch.newestUs, elapsedUs, NEWEST_KEPT);
  keepInterval(watch.stepsUs, elapsedUs, STEPS_KEPT);
  watch.usual ??= {};
  countInterval(watch.usual, elapsedUs);
  take(watch, heard);
  return drafts;
}

function keepInterval(list: number[], value: number, most: number): void {
  list.push(value);
  if (list.length > most) list.shift();
}

function longestOf(stepsUs: readonly number[]): number {
  let longest = 0;
  for (const step of stepsUs) if (step > longest) longest = step;
  return longest;
}

/** The silence that goes on at a moment, if it is longer than the rhythm allows and than bad luck explains. */
export function openSilence(
  watch: LifeWatch,
  nowUs: number,
  notRecorded: OutOfReach = ALL_RECORDED,
): GapDraft | null {
  const rhythm = rhythmOfLife(watch);
  if (rhythm === null || nowUs - watch.lastAtUs <= rhythm.silenceUs) return null;
  const unknown = notRecordedBetween(watch, nowUs, notRecorded);
  const silentUs = nowUs - watch.lastAtUs - totalUs(unknown);
  // It reaches as far as anything was recorded.
  const last = unknown.at(-1);
  const toUs = last !== undefined && last.toUs >= nowUs ? last.fromUs : nowUs;
  const { episode } = watch.loss;
  // A node that loses half of its frames is not silent after four of them.
  const rhythmUs = rhythm.medianUs;
  const loss =
    episode === null || lacking(episode, rhythmUs) > 0
      ? 0.05
      : Math.min(0.95, episode.missed / (episode.missed + episode.heard + 1));
  const luckUs = (Math.ceil(Math.log(1e-5) / Math.log(loss)) + 1) * rhythm.medianUs;
  if (silentUs <= Math.max(rhythm.silenceUs, luckUs)) return null;
  return {
    tag: "run",
    kind: "silence",
    open: true,
    final: false,
    fromUs: watch.lastAtUs,
    toUs,
    missed: 0,
    firstMissed: null,
    lastMissed: null,
    heard: 0,
    expectedByRhythm: silentUs / rhythmUs,
    rhythmUs,
    lacking: 0,
  };
}

function take(watch: LifeWatch, { counter, atUs, gatewayIds }: HeardCounter): void {
  watch.lastCounter = counter;
  watch.lastAtUs = Math.max(watch.lastAtUs, atUs);
  watch.heard += 1;
  const weight = Math.max(SHARE_WEIGHT, 1 / watch.heard);
  for (const id of gatewayIds) watch.shares[id] ??= 0;
  for (const [id, share] of Object.entries(watch.shares)) {
    const next = share + weight * ((gatewayIds.includes(Number(id)) ? 1 : 0) - share);
    // A gateway that was taken away leaves no trace for ever.
    if (next < 1e-6) delete watch.shares[id];
    else watch.shares[id] = next;
  }
}

/** The run of counters missed before a heard one. */
function runOf(watch: LifeWatch, { counter, atUs }: HeardCounter, rhythm: Rhythm | null): GapDraft {
  const missed = counter - watch.lastCounter - 1;
  return {
    tag: "run",
    kind: "counters",
    open: false,
    final: true,
    fromUs: watch.lastAtUs,
    toUs: Math.max(watch.lastAtUs, atUs),
    missed,
    firstMissed: missed > 0 ? watch.lastCounter + 1 : null,
    lastMissed: missed > 0 ? counter - 1 : null,
    heard: 0,
    expectedByRhythm: rhythm === null ? null : (atUs - watch.lastAtUs) / rhythm.medianUs,
    rhythmUs: rhythm?.medianUs ?? null,
    lacking: 0,
  };
}

/** Whether most of the missed counters, dated evenly over their gap, fall where no home gateway was reachable. */
function missedWhileOut(watch: LifeWatch, { counter, atUs }: HeardCounter, outOfReach: OutOfReach): boolean {
  const homes = homeGateways(watch.shares);
  const stretch = { fromUs: watch.lastAtUs, toUs: atUs };
  const out = homes.length === 0 ? [] : outOfReach(homes, stretch);
  if (out.length === 0) return false;
  const steps = counter - watch.lastCounter;
  const stepUs = (atUs - watch.lastAtUs) / steps;
  const slackUs = 0.1 * stepUs + 2_000_000;
  let within = 0;
  for (let i = 1; i < steps; i++) {
    const atMissUs = watch.lastAtUs + i * stepUs;
    if (out.some(({ fromUs, toUs }) => atMissUs >= fromUs - slackUs && atMissUs < toUs + slackUs))
      within += 1;
  }
  return within >= 0.5 * (steps - 1);
}

function episodes(watch: LifeWatch, heard: HeardCounter, missed: number, rhythm: Rhythm | null): GapDraft[] {
  const rhythmUs = rhythm?.medianUs ?? null;
  const { loss } = watch;
  const over = watchStep(loss, {
    fromUs: watch.lastAtUs,
    toUs: Math.max(watch.lastAtUs, heard.atUs),
    counter: heard.counter,
    missed,
    rhythmUs,
  });
  // The rhythm of an episode that ends with a frame in due time is that of the node now.
  if (over !== null) return [draftOf(over, rhythmUs ?? rhythmOfLife(watch)?.medianUs ?? null, true)];
  // While nothing new is missed, an episode under way looks the same.
  return loss.episode === null || missed === 0 ? [] : [draftOf(loss.episode, rhythmUs, false)];
}

/** An episode under way or over, as a dropout. */
export function draftOf(episode: LossEpisode, rhythmUs: number | null, final: boolean): GapDraft {
  const steady = episode.heard >= STEADY_HEARD;
  return {
    tag: "episode",
    kind: steady ? "steady" : "counters",
    // A black-out that was followed by a frame is over as far as anyone can see; a drizzle goes on.
    open: !final && steady,
    final,
    fromUs: episode.fromUs,
    toUs: episode.toUs,
    missed: episode.missed,
    firstMissed: episode.firstMissed,
    lastMissed: episode.lastMissed,
    heard: episode.heard,
    expectedByRhythm: rhythmUs === null ? null : (episode.toUs - episode.fromUs) / rhythmUs,
    rhythmUs,
    lacking: lacking(episode, rhythmUs),
  };
}
