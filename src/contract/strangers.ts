/** What does a neighbour's network do to you? Strangers' airtime by network, its growth, what it costs each own node. */
import { z } from "zod";
import { CollisionShare } from "./air.ts";
import { DevAddrText, EuiText, IsoTime, Window } from "./common.ts";

export const StrangerWeek = z.object({
  from: IsoTime.describe("Monday, 00:00 UTC"),
  days: z.number().int().describe("days of it recorded for three quarters or more"),
  enough: z.boolean().describe("four such days or more"),
  secondsPerDay: z.number().nullable().describe("mean of those days; null: not enough"),
  interval95: z.tuple([z.number(), z.number()]).nullable(),
});
export type StrangerWeek = z.infer<typeof StrangerWeek>;

export const StrangerGrowth = z.object({
  verdict: z.enum(["grows", "shrinks", "steady", "not enough"]),
  secondsPerDayPerWeek: z.number().nullable().describe("Theil-Sen over the days, airtime a day, each week"),
  interval95: z.tuple([z.number(), z.number()]).nullable().describe("widened for autocorrelation"),
  sharePerWeek: z.number().nullable().describe("the same over the median day"),
  p: z.number().nullable().describe("Mann-Kendall, two-sided, widened for autocorrelation"),
  words: z.string(),
});
export type StrangerGrowth = z.infer<typeof StrangerGrowth>;

export const StrangerNetwork = z.object({
  network: z.string().describe("as the address tells it: NetID, or NwkID where several NetIDs share it"),
  nodes: z.number().int().describe("addresses heard within `detail`, as the three that follow"),
  frames: z.number().int().describe("each once, however many gateways heard it"),
  airtimeSeconds: z.number(),
  share: z.number().describe("of the airtime of all nodes heard"),
  weeks: z.array(StrangerWeek).describe("oldest first, twelve at most, at `weeksAt`"),
  growth: StrangerGrowth,
});
export type StrangerNetwork = z.infer<typeof StrangerNetwork>;

export const StrangerCost = z.object({
  devAddr: DevAddrText,
  name: z.string().nullable(),
  gatewayEui: EuiText.describe("where most of its frames were heard"),
  gatewayName: z.string().nullable(),
  frames: z.number().int().describe("heard there within `detail`"),
  collisions: CollisionShare.describe("share of its frames that strangers should spoil there"),
  worstNetwork: z.string().nullable().describe("the one that alone spoils most, by ALOHA"),
  worstShare: z.number().nullable(),
  words: z.string(),
});
export type StrangerCost = z.infer<typeof StrangerCost>;

export const StrangersView = z.object({
  window: Window,
  detail: z
    .object({ from: IsoTime, to: IsoTime, whole: z.boolean(), packets: z.number().int() })
    .describe("the newest part of the window, on which all but the weeks rests"),
  sentence: z.string(),
  networks: z.array(StrangerNetwork).describe("most airtime first, 50 at most"),
  weeksAt: z
    .object({ gatewayEui: EuiText, gatewayName: z.string().nullable() })
    .nullable()
    .describe("one gateway, so that a new one does not look like growth; null: no stranger was heard"),
  nodes: z.array(StrangerCost).describe("own nodes with ten frames or more, most lost first, 50 at most"),
  caution: z.string(),
});
export type StrangersView = z.infer<typeof StrangersView>;
