/**
 * Which channels and data rates may an uplink use in a region?
 */
import type { Modulation } from "../../model/modulation.ts";
import { lrFhssCodeRate } from "../airtime.ts";
import {
  type BlockRecord,
  type DataRateRecord,
  type PayloadRecord,
  type RegionRecord,
  regionFile,
} from "./region-file.ts";

export interface UplinkChannel {
  readonly frequencyHz: number;
  /** Null: whatever bandwidth its data rates have, as in plans of the user's own. */
  readonly bandwidthHz: number | null;
  /** Number within a fixed plan; position among the default channels of a dynamic plan. */
  readonly index: number;
  /** Data rates that the channel itself allows. Empty: any uplink data rate. */
  readonly dataRates: readonly number[];
  /** 1 to 8 in the plans that have sub-bands. */
  readonly subBand: number | null;
}

/** A data rate of a plan. LR-FHSS of a user's own plan names no coding rate (null): each one counts. */
export type PlanDataRate = DataRateRecord | OwnLrFhssRate;

export interface OwnLrFhssRate {
  readonly modulation: "LR-FHSS";
  readonly codingRate: null;
  readonly occupiedChannelWidthHz: number;
  readonly direction: "up";
}

/** One set of channels of a region; only CN470 has several. */
export interface PlanVariant {
  readonly name: string | null;
  /** All uplink channels of a fixed plan; the default channels of a dynamic one. */
  readonly channels: readonly UplinkChannel[];
  readonly downlinkHz: readonly number[];
  readonly dataRates: ReadonlyMap<number, PlanDataRate>;
  /** Whether data rates beside the named ones may be used too: a user's own plan need not name any. */
  readonly anyDataRate: boolean;
  /** Largest PHYPayload in octets for each data rate, the most generous table; null: the data rate is not usable. */
  readonly mostPhyPayload: ReadonlyMap<number, number | null>;
}

export interface RegionPlan {
  /** `EU868`, `AS923-1` … */
  readonly name: string;
  /** `EU863-870` … */
  readonly plan: string;
  readonly kind: "dynamic" | "fixed";
  readonly fromHz: number;
  readonly toHz: number;
  readonly variants: readonly PlanVariant[];
  /** Something to say whenever the region is named: withdrawn, no standard, a user's remark; else null. */
  readonly remark: string | null;
  /** What the file of regional parameters holds besides; null for a plan of the user's own. */
  readonly record: RegionRecord | null;
}

/** RP002: N counts FRMPayload; a frame adds 13 octets of header, port and integrity code (PHYPayload limit N + 13). */
export const FRAME_OVERHEAD_BYTES = 13;

/** Every region of the file, in its order. */
export const regionPlans: readonly RegionPlan[] = Object.entries(regionFile.regions).map(
  ([name, record]) => ({
    name,
    plan: record.plan,
    kind: record.kind,
    fromHz: record.rangeHz[0],
    toHz: record.rangeHz[1],
    variants: variantsOf(record),
    remark: record.status ?? record.standing ?? null,
    record,
  }),
);

/** A region by its name (`EU868`), case ignored; null when there is none. */
export function regionPlan(name: string): RegionPlan | null {
  return regionPlans.find((plan) => plan.name.toLowerCase() === name.toLowerCase()) ?? null;
}

function variantsOf(record: RegionRecord): PlanVariant[] {
  const dataRates = new Map(Object.entries(record.dataRates).map(([dr, rate]) => [Number(dr), rate]));
  const mostPhyPayload = phyPayloadLimits(record.maxPayload);
  if (record.variants !== undefined) {
    const variants: PlanVariant[] = Object.entries(record.variants).map(([name, variant]) => ({
      name,
      channels: variant.uplink.flatMap((block) => channelsOfBlock(block, record)),
      downlinkHz: variant.downlink.flatMap((block) => frequenciesOf(block)),
      dataRates,
      anyDataRate: false,
      mostPhyPayload,
    }));
    if (record.legacyPlan !== undefined) {
      variants.push({
        name: "before RP002-1.0.1",
        channels: record.legacyPlan.uplink.flatMap((block) => channelsOfBlock(block, record)),
        downlinkHz: record.legacyPlan.downlink.flatMap((block) => frequenciesOf(block)),
        // LoRaWAN Regional Parameters 1.0.3 revA, CN470-510: DR0 to DR5 are SF12 to SF7 at 125 kHz
        dataRates: new Map(
          [12, 11, 10, 9, 8, 7].map((sf, dr) => [
            dr,
            { modulation: "LORA" as const, sf, bwHz: 125_000, direction: "both" as const },
          ]),
        ),
        anyDataRate: false,
        mostPhyPayload: phyPayloadLimits(record.legacyPlan.maxPayload),
      });
    }
    return variants;
  }
  const defaults = (record.uplinkChannels?.default ?? []).map((channel, index) => ({
    frequencyHz: channel.frequencyHz,
    bandwidthHz: channel.bwHz,
    index,
    // Networks add data rates to default channels in practice (SF7 at 250 kHz), so the region's list decides.
    dataRates: [],
    subBand: null,
  }));
  const blocks = (record.uplinkChannels?.formula ?? []).flatMap((block) => channelsOfBlock(block, record));
  const downlink = record.downlink?.formula;
  return [
    {
      name: null,
      channels: [...defaults, ...blocks],
      downlinkHz: downlink === undefined ? [] : frequenciesOf(downlink),
      dataRates,
      anyDataRate: false,
      mostPhyPayload,
    },
  ];
}

function frequenciesOf(block: BlockRecord): number[] {
  return Array.from({ length: block.count }, (_, i) => block.startHz + i * block.stepHz);
}

function channelsOfBlock(block: BlockRecord, record: RegionRecord): UplinkChannel[] {
  const dataRates: number[] = [];
  if (block.minDr !== undefined && block.maxDr !== undefined) {
    for (let dr = block.minDr; dr <= block.maxDr; dr += 1) {
      dataRates.push(dr);
    }
    dataRates.push(...(block.lrFhssDr ?? []));
  }
  return frequenciesOf(block).map((frequencyHz, i) => {
    const index = block.indexFirst + i;
    const subBand = record.subBands?.find(
      (band) =>
        (index >= band.channels125.first && index <= band.channels125.last) ||
        index === band.channel500.index,
    );
    return { frequencyHz, bandwidthHz: block.bwHz, index, dataRates, subBand: subBand?.subBand ?? null };
  });
}

/** Octets of PHYPayload for each data rate; the most generous of the file's tables. */
function phyPayloadLimits(payload: PayloadRecord): Map<number, number | null> {
  const limits = new Map<number, number | null>();
  for (const table of [payload.noRepeater, payload.uplinkDwell400?.noRepeater ?? {}]) {
    for (const [dr, n] of Object.entries(table)) {
      const known = limits.get(Number(dr)) ?? null;
      const limit = n === null ? null : n + FRAME_OVERHEAD_BYTES;
      limits.set(Number(dr), known === null ? limit : Math.max(known, limit ?? 0));
    }
  }
  return limits;
}

/** Stands for a data rate that a variant allows without naming it. */
const UNNAMED_DATA_RATE = -1;

/** The uplink data rates of a variant that a modulation can be; empty when none. */
export function uplinkDataRates(variant: PlanVariant, modulation: Modulation): readonly number[] {
  if (modulation.kind !== "lora") return namedDataRates(variant, modulation);
  let known = loraDataRates.get(variant);
  if (known === undefined) {
    known = new Map();
    loraDataRates.set(variant, known);
  }
  const key = modulation.bandwidthHz * MAX_SPREADING_FACTORS + modulation.spreadingFactor;
  let rates = known.get(key);
  if (rates === undefined) {
    rates = namedDataRates(variant, modulation);
    // A stranger may invent bandwidths; no more are remembered than any plan has.
    if (known.size < MAX_LORA_RATES) known.set(key, rates);
  }
  return rates;
}

/** A gateway's plan is asked for once an answer, for each channel and data rate heard, against every plan known. */
const loraDataRates = new WeakMap<PlanVariant, Map<number, readonly number[]>>();
const MAX_LORA_RATES = 50;
const MAX_SPREADING_FACTORS = 100;

function namedDataRates(variant: PlanVariant, modulation: Modulation): number[] {
  const named = [...variant.dataRates].flatMap(([dr, rate]) =>
    rate.direction !== "down" && sameModulation(rate, modulation) ? [dr] : [],
  );
  return named.length === 0 && variant.anyDataRate ? [UNNAMED_DATA_RATE] : named;
}

/** Whether a channel allows one of some data rates, as uplinkDataRates gives them. */
export function channelAllows(channel: UplinkChannel, rates: readonly number[]): boolean {
  return channel.dataRates.length === 0 || rates.some((dr) => channel.dataRates.includes(dr));
}

function sameModulation(rate: PlanDataRate, modulation: Modulation): boolean {
  switch (modulation.kind) {
    case "lora":
      // 1 % apart counts as equal: plans write 812 kHz for a bandwidth of 812.5 kHz.
      return (
        rate.modulation === "LORA" &&
        rate.sf === modulation.spreadingFactor &&
        Math.abs(rate.bwHz - modulation.bandwidthHz) <= 0.01 * rate.bwHz
      );
    case "fsk":
      return rate.modulation === "FSK" && rate.bitrate === modulation.bitrateBps;
    case "lr-fhss":
      return (
        rate.modulation === "LR-FHSS" &&
        Math.abs(rate.occupiedChannelWidthHz - modulation.operatingWidthHz) <=
          0.01 * rate.occupiedChannelWidthHz &&
        // A packet without a coding rate contradicts none.
        (rate.codingRate === null ||
          modulation.codingRate === null ||
          lrFhssCodeRate(modulation.codingRate) === rate.codingRate)
      );
    case "unknown":
      return false;
  }
}

/** How far a reported centre frequency may lie from a channel's, Hz: forwarders round to whole kilohertz. */
export const CHANNEL_TOLERANCE_HZ = 1500;

/** The channel of a variant at a frequency, of a given bandwidth where several could be meant; null when none. */
export function channelAt(
  variant: PlanVariant,
  frequencyHz: number,
  bandwidthHz?: number,
): UplinkChannel | null {
  return (
    variant.channels.find(
      (channel) =>
        Math.abs(channel.frequencyHz - frequencyHz) <= CHANNEL_TOLERANCE_HZ &&
        (bandwidthHz === undefined ||
          channel.bandwidthHz === null ||
          Math.abs(channel.bandwidthHz - bandwidthHz) <= 0.01 * channel.bandwidthHz),
    ) ?? null
  );
}

/** The channel of a variant that a reception can be on: of its frequency and, with LoRa, of its bandwidth. */
export function channelOfReception(
  variant: PlanVariant,
  heard: { readonly frequencyHz: number; readonly modulation: Modulation },
): UplinkChannel | null {
  const { frequencyHz, modulation } = heard;
  return channelAt(variant, frequencyHz, modulation.kind === "lora" ? modulation.bandwidthHz : undefined);
}
