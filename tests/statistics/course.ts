import { createRandom, normal } from "../../src/simulate/time-and-chance.ts";

export const START_US = 1_770_000_000_000_000;
export const HOUR_US = 3_600_000_000;

interface Course {
  readonly seed: number;
  readonly hours: number;
  readonly rhythmS: number;
  /** Standard deviation and correlation time of the wander. */
  readonly wanderDb?: number;
  readonly wanderMinutes?: number;
  readonly levelAt?: (hour: number) => number;
  /** Hours in which nothing is heard. */
  readonly silent?: readonly [number, number];
}

/** SNR of a link: a level, a wander, scatter from frame to frame, quarters of a dB, a twentieth missing. */
export function course({
  seed,
  hours,
  rhythmS,
  wanderDb = 1.2,
  wanderMinutes = 30,
  levelAt,
  silent,
}: Course) {
  const random = createRandom(seed, "course");
  const points: { tUs: number; value: number }[] = [];
  let wander = wanderDb * normal(random);
  for (let s = 0; s < hours * 3600; s += rhythmS * (0.95 + 0.1 * random.uniform())) {
    const kept = Math.exp(-rhythmS / (wanderMinutes * 60));
    wander = kept * wander + Math.sqrt(1 - kept ** 2) * wanderDb * normal(random);
    const hour = s / 3600;
    const value = (levelAt?.(hour) ?? 0) - 2 + wander + 1.25 * normal(random);
    if (random.uniform() < 0.05) continue;
    if (silent !== undefined && hour >= silent[0] && hour < silent[1]) continue;
    points.push({ tUs: START_US + Math.round(s * 1e6), value: Math.round(value * 4) / 4 });
  }
  return points;
}
