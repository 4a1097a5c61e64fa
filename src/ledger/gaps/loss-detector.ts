/**
 * Does a node lose more than it usually does? A sequential test over its counters, one by one: the tabular sums of
 * log-likelihood ratios (Page 1954, Biometrika 41: 100-115) of a raised loss against the node's own baseline, for three
 * sizes of rise at once. A run of misses and a slow drizzle of losses are found by the same sums; a single miss on a
 * healthy link never is. What was found ends by the same test the other way round, so that near losses are one episode.
 */

/** Loss rates that a rise is looked for at: a drizzle, a heavy loss, a black-out. Chosen: a factor of about 2.5 apart. */
const RAISED = [0.15, 0.4, 0.9] as const;
/** Baseline before a node has shown its own: 2 % with the weight of 25 counters. Chosen. */
const PRIOR = { misses: 0.5, counters: 25 } as const;
/** Bounds of a baseline: beyond 5 % a node needs a look whatever it used to lose (src/diagnosis/status.ts). */
const MIN_BASELINE = 0.01;
const MAX_BASELINE = 0.05;
/** The baseline forgets: older counters lose half their weight when so many are gathered. Chosen. */
const BASELINE_COUNTERS = 2_000;
/** False alarms allowed a node and week, all sizes together. One is asked for; runs of bad luck come in clusters. */
const FALSE_ALARMS_A_WEEK = 0.05;
const WEEK_US = 7 * 86_400_000_000;
/**
 * The sum from which losses are followed as an episode that chance may have made: whether it did is decided by what
 * others lost meanwhile. Chosen: three misses among a dozen counters of a healthy link, or two in a row.
 */
const SUSPICION = 4;
/** Odds at which an episode counts as over: of a dropout, and of a steady loss, in which lucky runs are met often. Chosen. */
const OVER_ODDS = Math.log(50);
const STEADY_OVER_ODDS = Math.log(2_000);
/** From so many counters heard within it an episode is a steady loss, not a dropout. Chosen. */
export const STEADY_HEARD = 12;
/** A steady loss that begins again within this share of its own length never ended, or within so many counters. Chosen. */
const SAME_AGAIN = { share: 0.25, counters: 30 } as const;
/** A few scattered losses that begin again so soon are the beginning of a drizzle; a black-out is not. Chosen. */
const DRIZZLE_AGAIN = { counters: 12, longestRun: 5 } as const;
/** An episode's own loss rate, for telling its end, is taken as at most this. */
const MAX_EPISODE_LOSS = 0.5;

/** One of the sums, and what it has gathered since it last stood at zero. */
export interface RisingSum {
  sum: number;
  /** The frame heard before its first miss. */
  fromUs: number;
  firstMissed: number;
  missed: number;
  heard: number;
}

/** An episode of losses, under way or over. */
export interface LossEpisode {
  /** The frame heard before the first miss, and the one after the newest. */
  fromUs: number;
  toUs: number;
  firstMissed: number;
  lastMissed: number;
  missed: number;
  /** Counters heard between the first and the newest miss. */
  heard: number;
  /** Counters heard since the newest miss. */
  heardSince: number;
  /** Log odds that it is over. */
  over: number;
  longestRun: number;
  /** The most that one of the sums came to: how little chance explains it. */
  surprise: number;
  /** Counters missed and heard since it ended. */
  missedAfter: number;
  heardAfter: number;
}

export interface LossWatch {
  sums: RisingSum[];
  /** Counters outside episodes, with the misses among them. */
  counters: number;
  misses: number;
  /** The same since the sums left zero: part of the baseline only when they return to it. */
  newCounters: number;
  newMisses: number;
  episode: LossEpisode | null;
  /** The one that ended last. */
  ended: LossEpisode | null;
}

export function newLossWatch(): LossWatch {
  return {
    sums: RAISED.map(() => ({ sum: 0, fromUs: 0, firstMissed: 0, missed: 0, heard: 0 })),
    counters: 0,
    misses: 0,
    newCounters: 0,
    newMisses: 0,
    episode: null,
    ended: null,
  };
}

/** Share of its counters that the node loses when nothing is wrong. */
export function baselineLoss(watch: LossWatch): number {
  const ratio = (watch.misses + PRIOR.misses) / (watch.counters + PRIOR.counters);
  return Math.min(MAX_BASELINE, Math.max(MIN_BASELINE, ratio));
}

/** A heard counter and the run of misses before it. */
export interface CounterStep {
  /** Frame before the run. */
  readonly fromUs: number;
  readonly toUs: number;
  readonly counter: number;
  readonly missed: number;
  readonly rhythmUs: number | null;
}

/**
 * Takes the next heard counter. Returns the episode that thereby is over, if any. The one under way is
 * `watch.episode`.
 */
export function watchStep(watch: LossWatch, step: CounterStep): LossEpisode | null {
  const baseline = baselineLoss(watch);
  if (watch.episode !== null) return goOn(watch, watch.episode, step, baseline);
  const { ended } = watch;
  if (ended !== null) ended.missedAfter += step.missed;
  raiseSums(watch, step, baseline);
  watch.newMisses += step.missed;
  watch.newCounters += step.missed + 1;
  const alarm = step.missed > 0 ? alarmOf(watch) : null;
  const isQuiet = easeSums(watch, baseline);
  if (alarm !== null) {
    watch.episode = sameAgain(ended, alarm, step) ?? {
      fromUs: alarm.fromUs,
      toUs: step.toUs,
      firstMissed: alarm.firstMissed,
      lastMissed: step.counter - 1,
      missed: alarm.missed,
      heard: alarm.heard,
      heardSince: 1,
      over: 0,
      longestRun: step.missed,
      surprise: alarm.sum,
      missedAfter: 0,
      heardAfter: 0,
    };
    watch.newCounters = 0;
    watch.newMisses = 0;
    return null;
  }
  if (ended !== null) ended.heardAfter += 1;
  if (isQuiet) keepBaseline(watch);
  return null;
}

/** Whether nothing is under way: no loss that goes on, and none that a later one could prove to go on (`sameAgain`). */
export function isAtRest({ sums, episode, ended }: LossWatch, lastCounter: number): boolean {
  if (episode !== null || sums.some(({ sum }) => sum > 0)) return false;
  if (ended === null) return true;
  const again = Math.max(SAME_AGAIN.counters, SAME_AGAIN.share * (ended.missed + ended.heard));
  return lastCounter - ended.lastMissed > Math.max(again, DRIZZLE_AGAIN.counters);
}

/** By how much an episode's sum falls short of what chance never takes; 0: it does not. */
export function lacking({ surprise }: LossEpisode, rhythmUs: number | null): number {
  return Math.max(0, limit(rhythmUs) - surprise);
}

/** Whether a run of misses stands out from an episode of steady loss, so that it is a dropout of its own. */
export function standsOut(watch: LossWatch, missed: number, rhythmUs: number | null): boolean {
  const { episode } = watch;
  if (episode === null) return false;
  const counters = episode.missed + episode.heard + episode.heardSince;
  const loss = Math.max(baselineLoss(watch), episode.missed / Math.max(1, counters));
  return counters >= 40 && loss < 0.9 && -missed * Math.log(loss) > limit(rhythmUs);
}

function goOn(
  watch: LossWatch,
  episode: LossEpisode,
  step: CounterStep,
  baseline: number,
): LossEpisode | null {
  const { missed, counter, toUs, rhythmUs } = step;
  const loss = episodeLoss(episode, baseline);
  raiseSums(watch, step, baseline);
  episode.surprise = Math.max(episode.surprise, ...watch.sums.map(({ sum }) => sum));
  easeSums(watch, baseline);
  if (missed > 0) {
    episode.heard += episode.heardSince;
    episode.heardSince = 0;
    episode.missed += missed;
    episode.lastMissed = counter - 1;
    episode.toUs = toUs;
    episode.longestRun = Math.max(episode.longestRun, missed);
    episode.over = Math.max(0, episode.over - missed * Math.log(loss / baseline));
  }
  episode.heardSince += 1;
  episode.over += Math.log((1 - baseline) / (1 - loss));
  if (episode.over < (episode.heard >= STEADY_HEARD ? STEADY_OVER_ODDS : OVER_ODDS)) return null;
  watch.episode = null;
  watch.ended = episode;
  if (lacking(episode, rhythmUs) > 0) {
    // What chance may take is what the node usually loses, once the sums are at rest; until then it may go on.
    watch.newCounters += episode.missed + episode.heard + episode.heardSince;
    watch.newMisses += episode.missed;
  } else {
    watch.counters += episode.heardSince;
    resetSums(watch);
  }
  return episode;
}

/** The ended episode, when this alarm shows that it goes on. */
function sameAgain(ended: LossEpisode | null, alarm: RisingSum, step: CounterStep): LossEpisode | null {
  if (ended === null) return null;
  const isSteady = ended.heard >= STEADY_HEARD;
  const between = alarm.firstMissed - ended.lastMissed - 1;
  const most = isSteady
    ? Math.max(SAME_AGAIN.counters, SAME_AGAIN.share * (ended.missed + ended.heard))
    : ended.longestRun > DRIZZLE_AGAIN.longestRun
      ? 0
      : DRIZZLE_AGAIN.counters;
  // Negative where the alarm began within it, which is the same loss; else a counter was heard between them.
  if (between > most) return null;
  return {
    ...ended,
    toUs: step.toUs,
    lastMissed: step.counter - 1,
    missed: ended.missed + ended.missedAfter,
    heard: ended.heard + ended.heardSince + ended.heardAfter,
    heardSince: 1,
    over: 0,
    longestRun: Math.max(ended.longestRun, step.missed),
    surprise: Math.max(ended.surprise, alarm.sum),
    missedAfter: 0,
    heardAfter: 0,
  };
}

function episodeLoss({ missed, heard }: LossEpisode, baseline: number): number {
  return Math.min(MAX_EPISODE_LOSS, Math.max(0.1, 3 * baseline, missed / (missed + heard)));
}

function raiseSums({ sums }: LossWatch, step: CounterStep, baseline: number): void {
  if (step.missed === 0) return;
  sums.forEach((one, i) => {
    if (one.sum === 0) {
      one.fromUs = step.fromUs;
      one.firstMissed = step.counter - step.missed;
      one.missed = 0;
      one.heard = 0;
    }
    one.sum += step.missed * Math.log((RAISED[i] ?? 1) / baseline);
    one.missed += step.missed;
  });
}

/** What a heard counter takes from the sums. True: all are at rest. */
function easeSums({ sums }: LossWatch, baseline: number): boolean {
  for (const [i, one] of sums.entries()) {
    one.heard += 1;
    one.sum = Math.max(0, one.sum - Math.log((1 - baseline) / (1 - (RAISED[i] ?? 0))));
  }
  return sums.every(({ sum }) => sum === 0);
}

function keepBaseline(watch: LossWatch): void {
  watch.counters += watch.newCounters;
  watch.misses += watch.newMisses;
  watch.newCounters = 0;
  watch.newMisses = 0;
  if (watch.counters > BASELINE_COUNTERS) {
    watch.counters /= 2;
    watch.misses /= 2;
  }
}

/** The sum of a false alarm's chance: about exp(-limit) a counter for each of the sums (Wald's bound). */
function limit(rhythmUs: number | null): number {
  const countersAWeek = WEEK_US / Math.max(1_000_000, rhythmUs ?? 600_000_000);
  return Math.log((RAISED.length * Math.max(100, countersAWeek)) / FALSE_ALARMS_A_WEEK);
}

function alarmOf(watch: LossWatch): RisingSum | null {
  const most = watch.sums.reduce((a, b) => (b.sum > a.sum ? b : a));
  return most.sum > SUSPICION && most.missed > 1 ? { ...most } : null;
}

function resetSums(watch: LossWatch): void {
  for (const one of watch.sums) one.sum = 0;
  watch.newCounters = 0;
  watch.newMisses = 0;
}
