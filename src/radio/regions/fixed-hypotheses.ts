/**
 * How well does a fixed plan explain the channels heard, listened to by one sub-band, by two neighbours, or whole?
 * Part of the model that plan-choice.ts describes.
 */
import { groupBy } from "../../model/group-by.ts";
import type { Modulation } from "../../model/modulation.ts";
import { megahertz, megahertzFigure } from "../../words/format.ts";
import {
  CHANNEL_TOLERANCE_HZ,
  channelAt,
  type PlanVariant,
  type RegionPlan,
  type UplinkChannel,
  uplinkDataRates,
} from "./region-plan.ts";

// What does a hypothesis of plan-choice.ts pay for what was heard, and for silence? The evidence and the prices.

/** Receptions that share frequency, modulation and size. */
export interface HeardChannel {
  readonly frequencyHz: number;
  readonly modulation: Modulation;
  /** Octets of PHYPayload; the largest where several sizes are summed up. */
  readonly payloadBytes?: number;
  readonly count: number;
}

/** Logarithms of the factors; common practice, no source (plan-choice.ts says how they were chosen). */
export const LOG = {
  rasterNeighbour: Math.log(2 / 3),
  offRaster: Math.log(0.1),
  downlinkChannel: Math.log(0.05),
  otherSubBand: Math.log(0.02),
  seventeenth: Math.log(0.1),
  unknownPlan: Math.log(0.02),
  outside: Math.log(1e-4),
  foreignDataRate: Math.log(1e-3),
} as const;

/** A region with one way of listening to it, and the logarithm of its unnormalised posterior. */
export interface Hypothesis {
  readonly plan: RegionPlan | null;
  readonly variant: string | null;
  readonly subBand: number | null;
  /** First and last frequency of the eight channels that a gateway of a plan without named sub-bands listens to. */
  readonly block?: string | null;
  readonly log: number;
}

/** A frequency and a bandwidth that were heard. */
export interface Channel {
  readonly frequencyHz: number;
  readonly bandwidthHz: number | undefined;
  readonly count: number;
  readonly weight: number;
}

/** The channels of the evidence, lowest first. */
export function channelsOf(evidence: readonly HeardChannel[]): Channel[] {
  const byKey = new Map<string, { frequencyHz: number; bandwidthHz: number | undefined; count: number }>();
  for (const { frequencyHz, modulation, count } of evidence) {
    const bandwidthHz = modulation.kind === "lora" ? modulation.bandwidthHz : undefined;
    const key = `${Math.round(frequencyHz / 1000)}/${bandwidthHz ?? modulation.kind}`;
    const known = byKey.get(key);
    if (known === undefined) {
      byKey.set(key, { frequencyHz, bandwidthHz, count });
    } else {
      known.count += count;
    }
  }
  return [...byKey.values()]
    .map((c) => ({ ...c, weight: weightOf(c.count) }))
    .sort((a, b) => a.frequencyHz - b.frequencyHz);
}

function weightOf(count: number): number {
  return Math.min(1, count / 3);
}

/** What the modulations heard cost a variant: those that are none of its uplink data rates, or not `allowed` there. */
export function dataRateLog(
  variant: PlanVariant,
  evidence: readonly HeardChannel[],
  allowed: (heard: HeardChannel, rates: readonly number[]) => boolean = (_, rates) => rates.length > 0,
): number {
  const foreign = new Map<string, number>();
  for (const heard of evidence) {
    const { modulation, count } = heard;
    if (!allowed(heard, uplinkDataRates(variant, modulation))) {
      const key = JSON.stringify(modulation);
      foreign.set(key, (foreign.get(key) ?? 0) + count);
    }
  }
  return [...foreign.values()].reduce((sum, count) => sum + weightOf(count) * LOG.foreignDataRate, 0);
}

/** What it costs that a channel stayed silent which should carry a `share` of all frames; at worst ln `floor`. */
export function silenceLog(share: number, total: number, floor: number): number {
  return Math.max(Math.log(floor), total * Math.log(1 - share));
}

export function near(a: number, b: number): boolean {
  return Math.abs(a - b) <= CHANNEL_TOLERANCE_HZ;
}

/** Shares of gateways that listen to one sub-band, to two neighbours, to all. Common practice, no source. */
const ONE = 0.8;
const TWO = 0.1;
const WHOLE = 0.1;

interface ListeningSet {
  readonly subBand: number | null;
  /** "486.3 to 487.7 MHz" where the plan names no sub-bands. */
  readonly block: string | null;
  readonly members: ReadonlySet<number>;
  /** Its channels of 125 kHz. */
  readonly narrow: readonly UplinkChannel[];
  readonly prior: number;
}

/** What follows from a variant alone: a site asks for it once a gateway. */
interface VariantChannels {
  readonly sets: readonly ListeningSet[];
  readonly byBandwidth: readonly (readonly UplinkChannel[])[];
}

const known = new WeakMap<PlanVariant, VariantChannels>();

function channelsOfVariant(variant: PlanVariant, named: boolean): VariantChannels {
  let channels = known.get(variant);
  if (channels === undefined) {
    const byBandwidth = [...groupBy(variant.channels, ({ bandwidthHz }) => bandwidthHz).values()];
    channels = { sets: listeningSets(variant, named), byBandwidth };
    known.set(variant, channels);
  }
  return channels;
}

export function fixedHypotheses(
  plan: RegionPlan,
  channels: readonly Channel[],
  evidence: readonly HeardChannel[],
  total: number,
): Hypothesis[] {
  // Every variant begins equally likely.
  const variantPrior = -Math.log(plan.variants.length);
  return plan.variants.flatMap((variant) => {
    const { sets, byBandwidth } = channelsOfVariant(variant, plan.record?.subBands !== undefined);
    const base = variantPrior + dataRateLog(variant, evidence);
    const hits = channels.map((channel) => ({ channel, ...hitOf(variant, channel) }));
    const astray = hits.reduce((sum, { channel, log }) => sum + channel.weight * log, 0);
    const whole: Hypothesis = {
      plan,
      variant: variant.name,
      subBand: null,
      log: base + astray + Math.log(WHOLE) + wholeLog(byBandwidth, hits),
    };
    return [
      whole,
      ...sets.map(({ subBand, block, members, narrow, prior }) => {
        let log = base + astray + Math.log(prior);
        for (const { channel, hit } of hits) {
          if (hit !== null && !members.has(hit.index)) {
            log += channel.weight * LOG.otherSubBand;
          }
        }
        for (const { frequencyHz } of narrow) {
          if (!channels.some((c) => near(c.frequencyHz, frequencyHz))) {
            log += silenceLog(1 / narrow.length, total, 0.3);
          }
        }
        return { plan, variant: variant.name, subBand, block, log };
      }),
    ];
  });
}

interface Hit {
  readonly hit: UplinkChannel | null;
  /** What the channel costs every listening set, as a logarithm. */
  readonly log: number;
}

function hitOf(variant: PlanVariant, channel: Channel): Hit {
  const hit = channelAt(variant, channel.frequencyHz, channel.bandwidthHz);
  if (hit !== null) {
    return { hit, log: 0 };
  }
  const ofOtherWidth = channelAt(variant, channel.frequencyHz);
  if (ofOtherWidth !== null) {
    // A width that no data rate has is paid for as a data rate already.
    return { hit: ofOtherWidth, log: hasBandwidth(variant, channel.bandwidthHz) ? LOG.foreignDataRate : 0 };
  }
  const downlink = variant.downlinkHz.some((f) => near(f, channel.frequencyHz));
  return { hit: null, log: downlink ? LOG.downlinkChannel : LOG.outside };
}

function hasBandwidth(variant: PlanVariant, bandwidthHz: number | undefined): boolean {
  return [...variant.dataRates.values()].some(
    (rate) => rate.direction !== "down" && rate.modulation === "LORA" && rate.bwHz === bandwidthHz,
  );
}

/**
 * How likely just these channels are among all of the plan: drawn, so many of each bandwidth, with equal chances.
 * -n H(k/n) is the logarithm of one in (n over k), and takes fractions of a channel: nearly nothing when few of them
 * are missing.
 */
function wholeLog(
  byBandwidth: VariantChannels["byBandwidth"],
  hits: readonly { readonly channel: Channel; readonly hit: UplinkChannel | null }[],
): number {
  const weights = new Map<UplinkChannel, number>();
  for (const { channel, hit } of hits) {
    if (hit !== null) {
      weights.set(hit, Math.max(weights.get(hit) ?? 0, channel.weight));
    }
  }
  let log = 0;
  for (const ofWidth of byBandwidth) {
    const heard = ofWidth.reduce((sum, c) => sum + (weights.get(c) ?? 0), 0);
    log -= ofWidth.length * entropy(heard / ofWidth.length);
  }
  return log;
}

function entropy(share: number): number {
  return share <= 0 || share >= 1 ? 0 : -share * Math.log(share) - (1 - share) * Math.log(1 - share);
}

function spanOf(variant: PlanVariant, members: ReadonlySet<number>): string {
  const frequencies = variant.channels.filter((c) => members.has(c.index)).map((c) => c.frequencyHz);
  return `${megahertzFigure(Math.min(...frequencies))} to ${megahertz(Math.max(...frequencies))}`;
}

/** Sub-bands, or runs of eight channels where the plan names none; and pairs of neighbours. */
function listeningSets(variant: PlanVariant, named: boolean): ListeningSet[] {
  const groups = new Map<number, Set<number>>();
  for (const { index, subBand } of variant.channels) {
    const group = subBand ?? Math.floor(index / 8) + 1;
    const set = groups.get(group) ?? new Set<number>();
    set.add(index);
    groups.set(group, set);
  }
  const inOrder = [...groups].sort((a, b) => a[0] - b[0]);
  const pairs = inOrder.slice(1).map(([, members], i) => new Set([...(inOrder[i]?.[1] ?? []), ...members]));
  const narrowOf = (members: ReadonlySet<number>) =>
    variant.channels.filter((c) => members.has(c.index) && c.bandwidthHz === 125_000);
  return [
    ...inOrder.map(([group, members]) => ({
      subBand: named ? group : null,
      block: named ? null : spanOf(variant, members),
      members,
      narrow: narrowOf(members),
      prior: ONE / inOrder.length,
    })),
    ...pairs.map((members) => ({
      subBand: null,
      block: null,
      members,
      narrow: narrowOf(members),
      prior: TWO / pairs.length,
    })),
  ];
}
