/** What do the channels that a gateway heard say for the bench list: its plan, its sub-band, what must be there? */
import type { ChannelsEvidence } from "../diagnosis/bench/channels.ts";
import { LIMITS } from "../diagnosis/bench/limits.ts";
import type { RegionEvidence } from "../diagnosis/bench/region.ts";
import type { NoiseChannel } from "../diagnosis/bench/signal.ts";
import type { TimeRange } from "../model/time-range.ts";
import { noiseFloor, thermalNoiseDbm } from "../radio/noise.ts";
import { channelsText, fittingPackets, type PlanChoice } from "../radio/regions/plan-choice.ts";
import type { HeardChannel, RegionRecognition } from "../radio/regions/recognise-region.ts";
import {
  channelAt,
  channelOfReception,
  type PlanVariant,
  type RegionPlan,
  regionPlan,
} from "../radio/regions/region-plan.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { type BenchPacket, channelsOfSite } from "../store/queries/bench-radio.ts";
import { allGateways, type GatewayRecord } from "../store/queries/gateways.ts";
import { onceAnAnswer } from "../store/queries/statement.ts";
import { heardPlan, type PlannedGateway, subBandSentences } from "./wrong-sub-band.ts";

/** More channels than this are not all listened to at once. */
const MAX_AT_ONCE = 16;
/** Other gateways that are asked where they listen; a stranger can invent gateways without end. */
const MAX_OTHERS = 8;

export interface PlanAsked {
  /** Channel plans of the user's own. */
  readonly ownPlans: readonly RegionPlan[];
  /** The plan that the user named; null: the one that is recognised. */
  readonly expected: PlanChoice | null;
}

/** What a gateway's channels show. `heard`: its channels and data rates, for other checks. */
export function planEvidence(
  store: Store,
  gateway: GatewayRecord,
  window: TimeRange,
  { ownPlans, expected: choice }: PlanAsked,
): {
  region: Omit<RegionEvidence, "seconds">;
  channels: Omit<ChannelsEvidence, "noise" | "seconds">;
  heard: readonly HeardChannel[];
} {
  const { recognition, heard } = heardPlan(store, gateway.id, window, ownPlans);
  const { verdict, name, confidence, subBand, contradictions, reason } = recognition;
  const plan = name === null ? null : (ownPlans.find((one) => one.name === name) ?? regionPlan(name));
  const variant = plan?.variants.find((one) => one.name === recognition.variant) ?? plan?.variants[0] ?? null;
  const onPlan = variant === null ? [] : heard.flatMap((one) => channelOfReception(variant, one) ?? []);
  const subBands = new Set(plan?.kind === "fixed" ? onPlan.flatMap((channel) => channel.subBand ?? []) : []);
  const mayBeWrong = plan === null ? verdict === "nothing-heard" : plan.kind === "fixed";
  return {
    region: {
      verdict,
      name,
      confidence,
      subBand,
      contradictions,
      reason,
      packets: packetsOf(heard),
      heardSubBands: [...subBands].sort((a, b) => a - b),
      heardChannels: new Set(onPlan.map(({ index }) => index)).size,
      wantedElsewhere:
        variant === null || subBand === null ? null : wantedElsewhere(variant, subBand, ownPlans),
      againstSubBand: mayBeWrong ? againstSubBand(store, gateway, window, ownPlans) : [],
      expected:
        choice === null
          ? null
          : {
              name: choice.name,
              channels: channelsText(choice.channels),
              fitting: fittingPackets(choice, heard),
            },
    },
    channels: {
      heard: byFrequency(heard),
      elsewhere: elsewhere(store, gateway.id, window),
      ...planOfChannels(choice, plan, variant, recognition),
    },
    heard,
  };
}

/** Which channels must be there: those of the plan that was named, else of the one that is recognised. */
function planOfChannels(
  choice: PlanChoice | null,
  plan: RegionPlan | null,
  variant: PlanVariant | null,
  recognition: RegionRecognition,
): Pick<ChannelsEvidence, "expectedHz" | "plan"> {
  if (choice !== null)
    return {
      expectedHz: expected(choice.plan, choice.variant, choice),
      plan: choice.subBand === null ? choice.name : `${choice.name},`,
    };
  if (plan === null || variant === null) return { expectedHz: [], plan: null };
  const { subBand } = recognition;
  return {
    expectedHz: expected(plan, variant, recognition),
    plan: subBand === null ? plan.plan : `${plan.plan}, sub-band ${subBand},`,
  };
}

/** Channels on which other gateways hear frames, with their counts there. */
function elsewhere(store: Store, gatewayId: number, window: TimeRange): ChannelsEvidence["elsewhere"] {
  const counts = new Map<number, number>();
  const all = onceAnAnswer(store, window, "channels of site", () => channelsOfSite(store, window));
  for (const one of all)
    if (one.gatewayId !== gatewayId)
      counts.set(one.frequencyHz, (counts.get(one.frequencyHz) ?? 0) + one.count);
  return [...counts].sort(([a], [b]) => a - b).map(([frequencyHz, count]) => ({ frequencyHz, count }));
}

function packetsOf(heard: readonly HeardChannel[]): number {
  return heard.reduce((sum, { count }) => sum + count, 0);
}

function byFrequency(heard: readonly HeardChannel[]): ChannelsEvidence["heard"] {
  const counts = new Map<number, number>();
  for (const { frequencyHz, count } of heard) counts.set(frequencyHz, (counts.get(frequencyHz) ?? 0) + count);
  return [...counts].sort(([a], [b]) => a - b).map(([frequencyHz, count]) => ({ frequencyHz, count }));
}

/** Default channels of a dynamic plan; the narrow channels of a sub-band; a user's own plan where it is small enough. */
function expected(
  plan: RegionPlan,
  variant: PlanVariant,
  { subBand }: Pick<RegionRecognition, "subBand">,
): number[] {
  const channels =
    plan.kind === "dynamic" || plan.record === null
      ? variant.channels
      : variant.channels.filter((channel) => channel.subBand !== null && channel.subBand === subBand);
  const narrowest = Math.min(...channels.map(({ bandwidthHz }) => bandwidthHz ?? 0));
  const narrow = channels.filter(({ bandwidthHz }) => (bandwidthHz ?? 0) === narrowest);
  const list = [...new Set(narrow.map(({ frequencyHz }) => frequencyHz))];
  return list.length > MAX_AT_ONCE ? [] : list;
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

function againstSubBand(
  store: Store,
  gateway: GatewayRecord,
  window: TimeRange,
  ownPlans: readonly RegionPlan[],
): readonly string[] {
  const others = allGateways(store)
    .filter(
      ({ id, lastAtUs, firstAtUs }) =>
        id !== gateway.id && firstAtUs < window.toUs && lastAtUs >= window.fromUs,
    )
    .sort((a, b) => b.lastAtUs - a.lastAtUs)
    .slice(0, MAX_OTHERS);
  const planned = [gateway, ...others].map(({ id, eui }): PlannedGateway => {
    const { recognition, heard } = heardPlan(store, id, window, ownPlans);
    return { id, name: eui, recognition, receptions: packetsOf(heard), datagrams: 1 };
  });
  return subBandSentences(store, window, planned).get(gateway.id) ?? [];
}

/** Packets at more than this tell nothing of the noise, tenths of a dB. */
const MAX_NOISE_SNR = 50;

export function noiseOf(packets: readonly BenchPacket[]): NoiseChannel[] {
  const groups = new Map<
    string,
    { frequencyHz: number; bandwidthHz: number; frames: { rssiDbm: number; snrDb: number }[] }
  >();
  for (const { frequencyHz, dataRate, rssiTenths, snrTenths } of packets) {
    if (frequencyHz === null || rssiTenths === null || snrTenths === null || snrTenths > MAX_NOISE_SNR)
      continue;
    const modulation = modulationFromCodes(dataRate, 0);
    if (modulation.kind !== "lora") continue;
    const { bandwidthHz } = modulation;
    const key = `${frequencyHz}/${bandwidthHz}`;
    const group = groups.get(key) ?? { frequencyHz, bandwidthHz, frames: [] };
    groups.set(key, group);
    group.frames.push({ rssiDbm: rssiTenths / 10, snrDb: snrTenths / 10 });
  }
  return [...groups.values()]
    .sort((a, b) => a.frequencyHz - b.frequencyHz)
    .map(({ frames, ...channel }) => ({ ...channel, floor: noiseFloor(frames) }));
}

export function noiseAbove(channels: readonly NoiseChannel[]): { frequencyHz: number; aboveDb: number }[] {
  return channels.flatMap(({ frequencyHz, bandwidthHz, floor: { noiseDbm } }) =>
    noiseDbm === null
      ? []
      : [{ frequencyHz, aboveDb: noiseDbm - thermalNoiseDbm(bandwidthHz, LIMITS.noise.noiseFigureDb) }],
  );
}
