/**
 * A channel plan by its name, as a user names what a gateway should listen to: a region ("EU868"), one of its sub-bands
 * ("US915/2"), one of CN470's channel sets ("CN470/20MHz-A"), or a plan of the user's own.
 */
import { megahertzFigure } from "../../words/format.ts";
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
import {
  channelAllows,
  channelAt,
  channelOfReception,
  type PlanVariant,
  type RegionPlan,
  regionPlans,
  type UplinkChannel,
  uplinkDataRates,
} from "./region-plan.ts";

// How well does each region explain the channels that a gateway heard? The model behind recogniseRegion:
// - Each hypothesis is a region with a listening set: for a fixed plan one sub-band (or, less likely, two neighbours or
// all of it), for a dynamic plan its default channels and whatever the network added. All regions are equally likely beforehand; "no
// plan in the file" is one twentieth as likely as a region.
// - The evidence is the set of channels, not the number of frames: frames of one channel share their cause. A channel
// counts fully from three frames on, one frame as a third (it may be a false detection).
// - A channel costs a hypothesis a factor that says how well it fits: nothing when it must be there (default channel, channel of
// the sub-band), two thirds when it continues a 200 kHz raster, little when it lies elsewhere in the band, nearly
// everything outside. Channels beyond the sixteen that a device keeps cost a dynamic plan a tenth each. So does a data rate that the region does not have.
// - A plan that the user gave as a file is one more hypothesis, five times as likely beforehand as a region: who hands
// in a plan expects it at this site, so what fits both a region and the plan goes to the plan (5/6 passes the mark
// for "recognised"). Five is little against evidence: one channel or one data rate outside the plan outweighs it a
// hundredfold. Two own plans that fit alike stay ambiguous. Its channels must be there, up to the eight that a
// gateway listens to at once; a data rate costs also when only its channel does not allow it.
// - Silence counts against a channel that should carry a share of the frames, the more the more frames were heard.
// The factors are common practice without a source; they were chosen so that sets which truly fit two plans (AS923
// on the raster of AU915's sixth sub-band) come out ambiguous.

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

export interface PlanChoice {
  /** As it is written: "US915/2". */
  readonly label: string;
  /** For a sentence: "US902-928, sub-band 2". */
  readonly name: string;
  readonly plan: RegionPlan;
  readonly variant: PlanVariant;
  readonly subBand: number | null;
  /** Uplink channels of the choice; of a plan that the network extends, the default ones. */
  readonly channels: readonly UplinkChannel[];
}

/** Every plan that can be named, in the order of the regions; the user's own first. */
export function planChoices(ownPlans: readonly RegionPlan[] = []): PlanChoice[] {
  return [...ownPlans, ...regionPlans].flatMap((plan) =>
    plan.variants.flatMap((variant) => choicesOf(plan, variant)),
  );
}

/** The plan of that name, case ignored; null when there is none. */
export function planChoice(label: string, ownPlans: readonly RegionPlan[] = []): PlanChoice | null {
  const wanted = label.trim().toLowerCase();
  return planChoices(ownPlans).find((choice) => choice.label.toLowerCase() === wanted) ?? null;
}

/** "EU868, US915, US915/1 to US915/8, …": every name, numbered sub-bands in short. */
export function planLabels(ownPlans: readonly RegionPlan[] = []): string {
  return labelsOf([...ownPlans, ...regionPlans]);
}

/** Characters that a name may differ by and still be near. Chosen: two keys mistyped. */
const MAX_APART = 2;

/** The names of the plans that were probably meant, as `planLabels` writes them; null when none is near. */
export function nearPlanLabels(label: string, ownPlans: readonly RegionPlan[] = []): string | null {
  const wanted = label.trim().toLowerCase().split("/")[0] ?? "";
  const ranked = [...ownPlans, ...regionPlans].map((plan) => ({
    plan,
    apart: Math.min(...[plan.name, plan.plan].map((name) => apartness(wanted, name.toLowerCase()))),
  }));
  const nearest = Math.min(...ranked.map(({ apart }) => apart));
  const near = ranked.filter(({ apart }) => apart === nearest && apart <= MAX_APART);
  return near.length === 0 ? null : labelsOf(near.map(({ plan }) => plan));
}

/** 0 when the name holds all that was written; otherwise characters to insert, leave out or replace (Levenshtein). */
function apartness(wanted: string, name: string): number {
  if (wanted.length > MAX_APART && name.includes(wanted)) return 0;
  let before = Array.from({ length: name.length + 1 }, (_, i) => i);
  for (const [i, one] of [...wanted].entries()) {
    const row = [i + 1];
    for (const [k, other] of [...name].entries())
      row.push(
        Math.min((row[k] ?? 0) + 1, (before[k + 1] ?? 0) + 1, (before[k] ?? 0) + (one === other ? 0 : 1)),
      );
    before = row;
  }
  return before.at(-1) ?? 0;
}

function labelsOf(plans: readonly RegionPlan[]): string {
  const labels = plans.flatMap((plan) => {
    const own = plan.variants.flatMap((variant) => choicesOf(plan, variant));
    const numbered = own.filter(({ subBand }) => subBand !== null).map((choice) => choice.label);
    const plain = own.filter(({ subBand }) => subBand === null).map((choice) => choice.label);
    return numbered.length < 2 ? [...plain, ...numbered] : [...plain, `${numbered[0]} to ${numbered.at(-1)}`];
  });
  return labels.join(", ");
}

/** Packets on the channels and data rates of a choice. A dynamic plan is extended by its network within its band. */
export function fittingPackets(choice: PlanChoice, heard: readonly HeardChannel[]): number {
  const { plan, variant, subBand } = choice;
  return heard.reduce((sum, one) => {
    if (uplinkDataRates(variant, one.modulation).length === 0) return sum;
    const channel = channelOfReception(variant, one);
    const isInBand = one.frequencyHz >= plan.fromHz && one.frequencyHz <= plan.toHz;
    const fits =
      plan.kind === "dynamic" && plan.record !== null
        ? isInBand
        : channel !== null && (subBand === null || channel.subBand === subBand);
    return fits ? sum + one.count : sum;
  }, 0);
}

/** "868.1, 868.3 and 868.5 MHz", or "903.9 to 905.3 MHz" of more than four. */
export function channelsText(channels: readonly UplinkChannel[]): string {
  const narrowest = Math.min(...channels.map(({ bandwidthHz }) => bandwidthHz ?? 0));
  const hz = channels
    .filter(({ bandwidthHz }) => (bandwidthHz ?? 0) === narrowest)
    .map(({ frequencyHz }) => frequencyHz)
    .sort((a, b) => a - b);
  const first = megahertzFigure(hz[0] ?? 0);
  const last = megahertzFigure(hz.at(-1) ?? 0);
  if (hz.length > 4) return `${first} to ${last}\u202FMHz (${hz.length} channels)`;
  return `${hz.map(megahertzFigure).join(", ")}\u202FMHz`;
}

function choicesOf(plan: RegionPlan, variant: PlanVariant): PlanChoice[] {
  const label = variant.name === null ? plan.name : `${plan.name}/${variant.name}`;
  const name = variant.name === null ? plan.plan : `${plan.plan}, ${variant.name}`;
  const whole = { label, name, plan, variant, subBand: null, channels: variant.channels };
  const bands = [...new Set(variant.channels.flatMap(({ subBand }) => subBand ?? []))].sort((a, b) => a - b);
  return [
    whole,
    ...bands.map((subBand) => ({
      label: `${label}/${subBand}`,
      name: `${name}, sub-band ${subBand}`,
      plan,
      variant,
      subBand,
      channels: variant.channels.filter((channel) => channel.subBand === subBand),
    })),
  ];
}
