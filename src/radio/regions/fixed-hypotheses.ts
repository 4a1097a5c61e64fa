/**
 * How well does a fixed plan explain the channels heard, listened to by one sub-band, by two neighbours, or whole?
 * Part of the model that region-hypotheses.ts describes.
 */
import { groupBy } from "../../model/group-by.ts";
import {
  type Channel,
  dataRateLog,
  type HeardChannel,
  type Hypothesis,
  LOG,
  near,
  silenceLog,
} from "./hypothesis-costs.ts";
import {
  channelAt,
  megahertz,
  type PlanVariant,
  type RegionPlan,
  type UplinkChannel,
} from "./region-plan.ts";

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
  return `${megahertz(Math.min(...frequencies))} to ${megahertz(Math.max(...frequencies))} MHz`;
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
