/** Was a channel much louder for some time, from when to when, and by how much? Does its noise come and go with a period? */
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

// The period is found from frames that met the noise and frames that did not, and only beyond chance.

export interface NoiseMark {
  readonly atUs: number;
  /** Whether this frame met the noise. */
  readonly isLoud: boolean;
}

export interface NoisePulse {
  readonly periodUs: number;
  /** Share of the period in which frames meet the noise; their own length is in it. */
  readonly onShare: number;
  /** Begin of an on-time, microseconds since 1970. */
  readonly onFromUs: number;
  /** Chance of so strong a period at any of the frequencies looked at, were loud and quiet frames in no order. */
  readonly p: number;
}

/**
 * What counts. The test: with loud frames in no order, the power of their marks at one frequency is exponential of mean 1
 * (Lomb 1976, Scargle 1982; from memory), and each frequency of the grid is a try (Bonferroni). Figures chosen.
 */
const PULSE_RULE = {
  leastLoud: 8,
  leastQuiet: 8,
  mostP: 0.001,
  /** So many periods must fit into the time, or a single change would look like one. */
  leastPeriods: 5,
  /** Each half of the time must show the period by itself, at the same phase. */
  mostPOfHalf: 0.01,
  mostPhaseShift: 0.2,
  /** Frequencies looked at: the shortest period found follows from it. */
  frequencies: 8_000,
  mostMarks: 1_500,
  /**
   * Another frequency that explains the marks nearly as well, which regular senders bring about. And the halves, each at
   * a frequency of its own, together explained better by so much: a pulse whose beginning jumped, not one with a period.
   */
  rivalMargin: 5,
} as const;

const OVERSAMPLING = 4;
const TRIES_A_TURN = 20;
const BINS = 24;

/** Returns the period of a noise that comes and goes, or null where none stands out or several explain it alike. */
export function noisePulse(all: readonly NoiseMark[]): NoisePulse | null {
  const { leastLoud, leastQuiet, mostP, leastPeriods, mostMarks, frequencies, rivalMargin } = PULSE_RULE;
  const inOrder = [...all].sort((a, b) => a.atUs - b.atUs);
  const marks = inOrder.length > mostMarks ? inOrder.slice(-mostMarks) : inOrder;
  const loud = marks.filter(({ isLoud }) => isLoud).length;
  const first = marks[0];
  const last = marks.at(-1);
  if (first === undefined || last === undefined || loud < leastLoud || marks.length - loud < leastQuiet)
    return null;
  const spanUs = last.atUs - first.atUs;
  if (!(spanUs > 0)) return null;
  const stepHz = 1 / (OVERSAMPLING * spanUs);
  const firstStep = leastPeriods * OVERSAMPLING;
  const powers = powersOf(marks, firstStep * stepHz, stepHz, frequencies);
  let best = 0;
  powers.forEach((power, i) => {
    if (power > (powers[best] ?? 0)) best = i;
  });
  const top = powers[best] ?? 0;
  const p = Math.min(1, frequencies * Math.exp(-top));
  // A slow change has its power below the periods that are found, and leaks into them.
  const slow = powersOf(marks, stepHz, stepHz, firstStep - 1);
  if (p >= mostP || slow.some((power) => power > top)) return null;
  const frequency = refined(marks, (firstStep + best) * stepHz, stepHz);
  const isRival = powers.some((power, i) => {
    if (power < top - rivalMargin) return false;
    const at = (firstStep + i) * stepHz;
    return !isRelated(at, frequency, 3 / spanUs);
  });
  if (isRival || !holdsInHalves(marks, frequency, first.atUs + spanUs / 2)) return null;
  const folded = bestPeriod(marks, 1 / frequency, spanUs / leastPeriods);
  return { ...folded, p };
}

/** Whether one frequency is a multiple or a part of the other. */
function isRelated(a: number, b: number, within: number): boolean {
  for (let k = 1; k <= 6; k += 1) {
    if (Math.abs(a - k * b) < within || Math.abs(k * a - b) < k * within) return true;
    for (let part = 2; part <= 4; part += 1) if (Math.abs(a - (k * b) / part) < within) return true;
  }
  return false;
}

/** Power of the marks at frequencies on an even grid, in units of its mean under chance. By turning phasors. */
function powersOf(
  marks: readonly NoiseMark[],
  fromPerUs: number,
  stepPerUs: number,
  count: number,
): Float64Array {
  const { weights, scale } = weightsOf(marks);
  const origin = marks[0]?.atUs ?? 0;
  const re = new Float64Array(count);
  const im = new Float64Array(count);
  marks.forEach(({ atUs }, i) => {
    const weight = weights[i] ?? 0;
    const t = 2 * Math.PI * (atUs - origin);
    let [c, s] = [Math.cos(t * fromPerUs), Math.sin(t * fromPerUs)];
    const [dc, ds] = [Math.cos(t * stepPerUs), Math.sin(t * stepPerUs)];
    for (let k = 0; k < count; k += 1) {
      re[k] = (re[k] ?? 0) + weight * c;
      im[k] = (im[k] ?? 0) + weight * s;
      const next = c * dc - s * ds;
      s = s * dc + c * ds;
      c = next;
    }
  });
  return re.map((value, k) => (value * value + (im[k] ?? 0) ** 2) / scale);
}

function weightsOf(marks: readonly NoiseMark[]): { weights: number[]; scale: number } {
  const share = marks.filter(({ isLoud }) => isLoud).length / marks.length;
  return {
    weights: marks.map(({ isLoud }) => (isLoud ? 1 : 0) - share),
    scale: marks.length * share * (1 - share),
  };
}

function phasorAt(marks: readonly NoiseMark[], perUs: number, originUs: number) {
  const { weights, scale } = weightsOf(marks);
  let re = 0;
  let im = 0;
  marks.forEach(({ atUs }, i) => {
    const angle = 2 * Math.PI * perUs * (atUs - originUs);
    re += (weights[i] ?? 0) * Math.cos(angle);
    im += (weights[i] ?? 0) * Math.sin(angle);
  });
  return { power: scale > 0 ? (re * re + im * im) / scale : 0, cycles: Math.atan2(im, re) / (2 * Math.PI) };
}

function refined(marks: readonly NoiseMark[], perUs: number, stepPerUs: number): number {
  const origin = marks[0]?.atUs ?? 0;
  let best = { perUs, power: 0 };
  for (let i = -10; i <= 10; i += 1) {
    const at = perUs + (i / 10) * stepPerUs;
    const { power } = phasorAt(marks, at, origin);
    if (power > best.power) best = { perUs: at, power };
  }
  return best.perUs;
}

function holdsInHalves(marks: readonly NoiseMark[], perUs: number, middleUs: number): boolean {
  const origin = marks[0]?.atUs ?? 0;
  const halves = [marks.filter(({ atUs }) => atUs < middleUs), marks.filter(({ atUs }) => atUs >= middleUs)];
  const [early, late] = halves.map((half) => phasorAt(half, perUs, origin));
  if (early === undefined || late === undefined) return false;
  const { mostPOfHalf, mostPhaseShift, rivalMargin } = PULSE_RULE;
  const least = -Math.log(mostPOfHalf);
  const apart = Math.abs(early.cycles - late.cycles);
  if (early.power < least || late.power < least || Math.min(apart, 1 - apart) > mostPhaseShift) return false;
  return halves.reduce((sum, half) => sum + betterNearby(half, perUs), 0) < rivalMargin;
}

/** By how much the best frequency within one turn more or less over the marks' time has more power; 0 or more. */
function betterNearby(marks: readonly NoiseMark[], perUs: number): number {
  const origin = marks[0]?.atUs ?? 0;
  const spanUs = (marks.at(-1)?.atUs ?? 0) - origin;
  const powers = powersOf(marks, perUs - 1 / spanUs, 1 / (TRIES_A_TURN * spanUs), 2 * TRIES_A_TURN + 1);
  return Math.max(...powers) - (powers[TRIES_A_TURN] ?? 0);
}

/** A harmonic may be as strong as the period itself: the one whose single on-time parts loud from quiet best. */
function bestPeriod(marks: readonly NoiseMark[], periodUs: number, mostUs: number) {
  const tries = [1, 2, 3, 4].flatMap((k) => [periodUs * k, periodUs / k]).filter((one) => one <= mostUs);
  const boxes = tries.map((one) => boxOf(marks, one));
  const [best = boxOf(marks, periodUs)] = boxes.sort((a, b) => b.logRatio - a.logRatio);
  const { periodUs: period, onShare, onFromUs } = best;
  return { periodUs: period, onShare, onFromUs };
}

/** The one contiguous part of the period that parts loud from quiet best, by likelihood. */
function boxOf(marks: readonly NoiseMark[], periodUs: number) {
  const origin = marks[0]?.atUs ?? 0;
  const loud = Array<number>(BINS).fill(0);
  const all = Array<number>(BINS).fill(0);
  for (const { atUs, isLoud } of marks) {
    const bin = Math.floor((((atUs - origin) % periodUs) / periodUs) * BINS) % BINS;
    all[bin] = (all[bin] ?? 0) + 1;
    if (isLoud) loud[bin] = (loud[bin] ?? 0) + 1;
  }
  const total = marks.length;
  const totalLoud = loud.reduce((sum, one) => sum + one, 0);
  let best = { logRatio: Number.NEGATIVE_INFINITY, start: 0, width: 1 };
  for (let start = 0; start < BINS; start += 1) {
    let inside = 0;
    let insideLoud = 0;
    for (let width = 1; width < BINS; width += 1) {
      const bin = (start + width - 1) % BINS;
      inside += all[bin] ?? 0;
      insideLoud += loud[bin] ?? 0;
      if (insideLoud * total <= totalLoud * inside) continue;
      const logRatio =
        logLikelihood(insideLoud, inside) + logLikelihood(totalLoud - insideLoud, total - inside);
      if (logRatio > best.logRatio) best = { logRatio, start, width };
    }
  }
  return {
    logRatio: best.logRatio,
    periodUs,
    onShare: best.width / BINS,
    onFromUs: origin + (best.start / BINS) * periodUs,
  };
}

function logLikelihood(hits: number, n: number): number {
  if (hits === 0 || hits === n) return 0;
  return hits * Math.log(hits / n) + (n - hits) * Math.log(1 - hits / n);
}

/** Whether a moment lies in an on-time; `core`: at least one step of the search away from its edges, where it is wide enough. */
export function isOnTime({ periodUs, onShare, onFromUs }: NoisePulse, atUs: number, core = false): boolean {
  const phase = ((((atUs - onFromUs) % periodUs) + periodUs) % periodUs) / periodUs;
  const edge = core && onShare * BINS > 3.5 ? 1 / BINS : 0;
  return phase >= edge && phase < onShare - edge;
}
