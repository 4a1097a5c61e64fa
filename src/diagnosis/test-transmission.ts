/**
 * May this test frame be sent? Held against the published limits of the recognised region: channel, data rate, power, dwell
 * time and duty cycle. Whatever the tables do not clearly allow is refused.
 */
import { describeModulation, type Modulation } from "../model/modulation.ts";
import { airtimeOfTransmission } from "../radio/airtime.ts";
import { DUTY_CYCLE_PERIOD_US } from "../radio/occupancy.ts";
import { dataRateKey, dataRateNamed, dutyCycleLimitFor, dwellLimitFor } from "../radio/regions/limits.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { megahertz, withUnit } from "../words/format.ts";

export const TRANSMIT_CAUTIONS: readonly string[] = [
  "The rules of the region and a licence-exempt band's limits apply.",
  "Nothing is transmitted unless you confirm it.",
  "Never key a transmitter without an antenna or a load.",
  "The limits here are an indication from public tables; local rules and newer editions prevail. What other servers let this gateway send is not counted.",
];

/** Octets of the test frame. */
export const TEST_FRAME_OCTETS = 12;

export interface TestChannelFacts {
  readonly frequencyHz: number;
  readonly dataRates: readonly Extract<Modulation, { kind: "lora" }>[];
  readonly mostPowerDbm: number;
  readonly text: string;
  readonly source: string;
}

/** Where a test may be sent in a region at all; empty with a reason when nowhere. */
export function testChannels(plan: RegionPlan): { channels: readonly TestChannelFacts[]; why: string } {
  const { record } = plan;
  if (record === null)
    return none(`${plan.name} is a plan of your own: no published limits are known for it.`);
  const { regime, bands } = record.dutyCycle;
  if (bands.length === 0 && /^LBT/.test(regime))
    return none(
      `${plan.plan} asks for listening before talking, which cannot be asked of a gateway from here.`,
    );
  const channels = frequenciesOf(plan).flatMap((frequencyHz) => channelAt(plan, frequencyHz));
  return channels.length === 0
    ? none(`The tables name no channel of ${plan.plan} on which a gateway may send.`)
    : { channels, why: "" };
}

function none(why: string): { channels: readonly TestChannelFacts[]; why: string } {
  return { channels: [], why };
}

/** A fixed plan's downlink channels; a dynamic plan's default channels; and the second receive window's. */
function frequenciesOf({ record, kind, variants }: RegionPlan): number[] {
  const rx2 = record?.downlink?.rx2?.frequencyHz;
  const own = variants.flatMap(({ downlinkHz, channels }) =>
    kind === "fixed" ? downlinkHz : channels.map(({ frequencyHz }) => frequencyHz),
  );
  return [...new Set([...own, ...(rx2 === undefined ? [] : [rx2])])].sort((a, b) => a - b);
}

function channelAt(plan: RegionPlan, frequencyHz: number): TestChannelFacts[] {
  const limit = dutyCycleLimitFor(frequencyHz, plan);
  const { record } = plan;
  if (limit === null || record === null) return [];
  // Where a region has sub-bands, a channel outside all of them is nobody's to send on.
  if (record.dutyCycle.bands.length > 0 && limit.subBand === null) return [];
  const dataRates = ratesOf(plan).filter(({ bandwidthHz }) => {
    const [low, high] = [frequencyHz - bandwidthHz / 2, frequencyHz + bandwidthHz / 2];
    return low >= (limit.fromHz ?? plan.fromHz) && high <= (limit.toHz ?? plan.toHz);
  });
  return dataRates.length === 0
    ? []
    : [
        {
          frequencyHz,
          dataRates,
          mostPowerDbm: mostPowerDbm(plan, limit.erpMw),
          text: limit.text,
          source: limit.source,
        },
      ];
}

function ratesOf({ kind, variants }: RegionPlan): Extract<Modulation, { kind: "lora" }>[] {
  const rates = new Map<string, Extract<Modulation, { kind: "lora" }>>();
  for (const { dataRates } of variants)
    for (const rate of dataRates.values()) {
      if (rate.modulation !== "LORA" || rate.direction === "up") continue;
      // A fixed plan's downlink channels are 500 kHz wide where both widths are named.
      if (kind === "fixed" && rate.direction === "both" && rate.bwHz < 500_000 && hasWide(variants)) continue;
      rates.set(dataRateKey(rate), {
        kind: "lora",
        spreadingFactor: rate.sf,
        bandwidthHz: rate.bwHz,
        codingRate: "4/5",
      });
    }
  return [...rates.values()].sort(
    (a, b) => a.spreadingFactor - b.spreadingFactor || a.bandwidthHz - b.bandwidthHz,
  );
}

function hasWide(variants: RegionPlan["variants"]): boolean {
  return variants.some(({ dataRates }) =>
    [...dataRates.values()].some(
      (rate) => rate.modulation === "LORA" && rate.direction === "down" && rate.bwHz === 500_000,
    ),
  );
}

/**
 * The strictest published figure. A forwarder takes the antenna's gain off what it is asked for, so the figure is EIRP;
 * where the table says ERP, the same number is asked for, which stays 2.15 dB below it.
 */
function mostPowerDbm({ record }: RegionPlan, erpMw: number | null): number {
  const device = [record?.power.maxEirpDbm ?? 0, ...(record?.power.limits ?? []).map(({ maxDbm }) => maxDbm)];
  if (erpMw !== null) return Math.round(10 * Math.log10(erpMw));
  return Math.floor(Math.min(...device) * 10) / 10;
}

export interface TestQuestion {
  readonly plan: RegionPlan;
  readonly frequencyHz: number;
  readonly dataRate: string;
  readonly powerDbm: number;
  /** What this gateway is known to have sent in the channel's sub-band within the last hour, microseconds. */
  readonly usedUs: (fromHz: number, toHz: number) => number;
}

export type TestVerdict =
  | {
      readonly ok: true;
      readonly modulation: Extract<Modulation, { kind: "lora" }>;
      readonly airtimeUs: number;
    }
  | { readonly ok: false; readonly why: string };

/** A power as entered: 14.1 dBm is not 14 dBm. */
const power = (dbm: number): string => withUnit(dbm, Number.isInteger(dbm) ? 0 : 1, "dBm");

/** The verdict on one test. */
export function judgeTest({ plan, frequencyHz, dataRate, powerDbm, usedUs }: TestQuestion): TestVerdict {
  const { channels, why } = testChannels(plan);
  if (why !== "") return refuse(why);
  const channel = channels.find((one) => one.frequencyHz === frequencyHz);
  if (channel === undefined)
    return refuse(`${megahertz(frequencyHz)} is not a channel of ${plan.plan} on which a gateway may send.`);
  const named = dataRateNamed(dataRate);
  const modulation = channel.dataRates.find(
    (one) =>
      named !== null &&
      dataRateKey({
        modulation: "LORA",
        sf: one.spreadingFactor,
        bwHz: one.bandwidthHz,
        direction: "both",
      }) === dataRateKey(named),
  );
  if (modulation === undefined)
    return refuse(
      `${dataRate} is not a data rate for a gateway at ${megahertz(frequencyHz)}; there are ${channel.dataRates.map(describeModulation).join(", ")}.`,
    );
  if (powerDbm > channel.mostPowerDbm)
    return refuse(
      `${power(powerDbm)} is more than the ${power(channel.mostPowerDbm)} published for that channel.`,
    );
  const airtimeUs = airtimeOfTransmission(modulation, TEST_FRAME_OCTETS, { preamble: null, withCrc: false });
  // Where only nodes' frames are limited in length, a test keeps to that too.
  const dwell = dwellLimitFor(plan, modulation.bandwidthHz);
  const dwellMs = dwell?.downlinkMs ?? dwell?.uplinkMs ?? null;
  if (dwellMs !== null && airtimeUs > dwellMs * 1000)
    return refuse(
      `The frame would last ${withUnit(airtimeUs / 1000, 0, "ms")}; ${plan.plan} allows ${withUnit(dwellMs, 0, "ms")}. Choose a faster data rate.`,
    );
  const budget = budgetAt(plan, frequencyHz);
  if (budget !== null) {
    const used = usedUs(budget.fromHz, budget.toHz);
    if (used + airtimeUs > budget.limit * DUTY_CYCLE_PERIOD_US)
      return refuse(
        `This gateway has sent for ${withUnit(used / 1e6, 1, "s")} in that sub-band within the last hour: its budget is used up.`,
      );
  }
  return { ok: true, modulation, airtimeUs };
}

/** The sub-band's budget; of a region that says "< 1 %" of all its channels together, that. */
function budgetAt(
  plan: RegionPlan,
  frequencyHz: number,
): { limit: number; fromHz: number; toHz: number } | null {
  const duty = dutyCycleLimitFor(frequencyHz, plan);
  if (duty !== null && duty.limit !== null && duty.fromHz !== null && duty.toHz !== null)
    return { limit: duty.limit, fromHz: duty.fromHz, toHz: duty.toHz };
  const general = /< (\d+(?:\.\d+)?) %/.exec(plan.record?.dutyCycle.regime ?? "");
  return general === null ? null : { limit: Number(general[1]) / 100, fromHz: plan.fromHz, toHz: plan.toHz };
}

function refuse(why: string): TestVerdict {
  return { ok: false, why };
}
