/**
 * How well does each region explain the channels that a gateway heard? The model behind recogniseRegion:
 * - Each hypothesis is a region with a listening set: for a fixed plan one sub-band (or, less likely, all of it), for a
 *   dynamic plan its default channels and whatever the network added. All regions are equally likely beforehand; "no
 *   plan in the file" is one twentieth as likely as a region.
 * - The evidence is the set of channels, not the number of frames: frames of one channel share their cause. A channel
 *   counts fully from three frames on, one frame as a third (it may be a false detection).
 * - A channel costs a hypothesis a factor that says how well it fits: nothing when it must be there (default channel, channel of
 *   the sub-band), two thirds when it continues a 200 kHz raster, little when it lies elsewhere in the band, nearly
 *   everything outside. So does a data rate that the region does not have.
 * - A plan that the user gave as a file is one more hypothesis, five times as likely beforehand as a region: who hands
 *   in a plan expects it at this site, so what fits both a region and the plan goes to the plan (5/6 passes the mark
 *   for "recognised"). Five is little against evidence: one channel or one data rate outside the plan outweighs it a
 *   hundredfold. Two own plans that fit alike stay ambiguous. Its channels must be there, up to the eight that a
 *   gateway listens to at once; a data rate costs also when only its channel does not allow it.
 * - Silence counts against a channel that should carry a share of the frames, the more the more frames were heard.
 * The factors are common practice without a source; they were chosen so that sets which truly fit two plans (AS923
 * on the raster of AU915's sixth sub-band) come out ambiguous.
 */
import type { Modulation } from "../../model/modulation.ts";
import {
  CHANNEL_TOLERANCE_HZ,
  channelAllows,
  channelAt,
  channelOfReception,
  type PlanVariant,
  type RegionPlan,
  regionPlans,
  uplinkDataRates,
} from "./region-plan.ts";

/** Receptions that share frequency, modulation and size. */
export interface HeardChannel {
  readonly frequencyHz: number;
  readonly modulation: Modulation;
  /** Octets of PHYPayload; the largest where several sizes are summed up. */
  readonly payloadBytes?: number;
  readonly count: number;
}

const LOG = {
  rasterNeighbour: Math.log(2 / 3),
  offRaster: Math.log(0.1),
  downlinkChannel: Math.log(0.05),
  otherSubBand: Math.log(0.02),
  unknownPlan: Math.log(0.02),
  outside: Math.log(1e-4),
  foreignDataRate: Math.log(1e-3),
} as const;

/** A region with one way of listening to it, and the logarithm of its unnormalised posterior. */
export interface Hypothesis {
  readonly plan: RegionPlan | null;
  readonly variant: string | null;
  readonly subBand: number | null;
  readonly log: number;
}

/** Every hypothesis with its weight; `plan` null stands for "no plan known". `ownPlans`: see own-plans.ts. */
export function regionHypotheses(
  evidence: readonly HeardChannel[],
  ownPlans: readonly RegionPlan[] = [],
): Hypothesis[] {
  const total = evidence.reduce((sum, h) => sum + h.count, 0);
  const channels = channelsOf(evidence);
  const hypotheses = regionPlans.flatMap((plan) =>
    plan.kind === "fixed"
      ? fixedHypotheses(plan, channels, evidence, total)
      : dynamicHypotheses(plan, channels, evidence, total),
  );
  hypotheses.push(...ownPlans.flatMap((plan) => ownHypotheses(plan, channels, evidence, total)));
  const none = channels.reduce((sum, c) => sum + c.weight * LOG.unknownPlan, Math.log(0.05));
  hypotheses.push({ plan: null, variant: null, subBand: null, log: none });
  return hypotheses;
}

interface Channel {
  readonly frequencyHz: number;
  readonly bandwidthHz: number | undefined;
  readonly count: number;
  readonly weight: number;
}

function channelsOf(evidence: readonly HeardChannel[]): Channel[] {
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
function dataRateLog(
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
function silenceLog(share: number, total: number, floor: number): number {
  return Math.max(Math.log(floor), total * Math.log(1 - share));
}

function near(a: number, b: number): boolean {
  return Math.abs(a - b) <= CHANNEL_TOLERANCE_HZ;
}

function dynamicHypotheses(
  plan: RegionPlan,
  channels: readonly Channel[],
  evidence: readonly HeardChannel[],
  total: number,
): Hypothesis[] {
  return plan.variants.map((variant) => {
    let log = dataRateLog(variant, evidence);
    const defaults = variant.channels.map((c) => c.frequencyHz);
    for (const frequencyHz of defaults) {
      if (!channels.some((c) => near(c.frequencyHz, frequencyHz))) {
        // Sixteen channels are the most a device keeps (LoRaWAN 1.0.x, 5.6), so each default carries 1/16 or more.
        log += silenceLog(1 / 16, total, 0.02);
      }
    }
    const frequencies = channels.map((c) => c.frequencyHz);
    const chained = chainFrom(defaults, frequencies);
    const slots = (plan.toHz - plan.fromHz) / 100_000;
    for (const { frequencyHz, weight } of channels) {
      if (defaults.some((d) => near(d, frequencyHz))) {
        continue;
      }
      if (frequencyHz < plan.fromHz || frequencyHz > plan.toHz) {
        log += weight * LOG.outside;
      } else if (
        chained.has(frequencyHz) ||
        frequencies.some((other) => near(other, frequencyHz - 200_000))
      ) {
        log += weight * LOG.rasterNeighbour;
      } else {
        const onRaster = near(Math.round(frequencyHz / 100_000) * 100_000, frequencyHz);
        log += weight * (-Math.log(slots) + (onRaster ? 0 : LOG.offRaster));
      }
    }
    return { plan, variant: variant.name, subBand: null, log };
  });
}

/** Frequencies that steps of 200 kHz reach from the default channels without leaving what was heard. */
function chainFrom(defaults: readonly number[], frequencies: readonly number[]): Set<number> {
  const reached = new Set<number>();
  const queue = [...defaults];
  for (let from = queue.pop(); from !== undefined; from = queue.pop()) {
    for (const step of [-200_000, 200_000]) {
      const next = frequencies.find((f) => near(f, (from ?? 0) + step));
      if (next !== undefined && !reached.has(next)) {
        reached.add(next);
        queue.push(next);
      }
    }
  }
  return reached;
}

function fixedHypotheses(
  plan: RegionPlan,
  channels: readonly Channel[],
  evidence: readonly HeardChannel[],
  total: number,
): Hypothesis[] {
  // Every variant begins equally likely, and within it nine tenths belong to gateways of one sub-band.
  const variantPrior = -Math.log(plan.variants.length);
  return plan.variants.flatMap((variant) => {
    const base = variantPrior + dataRateLog(variant, evidence);
    const groups = listeningSets(variant);
    const whole = channels.reduce((sum, c) => {
      const inPlan = channelAt(variant, c.frequencyHz, c.bandwidthHz) !== null;
      // A gateway of the whole plan spreads its frames over all channels: each heard one is 8 of them as likely.
      return sum + c.weight * (inPlan ? Math.log(8 / variant.channels.length) : strayLog(variant, c));
    }, 0);
    const hypotheses: Hypothesis[] = [
      { plan, variant: variant.name, subBand: null, log: base + Math.log(0.1) + whole },
    ];
    for (const [group, members] of groups) {
      let log = base + Math.log(0.9 / groups.size);
      for (const channel of channels) {
        const hit = channelAt(variant, channel.frequencyHz, channel.bandwidthHz);
        if (hit === null) {
          log += channel.weight * strayLog(variant, channel);
        } else if (!members.has(hit.index)) {
          log += channel.weight * LOG.otherSubBand;
        }
      }
      for (const index of members) {
        const silent = variant.channels.find((c) => c.index === index && c.bandwidthHz === 125_000);
        if (silent !== undefined && !channels.some((c) => near(c.frequencyHz, silent.frequencyHz))) {
          log += silenceLog(1 / 8, total, 0.3);
        }
      }
      hypotheses.push({
        plan,
        variant: variant.name,
        subBand: plan.record?.subBands !== undefined ? group : null,
        log,
      });
    }
    return hypotheses;
  });
}

/** Eight LoRa channels at once are what a gateway's concentrator hears. Common practice, no source. */
const CHANNELS_AT_ONCE = 8;
const OWN_PLAN_PRIOR = 5;

function ownHypotheses(
  plan: RegionPlan,
  channels: readonly Channel[],
  evidence: readonly HeardChannel[],
  total: number,
): Hypothesis[] {
  return plan.variants.map((variant) => {
    let log = Math.log(OWN_PLAN_PRIOR);
    log += dataRateLog(variant, evidence, (heard, rates) => {
      const channel = channelOfReception(variant, heard);
      return rates.length > 0 && (channel === null || channelAllows(channel, rates));
    });
    const hits = new Set<number>();
    for (const { frequencyHz, bandwidthHz, weight } of channels) {
      const hit = channelAt(variant, frequencyHz, bandwidthHz);
      if (hit === null) {
        log += weight * LOG.outside;
      } else {
        hits.add(hit.index);
      }
    }
    const silent = Math.max(0, Math.min(variant.channels.length, CHANNELS_AT_ONCE) - hits.size);
    log += silent * silenceLog(1 / 16, total, 0.3);
    return { plan, variant: variant.name, subBand: null, log };
  });
}

function strayLog(variant: PlanVariant, channel: Channel): number {
  return variant.downlinkHz.some((f) => near(f, channel.frequencyHz)) ? LOG.downlinkChannel : LOG.outside;
}

/** Channel numbers of each sub-band, or of each run of eight where the plan names none. */
function listeningSets(variant: PlanVariant): Map<number, Set<number>> {
  const sets = new Map<number, Set<number>>();
  for (const { index, subBand } of variant.channels) {
    const group = subBand ?? Math.floor(index / 8) + 1;
    const set = sets.get(group) ?? new Set<number>();
    set.add(index);
    sets.set(group, set);
  }
  return sets;
}
