/**
 * The fit against its model, written down a second time: the likelihood of each trial by integration over the level that
 * nobody knows, on a grid, where the fit uses closed forms and derivatives of its own. At the fit no parameter, moved to
 * either side, may gain.
 */
import { describe, expect, it } from "vitest";
import { createRandom, normal } from "../../src/simulate/time-and-chance.ts";
import { intervalT, normalCdf, normalDensity } from "../../src/statistics/distributions.ts";
import { inverseOf } from "../../src/statistics/maximum-likelihood.ts";
import { softThreshold } from "../../src/statistics/soft-threshold.ts";
import type { ThresholdSeries, ThresholdTrial } from "../../src/statistics/threshold-likelihood.ts";

const OPTIONS = { ceiling: 4, readingSigma: 0.6, start: { threshold: 0, width: 1.28 } };

/** Two series about a threshold of 0.5, with all that a trial can have: neighbours, shifts, a ceiling, unknown channels. */
function drawn(): ThresholdSeries[] {
  const random = createRandom(7, "threshold model");
  return [1, 2.2].map((middle, j) =>
    Array.from({ length: 90 }, (_, i): ThresholdTrial => {
      const around = Math.sin(i / 6);
      const shift = i % 3 === 0 ? 0.8 : -0.4;
      const level = middle + 0.7 * around + shift + (1.3 + 0.4 * j) * normal(random);
      const isRead = random.uniform() < 0.93 * normalCdf((level - 0.5) / 1.2);
      const reading = isRead ? level + 0.6 * normal(random) : null;
      return { reading, around, shift, extraVariance: i % 4 === 0 ? 0.9 : 0, block: Math.floor(i / 10) };
    }),
  );
}

interface Parameters {
  readonly threshold: number;
  readonly width: number;
  readonly asymptote: number;
  readonly series: readonly { readonly base: number; readonly follow: number; readonly sigma: number }[];
}

/** Sum over the level x, normal about `mean`, of a function of it: steps of a fifth of its spread. */
function overLevels(mean: number, spread: number, of: (x: number) => number): number {
  let sum = 0;
  for (let i = -30; i <= 30; i++) sum += (normalDensity(i / 5) / 5) * of(mean + (spread * i) / 5);
  return sum;
}

const belief = (value: number, at: number, spread: number) => -(((value - at) / spread) ** 2) / 2;
const beliefOfShared = ({ width, asymptote }: Omit<Parameters, "series">) =>
  belief(Math.log(width), Math.log(OPTIONS.start.width), 0.5) +
  belief(Math.log(asymptote / (1 - asymptote)), Math.log(0.97 / 0.03), 1.5);
const beliefOfSeries = ({ follow, sigma }: Parameters["series"][number]) =>
  belief(follow, 0.5, 1) + belief(Math.log(sigma), Math.log(2), 1);

function ofTrial(
  { reading, around, shift, extraVariance }: ThresholdTrial,
  { threshold, width, asymptote }: Omit<Parameters, "series">,
  { base, follow, sigma }: Parameters["series"][number],
): number {
  const { ceiling, readingSigma: q } = OPTIONS;
  const read = (x: number) => asymptote * normalCdf((x - threshold) / width);
  const mean = base + follow * around + shift;
  if (reading === null) return Math.log(1 - overLevels(mean, Math.sqrt(sigma ** 2 + extraVariance), read));
  // At its ceiling a reading says "at least so much", far above the knee.
  if (reading >= ceiling) return Math.log(asymptote * normalCdf((mean - ceiling) / Math.hypot(sigma, q)));
  return Math.log(overLevels(mean, sigma, (x) => (read(x) * normalDensity((reading - x) / q)) / q));
}

function logLikelihood(all: readonly ThresholdSeries[], { series, ...shared }: Parameters) {
  let sum = beliefOfShared(shared);
  all.forEach((trials, j) => {
    const own = series[j] ?? { base: 0, follow: 0, sigma: 1 };
    sum += beliefOfSeries(own);
    for (const trial of trials) sum += ofTrial(trial, shared, own);
  });
  return sum;
}

/**
 * Half-widths of the interval that each grouping of the trials gives: how far each trial moves the threshold (the inverse
 * of the second derivatives times its own slopes), summed within blocks and within pairs, fours … of blocks;
 * and the one of the second derivatives alone, with the t of the first grouping.
 */
function halfWidths(all: readonly ThresholdSeries[], fit: Parameters) {
  const size = 3 + 3 * all.length;
  const point = [
    fit.threshold,
    Math.log(fit.width),
    Math.log(fit.asymptote / (1 - fit.asymptote)),
    ...fit.series.flatMap(({ base, follow, sigma }) => [base, follow, Math.log(sigma)]),
  ];
  const sharedOf = ([threshold = 0, logWidth = 0, logOdds = 0]: readonly number[]) => ({
    threshold,
    width: Math.exp(logWidth),
    asymptote: 1 / (1 + Math.exp(-logOdds)),
  });
  const ownOf = ([base = 0, follow = 0, logSigma = 0]: readonly number[]) => ({
    base,
    follow,
    sigma: Math.exp(logSigma),
  });
  const step = 1e-3;
  const moved = (at: readonly number[], ...by: readonly (readonly [number, number])[]) => {
    const next = [...at];
    for (const [i, sign] of by) next[i] = (next[i] ?? 0) + sign * step;
    return next;
  };
  const information = Array.from({ length: size }, () => Array<number>(size).fill(0));
  /** Takes away the second derivatives of a function of some of the parameters. */
  const curve = (places: readonly number[], of: (at: readonly number[]) => number) => {
    const at = places.map((place) => point[place] ?? 0);
    for (const [a, row] of places.entries())
      for (const [b, column] of places.slice(0, a + 1).entries()) {
        const second =
          of(moved(at, [a, 1], [b, 1])) -
          of(moved(at, [a, 1], [b, -1])) -
          of(moved(at, [a, -1], [b, 1])) +
          of(moved(at, [a, -1], [b, -1]));
        for (const [i, j] of a === b
          ? [[row, row]]
          : [
              [row, column],
              [column, row],
            ]) {
          const line = information[i ?? 0] ?? [];
          line[j ?? 0] = (line[j ?? 0] ?? 0) - second / (4 * step * step);
        }
      }
  };
  curve([0, 1, 2], (at) => beliefOfShared(sharedOf(at)));
  const slopes = all.map((trials, j) => {
    const places = [0, 1, 2, 3 + 3 * j, 4 + 3 * j, 5 + 3 * j];
    const at = places.map((place) => point[place] ?? 0);
    curve(places.slice(3), (own) => beliefOfSeries(ownOf(own)));
    return trials.map((trial) => {
      const of = (all6: readonly number[]) => ofTrial(trial, sharedOf(all6), ownOf(all6.slice(3)));
      curve(places, of);
      return places.map(
        (place, i) => [place, (of(moved(at, [i, 1])) - of(moved(at, [i, -1]))) / (2 * step)] as const,
      );
    });
  });
  const [toThreshold = []] = inverseOf(information) ?? [];
  const influence = slopes.map((trials) =>
    trials.map((one) => one.reduce((sum, [place, slope]) => sum + (toThreshold[place] ?? 0) * slope, 0)),
  );
  const grouped = (groupOf: (trial: ThresholdTrial) => number) =>
    all.flatMap((trials, j) => {
      const sums = new Map<number, number>();
      for (const [k, trial] of trials.entries())
        sums.set(groupOf(trial), (sums.get(groupOf(trial)) ?? 0) + (influence[j]?.[k] ?? 0));
      return [...sums.values()];
    });
  const spread = (sums: readonly number[]) => {
    const squares = sums.reduce((sum, one) => sum + one ** 2, 0);
    const fourths = sums.reduce((sum, one) => sum + one ** 4, 0);
    const degrees = Math.max(1, Math.min(sums.length - 1, (3 * squares ** 2) / fourths));
    return {
      count: sums.length,
      t: intervalT(0.95, degrees),
      error: Math.sqrt((squares * sums.length) / (sums.length - 1)),
    };
  };
  const single = spread(grouped(({ block }) => block));
  const longer = [1, 2, 3, 4, 5]
    .map((doubling) => spread(grouped(({ block }) => Math.floor(block / 2 ** doubling))))
    .filter(({ count }) => count >= 12);
  const half = ({ t, error }: { readonly t: number; readonly error: number }) => t * error;
  return {
    single: half(single),
    longer: longer.map(half),
    model: single.t * Math.sqrt(toThreshold[0] ?? 0),
  };
}

describe("the fit of a soft threshold", () => {
  const series = drawn();
  const fitted = () =>
    softThreshold(series, OPTIONS) ?? { threshold: 0, low: 0, high: 0, width: 1, asymptote: 0.9, series: [] };

  it("has what it was drawn with: read, missed and at the ceiling", () => {
    const readings = series.flat().map(({ reading }) => reading);
    expect(readings.filter((one) => one === null).length).toBeGreaterThan(30);
    expect(readings.filter((one) => one !== null && one >= 4).length).toBeGreaterThan(10);
    expect(Math.abs(fitted().threshold - 0.5)).toBeLessThan(1);
  });

  const moved = (at: Parameters, name: string, by: number): Parameters => {
    const [field = "", j] = name.split(" ");
    const logOdds = Math.log(at.asymptote / (1 - at.asymptote));
    if (field === "threshold") return { ...at, threshold: at.threshold + by };
    if (field === "width") return { ...at, width: at.width * Math.exp(by) };
    if (field === "asymptote") return { ...at, asymptote: 1 / (1 + Math.exp(-logOdds - by)) };
    const own = at.series.map((one, k) => {
      if (k !== Number(j)) return one;
      if (field === "base") return { ...one, base: one.base + by };
      return field === "follow"
        ? { ...one, follow: one.follow + by }
        : { ...one, sigma: one.sigma * Math.exp(by) };
    });
    return { ...at, series: own };
  };

  const NAMES = [
    "threshold",
    "width",
    "asymptote",
    "base 0",
    "follow 0",
    "sigma 0",
    "base 1",
    "follow 1",
    "sigma 1",
  ];

  it("stands at the top of the likelihood in every parameter", () => {
    const at = fitted();
    const step = 0.02;
    const top = logLikelihood(series, at);
    for (const name of NAMES) {
      const up = logLikelihood(series, moved(at, name, step)) - top;
      const down = logLikelihood(series, moved(at, name, -step)) - top;
      const curvature = -(up + down) / step ** 2;
      expect(curvature, name).toBeGreaterThan(0);
      // How far the top lies away by Newton's step, against the spread that the curvature gives: a hundredth of it.
      const away = (up - down) / (2 * step) / curvature;
      expect(Math.abs(away) * Math.sqrt(curvature), name).toBeLessThan(0.01);
    }
  });

  it("has the widest interval of the groupings, worked out from what is written down", () => {
    const half = (all: readonly ThresholdSeries[]) => {
      const fit = softThreshold(all, OPTIONS);
      if (fit === null) throw new Error("no fit");
      expect(fit.high - fit.threshold).toBeCloseTo(fit.threshold - fit.low, 9);
      return { found: fit.high - fit.threshold, ...halfWidths(all, fit) };
    };
    const of = (count: number, length: number, by: (trial: ThresholdTrial, i: number, j: number) => object) =>
      Array.from({ length: count }, (_, j) =>
        (series[j % 2] ?? []).slice(0, length).map((trial, i) => ({ ...trial, ...by(trial, i, j) })),
      );
    const shown = [
      // Pairs of trials: the second derivatives alone are the widest.
      of(2, 90, (_, i) => ({ block: Math.floor(i / 2) })),
      // What was read and what was missed in blocks of their own: single blocks, of which two together move it little.
      of(2, 60, ({ reading }, i) => ({ block: 2 * Math.floor(i / 6) + (reading === null ? 1 : 0) })),
      // Series that do not agree, in single trials: those of eight together, of which twelve are left.
      of(3, 30, ({ reading }, i, j) => ({
        block: i,
        reading: reading === null ? null : reading + (j < 2 ? 1 : -1),
      })),
    ].map(half);
    const widest = shown.map(({ single, longer, model }) => [single, Math.max(...longer), model]);
    expect(widest.map((all) => all.indexOf(Math.max(...all)))).toEqual([2, 0, 1]);
    expect(shown[2]?.longer.indexOf(Math.max(...(shown[2]?.longer ?? [])))).toBe(2);
    for (const [i, { found }] of shown.entries())
      expect(found).toBeCloseTo(Math.max(...(widest[i] ?? [])), 4);
  });

  it("has an interval that no model-free reading of the curvature makes narrower", () => {
    // With all other parameters known the curvature alone gives 1.96 / sqrt(curvature): the least that is honest.
    const step = 0.02;
    const at = fitted();
    const top = logLikelihood(series, at);
    const curvature =
      -(
        logLikelihood(series, moved(at, "threshold", step)) +
        logLikelihood(series, moved(at, "threshold", -step)) -
        2 * top
      ) /
      step ** 2;
    const half = (at.high - at.low) / 2;
    expect(half).toBeGreaterThan(1.96 / Math.sqrt(curvature));
    expect(at.high - at.threshold).toBeCloseTo(half, 9);
  });
});
