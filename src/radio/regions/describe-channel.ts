/**
 * What is a frequency within a region, in words?
 */
import { channelAt, megahertz, type RegionPlan, regionPlan } from "./region-plan.ts";

export interface ChannelDescription {
  readonly text: string;
  /** Channel number of a fixed plan; null elsewhere. */
  readonly index: number | null;
  readonly subBand: number | null;
  readonly isDefault: boolean;
  /** Whether an uplink may be there at all. */
  readonly inPlan: boolean;
}

/** What a frequency is in a region, in words: "channel 8 of US902-928, sub-band 2", "default channel of EU863-870". */
export function describeChannel(region: RegionPlan | string, frequencyHz: number): ChannelDescription | null {
  const plan = typeof region === "string" ? regionPlan(region) : region;
  if (plan === null) {
    return null;
  }
  const mhz = `${megahertz(frequencyHz)} MHz`;
  if (plan.kind === "fixed") {
    const hits = plan.variants.flatMap((variant) => {
      const channel = channelAt(variant, frequencyHz);
      return channel === null ? [] : [{ variant, channel }];
    });
    const first = hits[0];
    if (first === undefined) {
      return {
        text: `${mhz}, no uplink channel of ${plan.plan}`,
        index: null,
        subBand: null,
        isDefault: false,
        inPlan: false,
      };
    }
    if (first.variant.name !== null) {
      const names = hits.map(({ variant, channel }) => `${channel.index} (${variant.name ?? plan.plan})`);
      return {
        text: `${mhz}, channel ${names.join(" or ")} of ${plan.plan}`,
        index: hits.length === 1 ? first.channel.index : null,
        subBand: null,
        isDefault: false,
        inPlan: true,
      };
    }
    const band = first.channel.subBand === null ? "" : `, sub-band ${first.channel.subBand}`;
    return {
      text: `${mhz}, channel ${first.channel.index} of ${plan.plan}${band}`,
      index: first.channel.index,
      subBand: first.channel.subBand,
      isDefault: false,
      inPlan: true,
    };
  }
  const inPlan = frequencyHz >= plan.fromHz && frequencyHz <= plan.toHz;
  const isDefault = plan.variants.some((variant) => channelAt(variant, frequencyHz) !== null);
  const what = isDefault ? "default channel of" : inPlan ? "channel set by the network within" : "outside";
  return { text: `${mhz}, ${what} ${plan.plan}`, index: null, subBand: null, isDefault, inPlan };
}
