/** Was a channel much louder for some time, from when to when, and by how much? */
import { median, quantile, robustSigma } from "../statistics/robust.ts";
import type { TimedNoise } from "./noise.ts";

/** What counts. All: common practice, no source; 6 dB of noise is severe. */
const LOUD_RULE = {
  leastRiseDb: 6,
  /** A rise must also stand out from the wander of the quiet time by so many standard deviations. */
  leastDeviations: 4,
  /** Samples whose median makes one level: a single frame may be off by much. */
  group: 3,
  leastGroups: 2,
  leastSamples: 5,
  /** Of the samples within, so many must be loud: bursts that come and go are no loud time. */
  leastShare: 0.8,
  leastUs: 10 * 60e6,
  /** Share of the levels below which the quiet one is sought: interference adds noise and never takes any away. */
  quietShare: 0.2,
  /** Good samples from which rough ones are left aside: a mixture of both would show steps that are none. */
  enoughGood: 40,
} as const;

/** A time in which the noise stood above its quiet level. */
export interface LoudNoise {
  readonly fromUs: number;
  readonly toUs: number;
  /** False: it was loud from the first samples on. */
  readonly beginSeen: boolean;
  /** False: it is loud up to the last samples. */
  readonly endSeen: boolean;
  /** Median of that time above the quiet level, dB. */
  readonly riseDb: number;
}

/** The quiet level among levels in dBm, and by how much one must stand above it to be loud, dB. */
export function quietOf(levels: readonly number[]): {
  readonly quietDbm: number;
  readonly leastRiseDb: number;
} {
  const { leastRiseDb, leastDeviations, quietShare } = LOUD_RULE;
  const quietDbm = quantile(levels, quietShare) ?? 0;
  const calm = levels.filter((level) => level - quietDbm < leastRiseDb);
  return { quietDbm, leastRiseDb: Math.max(leastRiseDb, leastDeviations * (robustSigma(calm) ?? 0)) };
}

/** Returns the loudest time of a channel, or null where none stands out. The order of the samples does not matter. */
export function loudNoise(samples: readonly TimedNoise[]): LoudNoise | null {
  const { group, leastGroups, leastSamples, leastShare, leastUs } = LOUD_RULE;
  const points = [...believed(samples)].sort((a, b) => a.atUs - b.atUs || a.noiseDbm - b.noiseDbm);
  const count = Math.floor(points.length / group);
  if (count < 2 * leastGroups) return null;
  // The last group takes the rest.
  const endOf = (at: number) => (at >= count - 1 ? points.length : (at + 1) * group);
  const levels = Array.from(
    { length: count },
    (_, at) => median(points.slice(at * group, endOf(at)).map(({ noiseDbm }) => noiseDbm)) ?? 0,
  );
  const { quietDbm: quiet, leastRiseDb: least } = quietOf(levels);
  const isLoud = (at: number) => (levels[at] ?? Number.NEGATIVE_INFINITY) - quiet >= least;
  let best: LoudNoise | null = null;
  for (let begin = 0; begin < count; begin += 1) {
    if (!isLoud(begin)) continue;
    let end = begin;
    // One calm level amid loud ones does not end the time.
    while (isLoud(end + 1) || isLoud(end + 2)) end += 1;
    const loud = levels.slice(begin, end + 1);
    const riseDb = (median(loud) ?? quiet) - quiet;
    const half = quiet + riseDb / 2;
    const around = points.slice(Math.max(0, begin - 1) * group, endOf(end + 1));
    const above = around.filter(({ noiseDbm }) => noiseDbm >= half);
    const [fromUs, toUs] = [above[0]?.atUs ?? 0, above.at(-1)?.atUs ?? 0];
    const within = around.filter(({ atUs }) => atUs >= fromUs && atUs <= toUs).length;
    const isOne =
      loud.length >= leastGroups &&
      above.length >= Math.max(leastSamples, leastShare * within) &&
      toUs - fromUs >= leastUs;
    if (isOne && riseDb > (best?.riseDb ?? 0))
      best = {
        fromUs,
        toUs,
        beginSeen: begin > 0,
        endSeen: end < count - 1,
        riseDb: Math.round(riseDb * 10) / 10,
      };
    begin = end;
  }
  return best;
}

/** Samples of weak frames alone where there are enough: a mixture would show steps that are none. */
export function believed(samples: readonly TimedNoise[]): readonly TimedNoise[] {
  const good = samples.filter(({ trust }) => trust === "good");
  return good.length >= LOUD_RULE.enoughGood ? good : samples;
}
