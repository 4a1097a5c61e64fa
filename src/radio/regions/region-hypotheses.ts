/**
 * How well does each region explain the channels that a gateway heard? The model behind recogniseRegion:
 * - Each hypothesis is a region with a listening set: for a fixed plan one sub-band (or, less likely, two neighbours or
 *   all of it), for a dynamic plan its default channels and whatever the network added. All regions are equally likely beforehand; "no
 *   plan in the file" is one twentieth as likely as a region.
 * - The evidence is the set of channels, not the number of frames: frames of one channel share their cause. A channel
 *   counts fully from three frames on, one frame as a third (it may be a false detection).
 * - A channel costs a hypothesis a factor that says how well it fits: nothing when it must be there (default channel, channel of
 *   the sub-band), two thirds when it continues a 200 kHz raster, little when it lies elsewhere in the band, nearly
 *   everything outside. Channels beyond the sixteen that a device keeps cost a dynamic plan a tenth each. So does a data rate that the region does not have.
 * - A plan that the user gave as a file is one more hypothesis, five times as likely beforehand as a region: who hands
 *   in a plan expects it at this site, so what fits both a region and the plan goes to the plan (5/6 passes the mark
 *   for "recognised"). Five is little against evidence: one channel or one data rate outside the plan outweighs it a
 *   hundredfold. Two own plans that fit alike stay ambiguous. Its channels must be there, up to the eight that a
 *   gateway listens to at once; a data rate costs also when only its channel does not allow it.
 * - Silence counts against a channel that should carry a share of the frames, the more the more frames were heard.
 * The factors are common practice without a source; they were chosen so that sets which truly fit two plans (AS923
 * on the raster of AU915's sixth sub-band) come out ambiguous.
 */
import {
  type Channel,
  channelsOf,
  dataRateLog,
  fixedHypotheses,
  type HeardChannel,
  type Hypothesis,
  LOG,
  near,
  silenceLog,
} from "./fixed-hypotheses.ts";
import { channelAllows, channelAt, channelOfReception, type RegionPlan, regionPlans } from "./region-plan.ts";

export type { HeardChannel, Hypothesis } from "./fixed-hypotheses.ts";

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
    let inBand = 0;
    const slots = (plan.toHz - plan.fromHz) / 100_000;
    for (const { frequencyHz, weight } of channels) {
      if (frequencyHz >= plan.fromHz && frequencyHz <= plan.toHz) {
        inBand += weight;
      }
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
    // LoRaWAN 1.0.x, 5.6: a device keeps sixteen channels at most. More are those of a second network.
    log += Math.max(0, inBand - 16) * LOG.seventeenth;
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
