/**
 * The fit against its model, written down a second time: the likelihood of each trial by integration over the level that
 * nobody knows, on a grid, where the fit uses closed forms and derivatives of its own. At the fit no parameter, moved to
 * either side, may gain.
 */
import { describe, expect, it } from "vitest";
import { createRandom, normal } from "../../src/simulate/random.ts";
import { normalCdf, normalDensity } from "../../src/statistics/distributions.ts";
import {
  softThreshold,
  type ThresholdSeries,
  type ThresholdTrial,
} from "../../src/statistics/soft-threshold.ts";

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

/** Sum over the level x, normal about `mean`, of a function of it: steps of a fortieth of its spread. */
function overLevels(mean: number, spread: number, of: (x: number) => number): number {
  let sum = 0;
  for (let z = -7; z <= 7; z += 0.025) sum += normalDensity(z) * 0.025 * of(mean + spread * z);
  return sum;
}

function logLikelihood(all: readonly ThresholdSeries[], { threshold, width, asymptote, series }: Parameters) {
  const { ceiling, readingSigma: q, start } = OPTIONS;
  const read = (x: number) => asymptote * normalCdf((x - threshold) / width);
  const belief = (value: number, at: number, spread: number) => -(((value - at) / spread) ** 2) / 2;
  let sum = belief(Math.log(width), Math.log(start.width), 0.5);
  sum += belief(Math.log(asymptote / (1 - asymptote)), Math.log(0.97 / 0.03), 1.5);
  all.forEach((trials, j) => {
    const { base, follow, sigma } = series[j] ?? { base: 0, follow: 0, sigma: 1 };
    sum += belief(follow, 0.5, 1) + belief(Math.log(sigma), Math.log(2), 1);
    for (const { reading, around, shift, extraVariance } of trials) {
      const mean = base + follow * around + shift;
      if (reading === null)
        sum += Math.log(1 - overLevels(mean, Math.sqrt(sigma ** 2 + extraVariance), read));
      // At its ceiling a reading says "at least so much", far above the knee.
      else if (reading >= ceiling)
        sum += Math.log(asymptote * normalCdf((mean - ceiling) / Math.hypot(sigma, q)));
      else sum += Math.log(overLevels(mean, sigma, (x) => (read(x) * normalDensity((reading - x) / q)) / q));
    }
  });
  return sum;
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
