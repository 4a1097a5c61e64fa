/**
 * At which of several gateways is a noise strongest? From what their frames show of it in the same time on the same
 * channels. It compares received powers and gives no bearing: a wall, an antenna or a receiver may be the reason too.
 */

import { normalQuantile } from "../statistics/distributions.ts";
import { median, robustSigma } from "../statistics/robust.ts";
import { effectiveCount } from "../statistics/series.ts";
import type { TimedNoise } from "./noise.ts";

/** What counts. Chosen, all of it. */
export const PLACE_RULE = {
  /** Samples in the noise, and in the quiet, from which a level is judged. */
  leastSamples: 5,
  /** Antennas, cables and reported levels differ from one gateway to the next by so much, standard deviation. */
  gatewaySigmaDb: 1.5,
  /** With differences surely smaller than this the noise is alike at all. */
  alikeDb: 6,
  /** Below so small a rise the noise itself is not judged from its interval. */
  leastRiseDb: 0.5,
  /** A gateway that heard less than this share of its usual packets, of so many expected, was drowned. */
  drownedShare: 0.2,
  leastExpected: 10,
  /** Parts of the time: levels are compared where both gateways have samples. */
  parts: 12,
} as const;

/** What one gateway heard on one channel. */
export interface PlaceChannel {
  readonly frequencyHz: number;
  readonly samples: readonly TimedNoise[];
  /** Of each packet read, the noise that would have drowned it. */
  readonly drowning: readonly { readonly atUs: number; readonly dbm: number }[];
}

export interface PlaceGateway {
  readonly eui: string;
  readonly channels: readonly PlaceChannel[];
  /** As a person gave it; null: not known. */
  readonly antennaGainDbi: number | null;
  /** Quiet level where the noise never pauses; null: taken from its pauses. */
  readonly quietDbm: Level | null;
  /** Whether it heard as usual on other channels meanwhile: only then can the noise be why it heard nothing on these. */
  readonly isAlive: boolean;
}

/** When the noise was there. */
export interface NoiseTime {
  readonly fromUs: number;
  readonly toUs: number;
  readonly isOn: (atUs: number) => boolean;
  /** Not the same as not on: the edges belong to neither. */
  readonly isOff: (atUs: number) => boolean;
  /** How long both lasted, for the packets to expect. */
  readonly onUs: number;
  readonly offUs: number;
}

export interface Level {
  readonly dbm: number;
  /** Standard error, dB. */
  readonly error: number;
  readonly samples: number;
}

export interface GatewayNoise {
  readonly eui: string;
  readonly status: "raised" | "not raised" | "drowned" | "too few";
  /** Of the channel with most samples in the noise. */
  readonly frequencyHz: number | null;
  readonly samples: number;
  readonly quietDbm: number | null;
  readonly loudDbm: number | null;
  readonly riseDb: number | null;
  /** 95 %. */
  readonly riseInterval: readonly [number, number] | null;
  /** Power of the noise itself as received; `drowned`: at least. */
  readonly receivedDbm: number | null;
  /** Packets heard in the noise, and expected by its usual rate. */
  readonly heard: number;
  readonly expected: number;
}

export interface NoisePlace {
  readonly verdict: "strongest" | "alike" | "open";
  readonly reason: "one gateway" | "few" | "drowned" | "interval" | null;
  readonly eui: string | null;
  /** Above the next one, dB; null where only a limit is known. */
  readonly differenceDb: number | null;
  readonly lowDb: number | null;
  readonly highDb: number | null;
  /** The gateway that comes next to the strongest. */
  readonly nextEui: string | null;
  /** The gateway at which it is surely weaker by most; null: nothing to say. */
  readonly weakestEui: string | null;
  readonly gateways: readonly GatewayNoise[];
}

const Z95 = normalQuantile(0.975);

/** Returns the comparison; `open` wherever the samples do not carry one. */
export function noisePlace(gateways: readonly PlaceGateway[], time: NoiseTime): NoisePlace {
  const judged = gateways.map((gateway) => gatewayNoise(gateway, time));
  const nothing = {
    eui: null,
    differenceDb: null,
    lowDb: null,
    highDb: null,
    nextEui: null,
    weakestEui: null,
  };
  const open = (reason: NoisePlace["reason"]): NoisePlace => ({
    verdict: "open",
    reason,
    ...nothing,
    gateways: judged,
  });
  if (gateways.length < 2) return open("one gateway");
  const compared = gateways.filter((_, i) => judged[i]?.status !== "too few");
  if (compared.length < 2) return open("few");
  const missed = judged.filter(
    ({ status, heard, expected }) => status === "too few" && lostMuch(heard, expected),
  );
  const pairs = new Map<string, Difference | null>();
  for (const a of compared)
    for (const b of compared) if (a !== b) pairs.set(`${a.eui}/${b.eui}`, difference(a, b, time));
  for (const a of compared) {
    const others = compared
      .filter((b) => b !== a)
      .map((b) => ({ b, d: pairs.get(`${a.eui}/${b.eui}`) ?? null }));
    if (!others.every(({ d }) => d !== null && d.low > 0)) continue;
    if (missed.length > 0) return open("drowned");
    const sorted = others
      .flatMap(({ b, d }) => (d === null ? [] : [{ b, ...d }]))
      .sort((x, y) => x.low - y.low);
    const [next] = sorted;
    const farthest = sorted.at(-1);
    if (next === undefined) continue;
    return {
      verdict: "strongest",
      reason: null,
      eui: a.eui,
      differenceDb: next.estimate,
      lowDb: next.low,
      highDb: next.high,
      nextEui: next.b.eui,
      weakestEui: farthest?.b.eui ?? null,
      gateways: judged,
    };
  }
  if (missed.length > 0 || judged.some(({ status }) => status === "drowned")) return open("drowned");
  const all = [...pairs.values()];
  const { alikeDb } = PLACE_RULE;
  if (all.every((d) => d !== null && d.low > -alikeDb && d.high !== null && d.high < alikeDb))
    return { verdict: "alike", reason: null, ...nothing, gateways: judged };
  return open(all.includes(null) ? "few" : "interval");
}

/** Half of what was to be expected is missing, beyond Poisson's chance. */
function lostMuch(heard: number, expected: number): boolean {
  return heard < expected / 2 && heard + 2 * Math.sqrt(expected) < expected;
}

/** Median of samples with its standard error, those that depend on their neighbours counted as fewer. */
export function levelOf(samples: readonly TimedNoise[]): Level | null {
  if (samples.length < PLACE_RULE.leastSamples) return null;
  const values = [...samples].sort((a, b) => a.atUs - b.atUs).map(({ noiseDbm }) => noiseDbm);
  const dbm = median(values);
  const sigma = robustSigma(values);
  if (dbm === null || sigma === null) return null;
  const count = Math.max(1, Math.min(values.length, effectiveCount(values)));
  // Standard error of a median of normal values: 1.2533 that of the mean.
  return { dbm, error: (1.2533 * sigma) / Math.sqrt(count), samples: values.length };
}

interface Received {
  readonly dbm: number;
  readonly error: number;
  /** `limit`: not surely raised, and no more than `dbm`; `least`: drowned, and no less. */
  readonly kind: "measured" | "limit" | "least";
}

/** Power of the noise itself: what the loud level holds beyond the quiet one. */
function receivedOf(on: Level, off: Level): Received {
  const rise = on.dbm - off.dbm;
  const error = Math.hypot(on.error, off.error);
  if (rise - Z95 * error > PLACE_RULE.leastRiseDb) {
    const quietShare = 10 ** (-rise / 10);
    return {
      kind: "measured",
      dbm: on.dbm + 10 * Math.log10(1 - quietShare),
      error: Math.hypot(on.error, quietShare * off.error) / (1 - quietShare),
    };
  }
  const most = Math.max(PLACE_RULE.leastRiseDb, rise + Z95 * error);
  return { kind: "limit", dbm: off.dbm + 10 * Math.log10(10 ** (most / 10) - 1), error: 0 };
}

function channelNoise(
  gateway: PlaceGateway,
  channel: PlaceChannel,
  time: NoiseTime,
  isIn: (atUs: number) => boolean,
): { on: Level | null; off: Level | null; received: Received | null } {
  const within = channel.samples.filter(({ atUs }) => time.isOn(atUs) && isIn(atUs));
  const on = levelOf(within);
  const off = gateway.quietDbm ?? levelOf(channel.samples.filter(({ atUs }) => time.isOff(atUs)));
  if (off === null) return { on, off, received: null };
  if (on !== null) {
    const received = receivedOf(on, off);
    const { heard, expected } = packetsOf(channel.drowning, time);
    // Frames that met the noise may all be lost, and those that were read have met its pauses.
    if (received.kind === "measured" || !lostMuch(heard, expected)) return { on, off, received };
  }
  return { on, off, received: gateway.isAlive ? drownedOf(channel, time, off) : null };
}

/**
 * A gateway that hears less than a fifth of its usual packets has more noise than would drown the median one, if the same
 * nodes send as before.
 */
function drownedOf({ drowning }: PlaceChannel, time: NoiseTime, off: Level): Received | null {
  const { heard, expected } = packetsOf(drowning, time);
  if (expected < PLACE_RULE.leastExpected || heard >= PLACE_RULE.drownedShare * expected) return null;
  const usual = drowning.filter(({ atUs }) => time.isOff(atUs)).map(({ dbm }) => dbm);
  const least = median(usual);
  if (least === null || least - off.dbm < 3) return null;
  return { kind: "least", dbm: least + 10 * Math.log10(1 - 10 ** ((off.dbm - least) / 10)), error: 0 };
}

function packetsOf(drowning: PlaceChannel["drowning"], time: NoiseTime) {
  const heard = drowning.filter(({ atUs }) => time.isOn(atUs)).length;
  const usual = drowning.filter(({ atUs }) => time.isOff(atUs)).length;
  return { heard, expected: time.offUs > 0 ? (usual * time.onUs) / time.offUs : 0 };
}

interface Difference {
  readonly estimate: number | null;
  readonly low: number;
  readonly high: number | null;
}

/** Noise received at a above that at b; null where nothing can be said. */
function difference(a: PlaceGateway, b: PlaceGateway, time: NoiseTime): Difference | null {
  const both = a.channels.flatMap((own) => {
    const other = b.channels.find(({ frequencyHz }) => frequencyHz === own.frequencyHz);
    if (other === undefined) return [];
    const isIn = commonParts(own, other, time);
    const one = channelNoise(a, own, time, isIn).received;
    const two = channelNoise(b, other, time, isIn).received;
    return one === null || two === null ? [] : [{ one, two }];
  });
  const gains =
    a.antennaGainDbi === null || b.antennaGainDbi === null ? 0 : a.antennaGainDbi - b.antennaGainDbi;
  const spread = Math.SQRT2 * PLACE_RULE.gatewaySigmaDb;
  const measured = both.filter(({ one, two }) => one.kind === "measured" && two.kind === "measured");
  if (measured.length > 0) {
    const estimate = mean(measured.map(({ one, two }) => one.dbm - two.dbm)) - gains;
    const error =
      Math.sqrt(measured.reduce((sum, { one, two }) => sum + one.error ** 2 + two.error ** 2, 0)) /
      measured.length;
    const half = Z95 * Math.hypot(error, spread);
    return { estimate, low: estimate - half, high: estimate + half };
  }
  const lows = both.filter(({ one, two }) => one.kind !== "limit" && two.kind !== "least");
  if (lows.length > 0) {
    const low =
      mean(lows.map(({ one, two }) => one.dbm - Z95 * one.error - two.dbm - Z95 * two.error)) - gains;
    return { estimate: null, low: low - Z95 * spread, high: null };
  }
  // What is known is the other way round: b may be above a, or nothing is.
  return both.length > 0 ? { estimate: null, low: Number.NEGATIVE_INFINITY, high: null } : null;
}

/** Parts of the noise's time in which both have samples; all of it where one of them has none at all. */
function commonParts(a: PlaceChannel, b: PlaceChannel, time: NoiseTime): (atUs: number) => boolean {
  const { fromUs, toUs } = time;
  const partOf = (atUs: number) =>
    Math.floor(((atUs - fromUs) / Math.max(1, toUs - fromUs)) * PLACE_RULE.parts);
  const partsOf = ({ samples }: PlaceChannel) =>
    new Set(samples.filter(({ atUs }) => time.isOn(atUs)).map(({ atUs }) => partOf(atUs)));
  const [ofA, ofB] = [partsOf(a), partsOf(b)];
  const isCommon = (atUs: number) => ofA.has(partOf(atUs)) && ofB.has(partOf(atUs));
  const count = ({ samples }: PlaceChannel) =>
    samples.filter(({ atUs }) => time.isOn(atUs) && isCommon(atUs)).length;
  const enough = Math.min(count(a), count(b)) >= PLACE_RULE.leastSamples;
  return enough ? isCommon : () => true;
}

function mean(values: readonly number[]): number {
  return values.reduce((sum, value) => sum + value, 0) / values.length;
}

/** What one gateway shows of the noise, on the channel that shows most. */
function gatewayNoise(gateway: PlaceGateway, time: NoiseTime): GatewayNoise {
  const rows = gateway.channels.map((channel) => ({
    channel,
    ...channelNoise(gateway, channel, time, () => true),
    ...packetsOf(channel.drowning, time),
  }));
  const heard = rows.reduce((sum, row) => sum + row.heard, 0);
  const expected = rows.reduce((sum, row) => sum + row.expected, 0);
  const judged = rows.filter(({ received }) => received !== null);
  const [best] = judged.sort((a, b) => (b.on?.samples ?? 0) - (a.on?.samples ?? 0));
  const status =
    best === undefined
      ? "too few"
      : ({ measured: "raised", limit: "not raised", least: "drowned" } as const)[
          best.received?.kind ?? "limit"
        ];
  const { on = null, off = null, received = null } = best ?? {};
  const riseDb = on === null || off === null ? null : on.dbm - off.dbm;
  const half = on === null || off === null ? 0 : Z95 * Math.hypot(on.error, off.error);
  return {
    eui: gateway.eui,
    status,
    frequencyHz: best?.channel.frequencyHz ?? null,
    samples: on?.samples ?? 0,
    quietDbm: off?.dbm ?? null,
    loudDbm: on?.dbm ?? null,
    riseDb,
    riseInterval: riseDb === null ? null : [riseDb - half, riseDb + half],
    receivedDbm: received === null || received.kind === "limit" ? null : received.dbm,
    heard,
    expected: Math.round(expected),
  };
}
