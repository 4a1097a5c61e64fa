/** What do the channels that a gateway heard say for the bench list: its plan, its sub-band, what must be there? */
import type { ChannelsEvidence, RegionEvidence } from "../diagnosis/bench/channels.ts";
import type { TimeWindow } from "../model/window.ts";
import { linkMarginDb } from "../radio/margin.ts";
import {
  channelAt,
  channelOfReception,
  type PlanVariant,
  type RegionPlan,
  regionPlan,
} from "../radio/regions/region-plan.ts";
import { median } from "../statistics/robust.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { deliveryHere } from "../store/queries/bench-radio.ts";
import { type HeardPlan, heardPlan } from "./heard-plan.ts";

/** More channels than this are not all listened to at once. */
const MOST_AT_ONCE = 16;
/** Below this margin a node's losses may be the link's own. As for a sub-band mismatch. */
const WELL_HEARD_DB = 5;

export function planEvidence(
  store: Store,
  gatewayId: number,
  window: TimeWindow,
  ownPlans: readonly RegionPlan[],
): { region: RegionEvidence; channels: Omit<ChannelsEvidence, "quietSeconds"> } {
  const said = heardPlan(store, gatewayId, window, ownPlans);
  const { recognition, heard } = said;
  const plan = planNamed(recognition.name, ownPlans);
  const variant = plan === null ? null : variantOf(plan, recognition.variant);
  const onPlan = variant === null ? [] : heard.flatMap((one) => channelOfReception(variant, one) ?? []);
  const isFixed = plan?.kind === "fixed";
  const subBands = new Set(isFixed ? onPlan.flatMap(({ subBand }) => subBand ?? []) : []);
  const { verdict, name, confidence, subBand, contradictions, reason } = recognition;
  return {
    region: {
      verdict,
      name,
      confidence,
      subBand,
      contradictions,
      reason,
      packets: heard.reduce((sum, { count }) => sum + count, 0),
      heardSubBands: [...subBands].sort((a, b) => a - b),
      heardChannels: new Set(onPlan.map(({ index }) => index)).size,
      wantedElsewhere:
        variant === null || subBand === null ? null : wantedElsewhere(variant, subBand, ownPlans),
      delivery: subBand === null ? NO_DELIVERY : deliveryOf(store, gatewayId, window),
    },
    channels: {
      heard: byFrequency(said),
      expectedHz: plan === null || variant === null ? [] : expected(plan, variant, subBand),
      plan: plan === null ? null : subBand === null ? plan.plan : `${plan.plan}, sub-band ${subBand},`,
    },
  };
}

const NO_DELIVERY = { heard: 0, sent: 0, marginDb: null };

function planNamed(name: string | null, ownPlans: readonly RegionPlan[]): RegionPlan | null {
  if (name === null) return null;
  return ownPlans.find((plan) => plan.name === name) ?? regionPlan(name);
}

function variantOf(plan: RegionPlan, name: string | null): PlanVariant | null {
  return plan.variants.find((variant) => variant.name === name) ?? plan.variants[0] ?? null;
}

function byFrequency({ heard }: HeardPlan): ChannelsEvidence["heard"] {
  const counts = new Map<number, number>();
  for (const { frequencyHz, count } of heard) counts.set(frequencyHz, (counts.get(frequencyHz) ?? 0) + count);
  return [...counts].sort(([a], [b]) => a - b).map(([frequencyHz, count]) => ({ frequencyHz, count }));
}

/** Default channels of a dynamic plan; the narrow channels of a sub-band; a user's own plan where it is small enough. */
function expected(plan: RegionPlan, variant: PlanVariant, subBand: number | null): number[] {
  const channels =
    plan.kind === "dynamic" || plan.record === null
      ? variant.channels
      : variant.channels.filter((channel) => channel.subBand !== null && channel.subBand === subBand);
  const narrowest = Math.min(...channels.map(({ bandwidthHz }) => bandwidthHz ?? 0));
  const narrow = channels.filter(({ bandwidthHz }) => (bandwidthHz ?? 0) === narrowest);
  const list = [...new Set(narrow.map(({ frequencyHz }) => frequencyHz))];
  return list.length > MOST_AT_ONCE ? [] : list;
}

/** A plan of the user's own whose channels all lie in another sub-band of this region. */
function wantedElsewhere(
  variant: PlanVariant,
  subBand: number,
  ownPlans: readonly RegionPlan[],
): RegionEvidence["wantedElsewhere"] {
  for (const own of ownPlans) {
    const bands = new Set(
      own.variants.flatMap(({ channels }) =>
        channels.map(({ frequencyHz }) => channelAt(variant, frequencyHz)?.subBand ?? null),
      ),
    );
    const [band] = bands;
    if (bands.size === 1 && band !== undefined && band !== null && band !== subBand) {
      return { plan: own.name, subBand: band };
    }
  }
  return null;
}

/** Counters of the nodes that are heard well, taken together. */
function deliveryOf(store: Store, gatewayId: number, window: TimeWindow): RegionEvidence["delivery"] {
  const nodes = deliveryHere(store, gatewayId, window).flatMap(({ dataRate, snrTenths, ...counts }) => {
    const modulation = modulationFromCodes(dataRate, 0);
    const marginDb =
      modulation.kind !== "lora" || snrTenths === null
        ? null
        : linkMarginDb(snrTenths / 10, modulation.spreadingFactor);
    return marginDb === null || marginDb < WELL_HEARD_DB ? [] : [{ ...counts, marginDb }];
  });
  return {
    heard: nodes.reduce((sum, { heard }) => sum + heard, 0),
    sent: nodes.reduce((sum, { sent }) => sum + sent, 0),
    marginDb: median(nodes.map(({ marginDb }) => marginDb)),
  };
}
