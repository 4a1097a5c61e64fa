/** Which noise stood out on the air: for a loud time, in pulses, or standing all the time? Before gateways are compared. */
import type { NoiseSource } from "../contract/others-on-air.ts";
import { overlapUs, type TimeRange } from "../model/time-range.ts";
import {
  isOnTime,
  type LoudNoise,
  loudNoise,
  type NoiseMark,
  type NoisePulse,
  noisePulse,
  quietOf,
} from "../radio/noise-pulse.ts";
import { median, robustSigma } from "../statistics/robust.ts";
import type { ChannelEvidence, GatewayEvidence } from "./air-evidence.ts";

/** Two loud times are one source when they share so much of the time that both cover. Chosen. */
const SAME_SHARE = 0.5;
/** Share of the samples within a loud time from which it is steady, and of how many at least. Chosen. */
const STEADY = { share: 0.95, leastSamples: 20 } as const;
/** Shares of loud samples between which a channel may hold pulses; what is more is a loud time. Chosen. */
const PULSED = { leastShare: 0.05, mostShare: 0.9, leastLoud: 3 } as const;
/** Standing noise: a channel so far above its gateway's other channels. Common practice, no source: 6 dB is severe. */
const STANDING = { leastDb: 6, leastSamples: 20, leastOthers: 2 } as const;
/** A loud time and pulses belong together by this share of the pulses' time; and parts by which that is timed. Chosen. */
const PART_SHARE = 0.5;
const RANGE_PARTS = 24;

export interface NoiseGateway {
  readonly eui: string;
  readonly name: string | null;
  readonly evidence: GatewayEvidence;
}

/** A noise that was found, before gateways are compared. */
export interface Found {
  readonly kind: NoiseSource["kind"];
  readonly eui: string;
  readonly range: TimeRange;
  readonly beginSeen: boolean;
  readonly endSeen: boolean;
  readonly riseDb: number;
  readonly frequenciesHz: readonly number[];
  readonly pulse: NoisePulse | null;
  readonly course: NoiseSource["course"]["verdict"];
}

export function foundOf(gateways: readonly NoiseGateway[], stretch: TimeRange): Found[] {
  const loud = gateways.flatMap(({ eui, evidence }) =>
    [...evidence.channels.values()].flatMap((channel) => {
      const one = loudNoise(channel.noise);
      return one === null ? [] : [{ eui, channel, one }];
    }),
  );
  const episodes: Found[] = [];
  const taken = new Set<(typeof loud)[number]>();
  for (const seed of [...loud].sort((a, b) => b.one.riseDb - a.one.riseDb)) {
    if (taken.has(seed)) continue;
    const same = loud.filter((other) => !taken.has(other) && sharedTime(seed.one, other.one) >= SAME_SHARE);
    for (const one of same) taken.add(one);
    const ofSeed = same.filter(({ eui }) => eui === seed.eui);
    episodes.push(episodeOf(seed, ofSeed, [...new Set(same.map(({ channel }) => channel.frequencyHz))]));
  }
  const pulses = pulsesOf(gateways);
  // A short loud time amid pulses of its channel is some of them; pulses of a long one are timed as its course.
  const isPart = (episode: Found, pulse: Found) =>
    episode.frequenciesHz.some((hz) => pulse.frequenciesHz.includes(hz)) &&
    overlapUs(episode.range, pulse.range) > 0 &&
    lengthUs(episode.range) < PART_SHARE * lengthUs(pulse.range);
  const isCovered = (pulse: Found, episode: Found) =>
    pulse.frequenciesHz.some((hz) => episode.frequenciesHz.includes(hz)) &&
    overlapUs(episode.range, pulse.range) >= PART_SHARE * lengthUs(pulse.range);
  const timed = [
    ...episodes.filter((episode) => !pulses.some((pulse) => isPart(episode, pulse))),
    ...pulses.filter((pulse) => !episodes.some((episode) => isCovered(pulse, episode))),
  ];
  const busy = new Set(timed.flatMap(({ frequenciesHz }) => frequenciesHz));
  return [...timed, ...standingOf(gateways, stretch, busy)];
}

function lengthUs({ fromUs, toUs }: TimeRange): number {
  return Math.max(1, toUs - fromUs);
}

function sharedTime(a: LoudNoise, b: LoudNoise): number {
  return overlapUs(a, b) / Math.max(1, Math.max(a.toUs, b.toUs) - Math.min(a.fromUs, b.fromUs));
}

interface LoudChannel {
  readonly eui: string;
  readonly channel: ChannelEvidence;
  readonly one: LoudNoise;
}

function episodeOf(
  seed: LoudChannel,
  ofSeed: readonly LoudChannel[],
  frequenciesHz: readonly number[],
): Found {
  const { fromUs, toUs, beginSeen, endSeen, riseDb } = seed.one;
  const marks = ofSeed.flatMap(({ channel }) => {
    const { quietDbm } = quietOf(channel.noise.map(({ noiseDbm }) => noiseDbm));
    return channel.noise
      .filter(({ atUs }) => atUs >= fromUs && atUs <= toUs)
      .map(({ atUs, noiseDbm }) => ({ atUs, isLoud: noiseDbm >= quietDbm + riseDb / 2 }));
  });
  const pulse = noisePulse(marks);
  const share = marks.filter(({ isLoud }) => isLoud).length / Math.max(1, marks.length);
  const isSteady = marks.length >= STEADY.leastSamples && share >= STEADY.share;
  return {
    kind: "loud time",
    eui: seed.eui,
    range: { fromUs, toUs },
    beginSeen,
    endSeen,
    riseDb,
    frequenciesHz: [...frequenciesHz].sort((a, b) => a - b),
    pulse,
    course: pulse !== null ? "pulsed" : isSteady ? "steady" : "open",
  };
}

interface Marked {
  readonly channel: ChannelEvidence;
  readonly marks: readonly NoiseMark[];
  readonly riseDb: number;
}

function pulsesOf(gateways: readonly NoiseGateway[]): Found[] {
  const found = gateways.flatMap(({ eui, evidence }) => {
    const marked = [...evidence.channels.values()].flatMap((channel): Marked[] => {
      const { quietDbm, leastRiseDb } = quietOf(channel.noise.map(({ noiseDbm }) => noiseDbm));
      const loudDbm = quietDbm + leastRiseDb;
      const marks = channel.noise.map(({ atUs, noiseDbm }) => ({ atUs, isLoud: noiseDbm >= loudDbm }));
      const loud = channel.noise.filter(({ noiseDbm }) => noiseDbm >= loudDbm);
      const share = loud.length / Math.max(1, marks.length);
      if (loud.length < PULSED.leastLoud || share < PULSED.leastShare || share > PULSED.mostShare) return [];
      return [
        { channel, marks, riseDb: (median(loud.map(({ noiseDbm }) => noiseDbm)) ?? quietDbm) - quietDbm },
      ];
    });
    const together = marked.length > 1 ? pulseFound(eui, marked) : [];
    return together.length > 0 ? together : marked.flatMap((one) => pulseFound(eui, [one]));
  });
  const sorted = found.sort((a, b) => b.riseDb - a.riseDb);
  // Of one period at several gateways the clearest stands for all.
  return sorted.filter((one, i) => !sorted.slice(0, i).some((other) => isSamePulse(one, other)));
}

function isSamePulse(a: Found, b: Found): boolean {
  const [one, other] = [a.pulse?.periodUs ?? 0, b.pulse?.periodUs ?? 0];
  const isNear = Math.abs(one - other) <= 0.02 * Math.max(one, other);
  return isNear && a.frequenciesHz.some((hz) => b.frequenciesHz.includes(hz));
}

function pulseFound(eui: string, marked: readonly Marked[]): Found[] {
  const all = marked.flatMap(({ marks }) => marks);
  const whole = rangeOf(all.filter(({ isLoud }) => isLoud));
  const within = (range: TimeRange) => all.filter(({ atUs }) => atUs >= range.fromUs && atUs <= range.toUs);
  const first = noisePulse(within(whole));
  if (first === null) return [];
  const trimmed = trimmedRange(within(whole), whole, first);
  const second = trimmed === null ? null : noisePulse(within(trimmed));
  const [pulse, range] = trimmed === null || second === null ? [first, whole] : [second, trimmed];
  const firstUs = Math.min(...all.map(({ atUs }) => atUs));
  const lastUs = Math.max(...all.map(({ atUs }) => atUs));
  return [
    {
      kind: "pulsed",
      eui,
      range,
      beginSeen: range.fromUs - firstUs > 3 * pulse.periodUs,
      endSeen: lastUs - range.toUs > 3 * pulse.periodUs,
      riseDb: Math.max(...marked.map(({ riseDb }) => riseDb)),
      frequenciesHz: marked.map(({ channel }) => channel.frequencyHz).sort((a, b) => a - b),
      pulse,
      course: "pulsed",
    },
  ];
}

function rangeOf(marks: readonly NoiseMark[]): TimeRange {
  const times = marks.map(({ atUs }) => atUs);
  return { fromUs: Math.min(...times), toUs: Math.max(...times) };
}

/** Frames that others overlap look loud too, before and after: the part of the time in which on-times are mostly loud. */
function trimmedRange(marks: readonly NoiseMark[], range: TimeRange, pulse: NoisePulse): TimeRange | null {
  const parts = Array.from({ length: RANGE_PARTS }, () => ({ on: 0, loud: [] as NoiseMark[] }));
  for (const mark of marks) {
    if (!isOnTime(pulse, mark.atUs)) continue;
    const at = Math.floor(((mark.atUs - range.fromUs) / (lengthUs(range) + 1)) * RANGE_PARTS);
    const part = parts[at];
    if (part === undefined) continue;
    part.on += 1;
    if (mark.isLoud) part.loud.push(mark);
  }
  const isIn = parts.map(({ on, loud }) => on >= 2 && 2 * loud.length >= on);
  const [first, last] = [isIn.indexOf(true), isIn.lastIndexOf(true)];
  return first < 0 ? null : rangeOf(parts.slice(first, last + 1).flatMap(({ loud }) => loud));
}

function standingOf(
  gateways: readonly NoiseGateway[],
  stretch: TimeRange,
  busy: ReadonlySet<number>,
): Found[] {
  const found = gateways.flatMap(({ eui, evidence }) =>
    [...evidence.channels.values()].flatMap((channel): Found[] => {
      if (busy.has(channel.frequencyHz)) return [];
      const level = standingLevel(channel);
      const others = otherLevel(evidence, [channel.frequencyHz]);
      if (level === null || others === null || level - others.dbm < STANDING.leastDb) return [];
      return [
        {
          kind: "standing",
          eui,
          range: stretch,
          beginSeen: false,
          endSeen: false,
          riseDb: level - others.dbm,
          frequenciesHz: [channel.frequencyHz],
          pulse: null,
          course: "steady",
        },
      ];
    }),
  );
  const sorted = found.sort((a, b) => b.riseDb - a.riseDb);
  return sorted.filter(
    (one, i) => !sorted.slice(0, i).some(({ frequenciesHz }) => frequenciesHz[0] === one.frequenciesHz[0]),
  );
}

function standingLevel({ noise }: ChannelEvidence): number | null {
  return noise.length < STANDING.leastSamples ? null : median(noise.map(({ noiseDbm }) => noiseDbm));
}

/** Level of a gateway's other channels, as its quiet one where a noise never pauses. */
export function otherLevel({ channels }: GatewayEvidence, without: readonly number[]) {
  const levels = [...channels.values()].flatMap((channel) =>
    without.includes(channel.frequencyHz) ? [] : (standingLevel(channel) ?? []),
  );
  const dbm = median(levels);
  if (levels.length < STANDING.leastOthers || dbm === null) return null;
  // Channels of one gateway differ by themselves: the spread is that of a channel, not of their median.
  return { dbm, error: robustSigma(levels, 1) ?? 1, samples: levels.length };
}
