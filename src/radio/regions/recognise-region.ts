/**
 * Which regional channel plan does a gateway listen to, judged from what it heard?
 *
 * Confidence is a posterior probability under this model:
 * - Each hypothesis is a region with a listening set: for a fixed plan one sub-band (or, less likely, all of it), for a
 *   dynamic plan its default channels and whatever the network added. All regions are equally likely beforehand; "no
 *   plan in the file" is one twentieth as likely as a region.
 * - The evidence is the set of channels, not the number of frames: frames of one channel share their cause. A channel
 *   counts fully from three frames on, one frame as a third (it may be a false detection).
 * - A channel costs a hypothesis a factor that says how well it fits: nothing when it must be there (default channel, channel of
 *   the sub-band), two thirds when it continues a 200 kHz raster, little when it lies elsewhere in the band, nearly
 *   everything outside. So does a data rate that the region does not have.
 * - Silence counts against a channel that should carry a share of the frames, the more the more frames were heard.
 * The factors are common practice without a source; they were chosen so that sets which truly fit two plans (AS923
 * on the raster of AU915's sixth sub-band) come out ambiguous.
 */
import type { Modulation } from "../../model/modulation.ts";
import { contradictionsWith } from "./contradictions.ts";
import {
  CHANNEL_TOLERANCE_HZ,
  channelAt,
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

export interface RegionRecognition {
  readonly verdict: "recognised" | "ambiguous" | "no-known-plan" | "nothing-heard";
  /** The region when recognised, else null. */
  readonly name: string | null;
  /** Posterior probability of the best region, 0 to 1; see the head of this file. */
  readonly confidence: number;
  /** Sub-band of a fixed plan (1 to 8), when one stands out. */
  readonly subBand: number | null;
  /** Which channel set of CN470, when one stands out. */
  readonly variant: string | null;
  /** Other regions worth 5 % or more, best first; with an ambiguous verdict the best is among them. */
  readonly alternatives: readonly { readonly name: string; readonly confidence: number }[];
  /** Sentences about what was heard and does not fit the best region. */
  readonly contradictions: readonly string[];
  /** A sentence for the verdict. */
  readonly reason: string;
}

/** Posterior from which a region counts as recognised, and a sub-band as standing out. */
const ENOUGH = 0.8;

const LOG = {
  rasterNeighbour: Math.log(2 / 3),
  offRaster: Math.log(0.1),
  downlinkChannel: Math.log(0.05),
  otherSubBand: Math.log(0.02),
  unknownPlan: Math.log(0.02),
  outside: Math.log(1e-4),
  foreignDataRate: Math.log(1e-3),
} as const;

interface Hypothesis {
  readonly plan: RegionPlan | null;
  readonly variant: string | null;
  readonly subBand: number | null;
  readonly log: number;
}

/** Judges a gateway's receptions; order does not matter. Leave out receptions with a wrong CRC: noise hears every plan. */
export function recogniseRegion(heard: readonly HeardChannel[]): RegionRecognition {
  const evidence = heard.filter((h) => h.count > 0 && h.frequencyHz > 0);
  const total = evidence.reduce((sum, h) => sum + h.count, 0);
  if (total === 0) {
    return {
      verdict: "nothing-heard",
      name: null,
      confidence: 0,
      subBand: null,
      variant: null,
      alternatives: [],
      contradictions: [],
      reason: "Nothing was heard yet, so the channel plan is unknown.",
    };
  }
  const channels = channelsOf(evidence);
  const hypotheses = regionPlans.flatMap((plan) =>
    plan.kind === "fixed"
      ? fixedHypotheses(plan, channels, evidence, total)
      : dynamicHypotheses(plan, channels, evidence, total),
  );
  const none = channels.reduce((sum, c) => sum + c.weight * LOG.unknownPlan, Math.log(0.05));
  hypotheses.push({ plan: null, variant: null, subBand: null, log: none });
  return conclude(hypotheses, evidence, total);
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

/** What the modulations heard cost a variant: those that are none of its uplink data rates. */
function dataRateLog(variant: PlanVariant, evidence: readonly HeardChannel[]): number {
  const foreign = new Map<string, number>();
  for (const { modulation, count } of evidence) {
    if (uplinkDataRates(variant, modulation).length === 0) {
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
      hypotheses.push({ plan, variant: variant.name, subBand: plan.record.subBands ? group : null, log });
    }
    return hypotheses;
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

function conclude(
  hypotheses: readonly Hypothesis[],
  evidence: readonly HeardChannel[],
  total: number,
): RegionRecognition {
  const most = hypotheses.reduce((best, h) => Math.max(best, h.log), Number.NEGATIVE_INFINITY);
  const sum = hypotheses.reduce((acc, h) => acc + Math.exp(h.log - most), 0);
  const byRegion = new Map<RegionPlan | null, number>();
  for (const h of hypotheses) {
    byRegion.set(h.plan, (byRegion.get(h.plan) ?? 0) + Math.exp(h.log - most) / sum);
  }
  const ranking = [...byRegion].sort((a, b) => b[1] - a[1]);
  const regions = ranking.flatMap(([plan, confidence]) => (plan === null ? [] : [{ plan, confidence }]));
  const best = regions[0];
  if (ranking[0]?.[0] === null || best === undefined) {
    return {
      verdict: "no-known-plan",
      name: null,
      confidence: best?.confidence ?? 0,
      subBand: null,
      variant: null,
      alternatives: listed(regions),
      contradictions: [],
      reason: `${total} receptions fit no channel plan that this program knows.`,
    };
  }
  if (best.confidence < ENOUGH) {
    const names = listed(regions).map((r) => r.name);
    return {
      verdict: "ambiguous",
      name: null,
      confidence: best.confidence,
      subBand: null,
      variant: null,
      alternatives: listed(regions),
      contradictions: [],
      reason:
        names.length > 1
          ? `Ambiguous: what was heard in ${total} receptions fits ${names.join(", ")}.`
          : `Ambiguous: ${total} receptions are too few to tell; ${names.join(", ")} fits best.`,
    };
  }
  const own = hypotheses.filter((h) => h.plan === best.plan);
  const subBand = standingOut(own, (h) => h.subBand);
  return {
    verdict: "recognised",
    name: best.plan.name,
    confidence: best.confidence,
    subBand,
    variant: standingOut(own, (h) => h.variant),
    alternatives: listed(regions.slice(1)),
    contradictions: contradictionsWith(best.plan, evidence, { subBand }),
    reason: `${best.plan.plan}${subBand === null ? "" : `, sub-band ${subBand}`}, from ${total} receptions.`,
  };
}

function listed(
  regions: readonly { readonly plan: RegionPlan; readonly confidence: number }[],
): { readonly name: string; readonly confidence: number }[] {
  return regions
    .filter((r) => r.confidence >= 0.05)
    .map((r) => ({ name: r.plan.name, confidence: r.confidence }));
}

/** The trait that hypotheses of 80 % of a region's probability share; null when none does. */
function standingOut<T>(hypotheses: readonly Hypothesis[], trait: (h: Hypothesis) => T | null): T | null {
  const most = hypotheses.reduce((best, h) => Math.max(best, h.log), Number.NEGATIVE_INFINITY);
  const shares = new Map<T | null, number>();
  let sum = 0;
  for (const h of hypotheses) {
    const share = Math.exp(h.log - most);
    sum += share;
    shares.set(trait(h), (shares.get(trait(h)) ?? 0) + share);
  }
  for (const [value, share] of shares) {
    if (share / sum >= ENOUGH) {
      return value;
    }
  }
  return null;
}
