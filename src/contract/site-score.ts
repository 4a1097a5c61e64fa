/** What does the score of a site draw beside what the view says anyway: loud channels, and margins over time? */
import { z } from "zod";
import { DevAddrText, EuiText, IsoTime } from "./common.ts";

/** A time in which a channel's noise stood 6 dB or more above its quiet level. */
export const LoudNoise = z.object({
  from: IsoTime,
  to: IsoTime,
  beginSeen: z.boolean().describe("false: loud from the first frame on that shows the noise"),
  endSeen: z.boolean().describe("false: loud up to the last one"),
  riseDb: z.number().describe("median of that time above the quiet level"),
});
export type LoudNoise = z.infer<typeof LoudNoise>;

export const NoiseLane = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  frequencyHz: z.number().int(),
  fromMs: z.number(),
  binSeconds: z.number(),
  dbm: z.array(z.number().nullable()).describe("median of each bin; null: no frame shows it"),
  loud: LoudNoise,
});
export type NoiseLane = z.infer<typeof NoiseLane>;

export const MarginLane = z.object({
  devAddr: DevAddrText,
  life: z.number().int(),
  fromMs: z.number(),
  binSeconds: z.number(),
  marginDb: z.array(z.number().nullable()).describe("mean of each bin, best gateway of each frame"),
});
export type MarginLane = z.infer<typeof MarginLane>;

export const SiteScore = z.object({
  noise: z.array(NoiseLane).describe("channels that were loud for some time, loudest first, at most 6"),
  margins: z.array(MarginLane).describe("of the nodes that need a look"),
});
export type SiteScore = z.infer<typeof SiteScore>;
