/** Which noise stood out on the air, how did it behave, and at which gateway was it strongest? */

import type { NoiseSource } from "../contract/others-on-air.ts";
import { placeWords, sourceWords, walkWords } from "../diagnosis/noise-sentences.ts";
import { rounded } from "../model/rounding.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { linkDistanceM } from "../radio/geometry.ts";
import {
  isOnTime,
  LOUD_RULE,
  type LoudNoise,
  loudNoise,
  type NoiseMark,
  type NoisePulse,
  noisePulse,
} from "../radio/loud-noise.ts";
import type { TimedNoise } from "../radio/noise.ts";
import {
  levelOf,
  type NoisePlace,
  type NoiseTime,
  noisePlace,
  type PlaceGateway,
} from "../radio/noise-place.ts";
import { median, quantile, robustSigma } from "../statistics/robust.ts";
import type { ChannelEvidence, GatewayEvidence } from "./air-evidence.ts";
import type { Places } from "./user-data.ts";

const MAX_SOURCES = 12;
/** Two loud times are one source when they share so much of the time that both cover. Chosen. */
const SAME_SHARE = 0.5;
/** Share of the samples within a loud time from which it is steady, and of how many at least. Chosen. */
const STEADY = { share: 0.95, leastSamples: 20 } as const;
/** Shares of loud samples between which a channel may hold pulses; what is more is a loud time. Chosen. */
const PULSED = { leastShare: 0.05, mostShare: 0.9, leastLoud: 3 } as const;
/** Standing noise: a channel so far above its gateway's other channels. Common practice, no source: 6 dB is severe. */
const STANDING = { leastDb: 6, leastSamples: 20, leastOthers: 2 } as const;
const LEAST_HOUR_SAMPLES = 5;
/** A loud time and pulses belong together by this share of the pulses' time; and parts by which that is timed. Chosen. */
const PART_SHARE = 0.5;
const RANGE_PARTS = 24;
/** A gateway that heard at least this share of its usual packets on other channels was there. Chosen. */
const ALIVE_SHARE = 0.5;

export interface NoiseGateway {
  readonly eui: string;
  readonly name: string | null;
  readonly evidence: GatewayEvidence;
}

/** A noise that was found, before gateways are compared. */
interface Found {
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

/** Returns what stood out within `stretch`, strongest first. */
export function noiseSources(
  gateways: readonly NoiseGateway[],
  stretch: TimeRange,
  places: Places,
): NoiseSource[] {
  return foundOf(gateways, stretch)
    .sort((a, b) => b.riseDb - a.riseDb)
    .slice(0, MAX_SOURCES)
    .map((found) => sourceOf(found, gateways, stretch, places));
}

function foundOf(gateways: readonly NoiseGateway[], stretch: TimeRange): Found[] {
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

function overlapUs(a: TimeRange, b: TimeRange): number {
  return Math.min(a.toUs, b.toUs) - Math.max(a.fromUs, b.fromUs);
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
    const { quietDbm } = quietOf(channel.noise);
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

/** The quiet level of a channel, and from which level on a sample is loud. */
function quietOf(samples: readonly TimedNoise[]): { quietDbm: number; loudDbm: number } {
  const levels = samples.map(({ noiseDbm }) => noiseDbm);
  const quietDbm = quantile(levels, LOUD_RULE.quietShare) ?? 0;
  const calm = levels.filter((level) => level - quietDbm < LOUD_RULE.leastRiseDb);
  const rise = Math.max(LOUD_RULE.leastRiseDb, LOUD_RULE.leastDeviations * (robustSigma(calm) ?? 0));
  return { quietDbm, loudDbm: quietDbm + rise };
}

interface Marked {
  readonly channel: ChannelEvidence;
  readonly marks: readonly NoiseMark[];
  readonly riseDb: number;
}

function pulsesOf(gateways: readonly NoiseGateway[]): Found[] {
  const found = gateways.flatMap(({ eui, evidence }) => {
    const marked = [...evidence.channels.values()].flatMap((channel): Marked[] => {
      const { quietDbm, loudDbm } = quietOf(channel.noise);
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
function otherLevel({ channels }: GatewayEvidence, without: readonly number[]) {
  const levels = [...channels.values()].flatMap((channel) =>
    without.includes(channel.frequencyHz) ? [] : (standingLevel(channel) ?? []),
  );
  const dbm = median(levels);
  if (levels.length < STANDING.leastOthers || dbm === null) return null;
  // Channels of one gateway differ by themselves: the spread is that of a channel, not of their median.
  return { dbm, error: robustSigma(levels, 1) ?? 1, samples: levels.length };
}

function timeOf({ kind, range, pulse }: Found, stretch: TimeRange): NoiseTime {
  const { fromUs, toUs } = range;
  const isWithin = (atUs: number) => atUs >= fromUs && atUs <= toUs;
  if (kind === "pulsed" && pulse !== null) {
    const edgeUs = 0.05 * pulse.periodUs;
    const spanUs = toUs - fromUs;
    return {
      fromUs,
      toUs,
      isOn: (atUs) => isWithin(atUs) && isOnTime(pulse, atUs, true),
      isOff: (atUs) => !isOnTime(pulse, atUs - edgeUs) && !isOnTime(pulse, atUs + edgeUs),
      onUs: (pulse.onShare > 0.15 ? pulse.onShare - 2 / 24 : pulse.onShare) * spanUs,
      offUs: stretch.toUs - stretch.fromUs - (pulse.onShare + 0.1) * spanUs,
    };
  }
  const guardUs = 60e6 + 0.05 * (toUs - fromUs);
  return {
    fromUs,
    toUs,
    isOn: isWithin,
    isOff: (atUs) => atUs < fromUs - guardUs || atUs > toUs + guardUs,
    onUs: toUs - fromUs,
    offUs: Math.max(0, fromUs - guardUs - stretch.fromUs) + Math.max(0, stretch.toUs - toUs - guardUs),
  };
}

function sourceOf(
  found: Found,
  gateways: readonly NoiseGateway[],
  stretch: TimeRange,
  places: Places,
): NoiseSource {
  const { kind, frequenciesHz, pulse, range } = found;
  const time = timeOf(found, stretch);
  const compared = gateways.flatMap(({ eui, evidence }): PlaceGateway[] => {
    const channels = frequenciesHz.flatMap((hz) => evidence.channels.get(hz) ?? []);
    // One that never heard anything there does not listen there.
    if (channels.length === 0) return [];
    return [
      {
        eui,
        channels: channels.map(({ frequencyHz, noise, drowning }) => ({
          frequencyHz,
          samples: believed(noise),
          drowning,
        })),
        antennaGainDbi: places.of("gateway", eui)?.antennaGainDbi ?? null,
        quietDbm: kind === "standing" ? otherLevel(evidence, frequenciesHz) : null,
        isAlive: isAlive(evidence, frequenciesHz, time),
      },
    ];
  });
  const place = noisePlace(compared, time);
  const titles = new Map(gateways.map(({ eui, name }) => [eui, name ?? eui]));
  const titleOf = (eui: string) => titles.get(eui) ?? eui;
  const shownAt = gateways.find(({ eui }) => eui === found.eui);
  const source = {
    kind,
    from: isoTime(range.fromUs),
    to: isoTime(range.toUs),
    beginSeen: found.beginSeen,
    endSeen: found.endSeen,
    frequenciesHz: [...frequenciesHz],
    width: shownAt === undefined ? ("open" as const) : widthOf(shownAt.evidence, found, time),
    course: {
      verdict: found.course,
      periodSeconds: pulse === null ? null : rounded(pulse.periodUs / 1e6, 2),
      onShare: pulse === null ? null : rounded(pulse.onShare, 3),
      p: pulse === null ? null : pulse.p,
    },
  };
  return {
    ...source,
    loudestHours: shownAt === undefined ? [] : loudestHours(shownAt.evidence, frequenciesHz),
    gateways: place.gateways.map((one) => ({
      gatewayEui: one.eui,
      gatewayName: gateways.find(({ eui }) => eui === one.eui)?.name ?? null,
      status: one.status,
      frequencyHz: one.frequencyHz,
      samples: one.samples,
      quietDbm: rounded(one.quietDbm, 1),
      loudDbm: rounded(one.loudDbm, 1),
      riseDb: rounded(one.riseDb, 1),
      riseInterval95:
        one.riseInterval === null ? null : [rounded(one.riseInterval[0], 1), rounded(one.riseInterval[1], 1)],
      receivedDbm: rounded(one.receivedDbm, 1),
    })),
    place: {
      verdict: place.verdict,
      gatewayEui: place.eui,
      differenceDb: rounded(place.differenceDb, 1),
      lowDb: rounded(place.lowDb, 1),
      highDb: rounded(place.highDb, 1),
      words: placeWords(place, titleOf),
    },
    walk: walkOf(place, places, titleOf),
    words: sourceWords(source, rounded(found.riseDb, 1), titleOf(found.eui)),
  };
}

/** Samples of weak frames alone where there are enough, as for a loud time: a mixture would show steps that are none. */
function believed(samples: readonly TimedNoise[]): readonly TimedNoise[] {
  const good = samples.filter(({ trust }) => trust === "good");
  return good.length >= LOUD_RULE.enoughGood ? good : samples;
}

function isAlive({ channels }: GatewayEvidence, without: readonly number[], time: NoiseTime): boolean {
  let heard = 0;
  let usual = 0;
  for (const { frequencyHz, drowning } of channels.values()) {
    if (without.includes(frequencyHz)) continue;
    for (const { atUs } of drowning) {
      if (time.isOn(atUs)) heard += 1;
      else if (time.isOff(atUs)) usual += 1;
    }
  }
  const expected = time.offUs > 0 ? (usual * time.onUs) / time.offUs : 0;
  return expected >= 5 && heard >= ALIVE_SHARE * expected;
}

/** Over which channels of one gateway did the noise rise meanwhile? Judged only where enough frames show it. */
function widthOf({ channels }: GatewayEvidence, found: Found, time: NoiseTime): NoiseSource["width"] {
  if (found.kind === "standing") return channels.size > 1 ? "one channel" : "open";
  let raised = 0;
  let calm = 0;
  let unknown = 0;
  for (const channel of channels.values()) {
    const samples = believed(channel.noise);
    const on = levelOf(samples.filter(({ atUs }) => time.isOn(atUs)));
    const off = levelOf(samples.filter(({ atUs }) => time.isOff(atUs)));
    const rise = on === null || off === null ? null : on.dbm - off.dbm;
    const half = 1.96 * Math.hypot(on?.error ?? 0, off?.error ?? 0);
    if (rise !== null && rise >= 3 && rise - half > 1) raised += 1;
    else if (rise !== null && rise + half < 3) calm += 1;
    else unknown += 1;
  }
  if (raised + calm < 2 || unknown > raised + calm) return "open";
  if (calm === 0) return "all channels";
  return raised > 1 ? "several channels" : unknown === 0 ? "one channel" : "open";
}

function loudestHours({ channels }: GatewayEvidence, frequenciesHz: readonly number[]) {
  const hours: number[][] = Array.from({ length: 24 }, () => []);
  for (const hz of frequenciesHz)
    for (const { atUs, noiseDbm } of channels.get(hz)?.noise ?? [])
      hours[Math.floor(atUs / 3.6e9) % 24]?.push(noiseDbm);
  return hours
    .flatMap((levels, hour) => {
      const medianDbm = levels.length < LEAST_HOUR_SAMPLES ? null : median(levels);
      return medianDbm === null ? [] : [{ hour, medianDbm: rounded(medianDbm, 1), samples: levels.length }];
    })
    .sort((a, b) => b.medianDbm - a.medianDbm)
    .slice(0, 3);
}

function walkOf(place: NoisePlace, places: Places, titleOf: (eui: string) => string): NoiseSource["walk"] {
  const { verdict, eui, weakestEui } = place;
  if (verdict !== "strongest" || eui === null || weakestEui === null) return null;
  const [from, towards] = [places.of("gateway", weakestEui), places.of("gateway", eui)];
  const distanceM = from === null || towards === null ? null : linkDistanceM(from, towards, places.anchor);
  if (distanceM === null || !(distanceM > 0)) return null;
  return {
    fromEui: weakestEui,
    towardsEui: eui,
    distanceM: Math.round(distanceM),
    words: walkWords(titleOf(weakestEui), titleOf(eui), distanceM),
  };
}
