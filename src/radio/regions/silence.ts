/**
 * Which channels of a plan should have been heard and were not, and which sub-band was heard instead?
 */
import type { HeardChannel } from "./region-hypotheses.ts";
import {
  channelAt,
  channelOfReception,
  megahertz,
  type PlanVariant,
  type RegionPlan,
  type UplinkChannel,
} from "./region-plan.ts";

/** Receptions after which the silence of a channel is worth a sentence. Common practice, no source. */
const ENOUGH_FOR_SILENCE = 50;

/**
 * Sentences about silence. `subBand`: the one that the gateway listens to, null when none stands out. A sub-band or a
 * channel is silent only when not one reception was there; another sub-band counts from two receptions on.
 */
export function silence(
  plan: RegionPlan,
  variant: PlanVariant,
  heard: readonly HeardChannel[],
  subBand: number | null,
): string[] {
  const total = heard.reduce((sum, h) => sum + h.count, 0);
  if (plan.record === null) {
    return silentOwnChannels(plan, variant, heard, total);
  }
  if (plan.kind === "dynamic") {
    return silentDefaults(plan, variant, heard, total);
  }
  return subBand === null
    ? silentSubBands(plan, variant, heard, total)
    : subBandSentences(plan, variant, heard, total, subBand);
}

function subBandSentences(
  plan: RegionPlan,
  variant: PlanVariant,
  heard: readonly HeardChannel[],
  total: number,
  subBand: number,
): string[] {
  const inside = new Set<number>();
  const elsewhere = new Map<number, number>();
  for (const h of heard) {
    const channel = channelOfReception(variant, h);
    if (channel?.subBand === subBand) {
      inside.add(channel.index);
    } else if (channel !== null && channel.subBand !== null) {
      elsewhere.set(channel.subBand, (elsewhere.get(channel.subBand) ?? 0) + h.count);
    }
  }
  const sentences: string[] = [];
  if (inside.size === 0) {
    if (total >= 2) {
      sentences.push(`Sub-band ${subBand} of ${plan.plan} was never heard in ${total} receptions.`);
    }
  } else if (total >= 2 * ENOUGH_FOR_SILENCE) {
    // Only 125 kHz channels: many nodes never use the 500 kHz one.
    const silent = variant.channels.filter(
      (c) => c.subBand === subBand && c.bandwidthHz === 125_000 && !inside.has(c.index),
    );
    if (silent.length > 0) {
      sentences.push(
        `Never heard in ${total} receptions of sub-band ${subBand}: ${listOfMegahertz(silent)} MHz.`,
      );
    }
  }
  for (const [other, count] of [...elsewhere].sort((a, b) => a[0] - b[0])) {
    if (count >= 2) {
      sentences.push(`${count} receptions in sub-band ${other}, beside sub-band ${subBand}.`);
    }
  }
  return sentences;
}

/**
 * The silent sub-bands of a gateway that hears the whole plan: half of its sub-bands or more. One that hears fewer
 * listens to these alone, and the silence of the others is no wonder.
 */
function silentSubBands(
  plan: RegionPlan,
  variant: PlanVariant,
  heard: readonly HeardChannel[],
  total: number,
): string[] {
  const all = new Set(variant.channels.flatMap((c) => (c.subBand === null ? [] : [c.subBand])));
  const audible = new Set(heard.map((h) => channelOfReception(variant, h)?.subBand ?? null));
  const silent = [...all].filter((subBand) => !audible.has(subBand)).sort((a, b) => a - b);
  if (total < ENOUGH_FOR_SILENCE || silent.length > all.size / 2) {
    return [];
  }
  return silent.map(
    (subBand) => `Sub-band ${subBand} of ${plan.plan} was never heard in ${total} receptions.`,
  );
}

function silentDefaults(
  plan: RegionPlan,
  variant: PlanVariant,
  heard: readonly HeardChannel[],
  total: number,
): string[] {
  return silentChannels(variant, heard, total).map(
    (c) =>
      `The default channel ${megahertz(c.frequencyHz)} MHz of ${plan.plan} was never heard in ${total} receptions.`,
  );
}

function silentOwnChannels(
  plan: RegionPlan,
  variant: PlanVariant,
  heard: readonly HeardChannel[],
  total: number,
): string[] {
  const silent = silentChannels(variant, heard, total);
  return silent.length === 0
    ? []
    : [`Never heard in ${total} receptions: ${listOfMegahertz(silent)} MHz of ${plan.plan}.`];
}

function silentChannels(
  variant: PlanVariant,
  heard: readonly HeardChannel[],
  total: number,
): readonly UplinkChannel[] {
  if (total < ENOUGH_FOR_SILENCE) {
    return [];
  }
  const audible = new Set(heard.map((h) => channelAt(variant, h.frequencyHz)?.index));
  return variant.channels.filter((c) => !audible.has(c.index));
}

function listOfMegahertz(channels: readonly UplinkChannel[]): string {
  return channels.map((c) => megahertz(c.frequencyHz)).join(", ");
}
