/**
 * What was heard that a region's channel plan does not allow, or should have been heard and was not?
 */

import { describeModulation } from "../../model/modulation.ts";
import { figure, megahertz, megahertzFigure } from "../../words/format.ts";
import type { HeardChannel } from "./fixed-hypotheses.ts";
import {
  channelAllows,
  channelAt,
  channelOfReception,
  type PlanVariant,
  type RegionPlan,
  regionPlan,
  type UplinkChannel,
  uplinkDataRates,
} from "./region-plan.ts";

/** What a gateway heard, beside the channels of a plan. */
interface Listening {
  readonly plan: RegionPlan;
  readonly variant: PlanVariant;
  readonly heard: readonly HeardChannel[];
  /** Receptions. */
  readonly total: number;
}

// Which channels of a plan should have been heard and were not, and which sub-band was heard instead?

/** Receptions after which the silence of a channel is worth a sentence. Common practice, no source. */
const ENOUGH_FOR_SILENCE = 50;

/**
 * Sentences about silence. `subBand`: the one that the gateway listens to, null when none stands out. A sub-band or a
 * channel is silent only when not one reception was there; another sub-band counts from two receptions on.
 */
function silence(listening: Listening, subBand: number | null): string[] {
  if (listening.plan.record === null) return silentOwnChannels(listening);
  if (listening.plan.kind === "dynamic") return silentDefaults(listening);
  return subBand === null ? silentSubBands(listening) : subBandSentences(listening, subBand);
}

function subBandSentences({ plan, variant, heard, total }: Listening, subBand: number): string[] {
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
      sentences.push(`Sub-band ${subBand} of ${plan.plan} was never heard in ${figure(total)} receptions.`);
    }
  } else if (total >= 2 * ENOUGH_FOR_SILENCE) {
    // Only 125 kHz channels: many nodes never use the 500 kHz one.
    const silent = variant.channels.filter(
      (c) => c.subBand === subBand && c.bandwidthHz === 125_000 && !inside.has(c.index),
    );
    if (silent.length > 0) {
      sentences.push(
        `Never heard in ${figure(total)} receptions of sub-band ${subBand}: ${listOfMegahertz(silent)}\u202FMHz.`,
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
function silentSubBands({ plan, variant, heard, total }: Listening): string[] {
  const all = new Set(variant.channels.flatMap((c) => (c.subBand === null ? [] : [c.subBand])));
  const audible = new Set(heard.map((h) => channelOfReception(variant, h)?.subBand ?? null));
  const silent = [...all].filter((subBand) => !audible.has(subBand)).sort((a, b) => a - b);
  if (total < ENOUGH_FOR_SILENCE || silent.length > all.size / 2) {
    return [];
  }
  return silent.map(
    (subBand) => `Sub-band ${subBand} of ${plan.plan} was never heard in ${figure(total)} receptions.`,
  );
}

function silentDefaults(listening: Listening): string[] {
  const { plan, total } = listening;
  return silentChannels(listening).map(
    (c) =>
      `The default channel ${megahertz(c.frequencyHz)} of ${plan.plan} was never heard in ${figure(total)} receptions.`,
  );
}

function silentOwnChannels(listening: Listening): string[] {
  const { plan, total } = listening;
  const silent = silentChannels(listening);
  return silent.length === 0
    ? []
    : [`Never heard in ${figure(total)} receptions: ${listOfMegahertz(silent)}\u202FMHz of ${plan.plan}.`];
}

function silentChannels({ variant, heard, total }: Listening): readonly UplinkChannel[] {
  if (total < ENOUGH_FOR_SILENCE) return [];
  const audible = new Set(heard.map((h) => channelAt(variant, h.frequencyHz)?.index));
  return variant.channels.filter((c) => !audible.has(c.index));
}

function listOfMegahertz(channels: readonly UplinkChannel[]): string {
  return channels.map((c) => megahertzFigure(c.frequencyHz)).join(", ");
}

export interface ContradictionOptions {
  /** The sub-band that the gateway is set to, of a plan that has them. */
  readonly subBand?: number | null;
}

/**
 * Sentences about the difference between what was heard and a region, each true by itself; none when all fits or the
 * region is unknown. A thing counts from two receptions on: single ones may be false detections. A size counts at
 * once: of several receptions only the largest is known.
 */
export function contradictionsWith(
  region: RegionPlan | string,
  heard: readonly HeardChannel[],
  options: ContradictionOptions = {},
): string[] {
  const plan = typeof region === "string" ? regionPlan(region) : region;
  if (plan === null) {
    return [];
  }
  const variant = bestVariant(plan, heard);
  if (variant === null) {
    return [];
  }
  const listening = { plan, variant, heard, total: heard.reduce((sum, { count }) => sum + count, 0) };
  return [
    ...outsidePlan(listening),
    ...foreignDataRates(listening),
    ...tooLong(listening),
    ...silence(listening, options.subBand ?? null),
  ];
}

/** The channel set that most receptions fit. */
function bestVariant(plan: RegionPlan, heard: readonly HeardChannel[]): PlanVariant | null {
  let best: PlanVariant | null = null;
  let most = -1;
  for (const variant of plan.variants) {
    let fitting = 0;
    for (const h of heard) {
      const onChannel = plan.kind === "dynamic" || channelOfReception(variant, h) !== null;
      fitting += onChannel && uplinkDataRates(variant, h.modulation).length > 0 ? h.count : 0;
    }
    if (fitting > most) {
      most = fitting;
      best = variant;
    }
  }
  return best;
}

function anyChannelAt(plan: RegionPlan, variant: PlanVariant, frequencyHz: number): boolean {
  return plan.kind === "fixed"
    ? channelAt(variant, frequencyHz) !== null
    : frequencyHz >= plan.fromHz && frequencyHz <= plan.toHz;
}

function outsidePlan({ plan, variant, heard }: Listening): string[] {
  const outside = heard.filter((h) => !anyChannelAt(plan, variant, h.frequencyHz));
  return counted(outside, (h) => megahertz(h.frequencyHz)).map(({ what, count }) =>
    plan.kind === "fixed"
      ? `${count} receptions at ${what}, which is not an uplink channel of ${plan.plan}.`
      : `${count} receptions at ${what}, outside ${plan.plan} (${megahertzFigure(plan.fromHz)} to ${megahertz(plan.toHz)}).`,
  );
}

function foreignDataRates({ plan, variant, heard }: Listening): string[] {
  const foreign: HeardChannel[] = [];
  const misplaced: HeardChannel[] = [];
  for (const h of heard) {
    const rates = uplinkDataRates(variant, h.modulation);
    if (rates.length === 0) {
      foreign.push(h);
    } else if (plan.kind === "fixed") {
      const onFrequency = channelAt(variant, h.frequencyHz);
      const channel = channelOfReception(variant, h);
      if (onFrequency !== null && (channel === null || !channelAllows(channel, rates))) {
        misplaced.push(h);
      }
    }
  }
  return [
    ...counted(foreign, (h) => describeModulation(h.modulation)).map(
      ({ what, count }) =>
        `${count} receptions with ${what}, which is not an uplink data rate of ${plan.plan}.`,
    ),
    ...counted(misplaced, (h) => `${describeModulation(h.modulation)} at ${megahertz(h.frequencyHz)}`).map(
      ({ what, count }) => `${count} receptions with ${what}, a data rate that this channel does not allow.`,
    ),
  ];
}

function tooLong({ plan, variant, heard }: Listening): string[] {
  const sentences = new Map<string, number>();
  for (const h of heard) {
    const rates = uplinkDataRates(variant, h.modulation);
    const limits = rates.map((dr) => variant.mostPhyPayload.get(dr) ?? null).filter((n) => n !== null);
    const most = limits.length === 0 ? null : Math.max(...limits);
    if (most !== null && h.payloadBytes !== undefined && h.payloadBytes > most) {
      const what = `${describeModulation(h.modulation)} frames of up to @ octets, more than the ${most} that ${plan.plan} allows at this data rate`;
      sentences.set(what, Math.max(sentences.get(what) ?? 0, h.payloadBytes));
    }
  }
  return [...sentences].map(([what, longest]) => `${what.replace("@", String(longest))}.`);
}

/** Sums counts of what has the same name; two receptions at least, most frequent first. */
function counted(
  heard: readonly HeardChannel[],
  name: (h: HeardChannel) => string,
): { readonly what: string; readonly count: number }[] {
  const counts = new Map<string, number>();
  for (const h of heard) {
    counts.set(name(h), (counts.get(name(h)) ?? 0) + h.count);
  }
  return [...counts]
    .filter(([, count]) => count >= 2)
    .sort((a, b) => b[1] - a[1])
    .map(([what, count]) => ({ what, count }));
}
