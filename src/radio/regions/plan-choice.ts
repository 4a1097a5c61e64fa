/**
 * A channel plan by its name, as a user names what a gateway should listen to: a region ("EU868"), one of its sub-bands
 * ("US915/2"), one of CN470's channel sets ("CN470/20MHz-A"), or a plan of the user's own.
 */

import { megahertzFigure } from "../../words/format.ts";
import type { HeardChannel } from "./region-hypotheses.ts";
import {
  channelOfReception,
  type PlanVariant,
  type RegionPlan,
  regionPlans,
  type UplinkChannel,
  uplinkDataRates,
} from "./region-plan.ts";

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
