/**
 * Does a gateway of a fixed plan listen to other channels than its nodes use? Such a gateway hears well what it hears,
 * so only what is missing tells: the share heard, other gateways' channels, join-requests without data.
 */
import { type ProportionInterval, wilsonInterval } from "../statistics/proportions.ts";
import { figure } from "../words/format.ts";

// Does a node hop over all 64 channels of a fixed plan while the gateway listens to 8?

/** Share of frames heard when `heardChannels` of `usedChannels` are listened to: 8 of 64 is 0.125. */
export function heardShare(heardChannels: number, usedChannels: number): number {
  return heardChannels / usedChannels;
}

export interface SubBandTest {
  /** Delivery ratio with its Wilson 95 % interval. */
  readonly interval: ProportionInterval;
  readonly mismatch: boolean;
}

/** Median margin below which weak reception may explain the losses, dB. Derived. */
const MIN_MARGIN_DB = 5;

/**
 * A mismatch shows as a delivery ratio of 8/64 = 0.125 (RP002, US902-928: 64 channels of 125 kHz) from a node with good
 * margin: the interval must contain 0.125 and exclude 0.25, which needs about 50 frames. Derived. `usedChannels`: of
 * plans with more or fewer channels (CN470).
 */
export function subBandMismatch(
  received: number,
  sent: number,
  medianMarginDb: number | null,
  usedChannels = 64,
): SubBandTest {
  const interval = wilsonInterval(received, sent);
  const share = heardShare(8, usedChannels);
  const mismatch =
    interval.ratio !== null &&
    medianMarginDb !== null &&
    medianMarginDb >= MIN_MARGIN_DB &&
    interval.low <= share &&
    interval.high >= share &&
    (interval.high < 2 * share || interval.low > 2 * share);
  return { interval, mismatch };
}

/** One counter life as one gateway heard it on 125 kHz channels. */
export interface HeardLife {
  /** Distinct counters heard there, and last minus first plus one. */
  readonly heard: number;
  readonly expected: number;
  readonly medianMarginDb: number | null;
}

/** Another gateway of the site, and what it listens to of which plan. */
export interface OtherListener {
  readonly name: string;
  readonly plan: string;
  /** "sub-band 2". */
  readonly channels: string;
  readonly receptions: number;
}

export interface SubBandEvidence {
  /** "US902-928" and "sub-band 1" of this gateway; null when it heard nothing. */
  readonly plan: string | null;
  readonly channels: string | null;
  /** 125 kHz channels of the plan: 64, or 96 and fewer in CN470. */
  readonly planChannels: number;
  readonly receptions: number;
  readonly joinRequests: number;
  readonly lives: readonly HeardLife[];
  readonly others: readonly OtherListener[];
}

/** Receptions from which another gateway's channels, or join-requests alone, say something. Common practice, no source. */
const ENOUGH_RECEPTIONS = 50;
const ENOUGH_JOINS = 3;

/** Sentences, each true by itself; none when nothing speaks for wrong channels. */
export function wrongSubBand(evidence: SubBandEvidence): string[] {
  return [...shareHeard(evidence), ...joinsAlone(evidence), ...otherChannels(evidence)];
}

/**
 * Nodes that no mask keeps to a sub-band hop over the whole plan. Counters between the first and the last one heard:
 * both ends are heard by construction, so they are left out of the count.
 */
function shareHeard({ plan, channels, planChannels, lives }: SubBandEvidence): string[] {
  if (plan === null || channels === null) return [];
  const counted = lives.filter(
    ({ expected, medianMarginDb }) => expected > 2 && (medianMarginDb ?? 0) >= MIN_MARGIN_DB,
  );
  const heard = counted.reduce((sum, life) => sum + life.heard - 1, 0);
  const sent = counted.reduce((sum, life) => sum + life.expected - 1, 0);
  if (!subBandMismatch(heard, sent, MIN_MARGIN_DB, planChannels).mismatch) return [];
  return [
    `${figure(heard)} of ${figure(sent)} frames were heard, about 8 in ${planChannels}, although the links are strong: nodes hop over all ${planChannels} channels of ${plan}, and this gateway listens to ${channels} alone.`,
  ];
}

/** US902-928 and AU915-928: a node joins on one channel of each sub-band in turn (Regional Parameters, TR007). */
function joinsAlone({ plan, channels, joinRequests, receptions }: SubBandEvidence): string[] {
  if (plan === null || channels === null || joinRequests < ENOUGH_JOINS || joinRequests < receptions)
    return [];
  return [
    `All ${figure(receptions)} receptions are join-requests and none is data: nodes join on all of ${plan} in turn and then keep to the network's channels, so ${channels} is the wrong part of the plan, or no join is answered.`,
  ];
}

function otherChannels({ plan, channels, receptions, others }: SubBandEvidence): string[] {
  const heard = others.filter((other) => other.receptions >= ENOUGH_RECEPTIONS);
  if (receptions === 0)
    return heard
      .slice(0, 1)
      .map(
        (other) =>
          `This gateway heard nothing, while ${other.name} heard ${figure(other.receptions)} receptions in ${other.channels} of ${other.plan}: see whether it is set to other channels.`,
      );
  const differing = heard.filter((other) => other.plan === plan && other.channels !== channels);
  if (channels === null || receptions < ENOUGH_RECEPTIONS) return [];
  return differing.map(
    (other) =>
      `This gateway listens to ${channels} and ${other.name} to ${other.channels} of ${plan}: nodes that keep to one of them are not heard at the other.`,
  );
}
