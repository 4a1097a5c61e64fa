/**
 * Does a gateway of a fixed plan listen to other channels than its nodes use? Such a gateway hears well what it hears,
 * so only what is missing tells: the share heard, other gateways' channels, join-requests without data.
 */
import { LEAST_MARGIN_DB, subBandMismatch } from "./sub-band-mismatch.ts";

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
    ({ expected, medianMarginDb }) => expected > 2 && (medianMarginDb ?? 0) >= LEAST_MARGIN_DB,
  );
  const heard = counted.reduce((sum, life) => sum + life.heard - 1, 0);
  const sent = counted.reduce((sum, life) => sum + life.expected - 1, 0);
  if (!subBandMismatch(heard, sent, LEAST_MARGIN_DB, planChannels).mismatch) return [];
  return [
    `${heard} of ${sent} frames were heard, about 8 in ${planChannels}, although the links are strong: nodes hop over all ${planChannels} channels of ${plan}, and this gateway listens to ${channels} alone.`,
  ];
}

/** US902-928 and AU915-928: a node joins on one channel of each sub-band in turn (Regional Parameters, TR007). */
function joinsAlone({ plan, channels, joinRequests, receptions }: SubBandEvidence): string[] {
  if (plan === null || channels === null || joinRequests < ENOUGH_JOINS || joinRequests < receptions)
    return [];
  return [
    `All ${receptions} receptions are join-requests and none is data: nodes join on all of ${plan} in turn and then keep to the network's channels, so ${channels} is the wrong part of the plan, or no join is answered.`,
  ];
}

function otherChannels({ plan, channels, receptions, others }: SubBandEvidence): string[] {
  const heard = others.filter((other) => other.receptions >= ENOUGH_RECEPTIONS);
  if (receptions === 0)
    return heard
      .slice(0, 1)
      .map(
        (other) =>
          `This gateway heard nothing, while ${other.name} heard ${other.receptions} receptions in ${other.channels} of ${other.plan}: see whether it is set to other channels.`,
      );
  const differing = heard.filter((other) => other.plan === plan && other.channels !== channels);
  if (channels === null || receptions < ENOUGH_RECEPTIONS) return [];
  return differing.map(
    (other) =>
      `This gateway listens to ${channels} and ${other.name} to ${other.channels} of ${plan}: nodes that keep to one of them are not heard at the other.`,
  );
}
