/**
 * Which regional channel plan does a gateway listen to, judged from what it heard?
 * Confidence is a posterior probability under the model of plan-choice.ts. A plan that the user gave is one more
 * hypothesis; its prior is chosen there.
 */
import { plural } from "../../words/format.ts";
import { contradictionsWith } from "./contradictions.ts";
import type { HeardChannel, Hypothesis } from "./fixed-hypotheses.ts";
import { regionHypotheses } from "./plan-choice.ts";
import { channelOfReception, type RegionPlan } from "./region-plan.ts";

export type { HeardChannel } from "./fixed-hypotheses.ts";

export interface RegionRecognition {
  readonly verdict: "recognised" | "ambiguous" | "no-known-plan" | "nothing-heard";
  /** The region, or the user's own plan, when recognised; else null. */
  readonly name: string | null;
  /** Posterior probability of the best region, 0 to 1; see plan-choice.ts. */
  readonly confidence: number;
  /** Sub-band of a fixed plan (1 to 8), when one stands out. */
  readonly subBand: number | null;
  /** Of a fixed plan without named sub-bands (CN470): its eight channels, "486.3 to 487.7 MHz", when they stand out. */
  readonly block: string | null;
  /** Which channel set of CN470, when one stands out. */
  readonly variant: string | null;
  /** Other regions worth 5 % or more, best first; with an ambiguous verdict the best is among them. */
  readonly alternatives: readonly { readonly name: string; readonly confidence: number }[];
  /** Sentences about what was heard and does not fit the plan recognised. */
  readonly contradictions: readonly string[];
  /**
   * A sentence for the verdict; and one more for each own plan that is not the one recognised, whose channels carry
   * most receptions, and that something contradicts: its giver expects it here and should know what departs from it.
   */
  readonly reason: string;
}

const NOT_RECOGNISED = { name: null, subBand: null, block: null, variant: null, contradictions: [] } as const;

/** Posterior from which a region counts as recognised and a sub-band as standing out; share that is "most". */
const ENOUGH = 0.8;

/**
 * Judges a gateway's receptions; order does not matter. Leave out receptions with a wrong CRC:
 * noise hears every plan.
 * `ownPlans`: the user's own, as readOwnPlans gives them.
 */
export function recogniseRegion(
  heard: readonly HeardChannel[],
  ownPlans: readonly RegionPlan[] = [],
): RegionRecognition {
  const evidence = heard.filter((h) => h.count > 0 && h.frequencyHz > 0);
  const total = evidence.reduce((sum, h) => sum + h.count, 0);
  if (total === 0) {
    return {
      ...NOT_RECOGNISED,
      verdict: "nothing-heard",
      confidence: 0,
      alternatives: [],
      reason: "Nothing was heard yet, so the channel plan is unknown.",
    };
  }
  const verdict = conclude(regionHypotheses(evidence, ownPlans), evidence, total);
  const departures = ownPlans
    .filter((plan) => plan.name !== verdict.name && carriesMost(plan, evidence, total))
    .flatMap((plan) => {
      const sentences = contradictionsWith(plan, evidence);
      return sentences.length === 0 ? [] : [` Against ${plan.name}: ${sentences.join(" ")}`];
    });
  return { ...verdict, reason: `${verdict.reason}${departures.join("")}` };
}

function carriesMost(plan: RegionPlan, evidence: readonly HeardChannel[], total: number): boolean {
  return plan.variants.some((variant) => {
    const onChannels = evidence.filter((h) => channelOfReception(variant, h) !== null);
    return onChannels.reduce((sum, h) => sum + h.count, 0) >= ENOUGH * total;
  });
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
      ...NOT_RECOGNISED,
      verdict: "no-known-plan",
      confidence: best?.confidence ?? 0,
      alternatives: listed(regions),
      reason: `${plural(total, "reception")} ${total === 1 ? "fits" : "fit"} no channel plan that this program knows.`,
    };
  }
  if (best.confidence < ENOUGH) {
    const names = listed(regions).map((r) => r.name);
    return {
      ...NOT_RECOGNISED,
      verdict: "ambiguous",
      confidence: best.confidence,
      alternatives: listed(regions),
      reason:
        names.length > 1
          ? `Ambiguous: what was heard in ${plural(total, "reception")} fits ${names.join(", ")}.`
          : `Ambiguous: ${plural(total, "reception")} ${total === 1 ? "is" : "are"} too few to tell; ${names.join(", ")} fits best.`,
    };
  }
  const own = hypotheses.filter((h) => h.plan === best.plan);
  const subBand = standingOut(own, (h) => h.subBand);
  const block = standingOut(own, (h) => h.block ?? null);
  const remark = best.plan.remark === null ? "" : `; ${best.plan.remark.replace(/\.$/, "")}`;
  return {
    verdict: "recognised",
    name: best.plan.name,
    confidence: best.confidence,
    subBand,
    block,
    variant: standingOut(own, (h) => h.variant),
    alternatives: listed(regions.slice(1)),
    contradictions: contradictionsWith(best.plan, evidence, { subBand }),
    reason: `${best.plan.plan}${listeningWords(subBand, block)}, from ${plural(total, "reception")}${remark}.`,
  };
}

function listeningWords(subBand: number | null, block: string | null): string {
  if (subBand !== null) return `, sub-band ${subBand}`;
  return block === null ? "" : `, channels ${block}`;
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
