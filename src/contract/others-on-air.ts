/** What do others put on the air, and what does it cost? Noise, compared between the gateways, and networks of strangers. */
import { z } from "zod";
import { DevAddrText, EuiText, Interval95, IsoTime, Whole, Window } from "./common.ts";

/** Expected share of frames that others spoil, 0 to 1. */
export const CollisionShare = z.object({
  aloha: z.number().describe("no capture: any overlap at the same spreading factor is a loss"),
  captureTheory: z
    .number()
    .nullable()
    .describe("capture from 6 dB, Goursaud and Gorce 2015; null: too few levels"),
  captureMeasured: z.number().nullable().describe("capture from 1 dB, Croce et al. 2018"),
});
export type CollisionShare = z.infer<typeof CollisionShare>;

// Where does noise come from? Loud times, pulses and standing noise, each compared between the gateways.

export const NoiseAtGateway = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  status: z
    .enum(["raised", "not raised", "drowned", "too few"])
    .describe("drowned: it heard next to nothing on these channels and as usual on others"),
  frequencyHz: Whole.nullable().describe("the channel that the levels are of"),
  samples: Whole.describe("frames that show the noise while it is there"),
  quietDbm: z.number().nullable(),
  loudDbm: z.number().nullable(),
  riseDb: z.number().nullable(),
  riseInterval95: Interval95.nullable(),
  receivedDbm: z
    .number()
    .nullable()
    .describe("power of the noise itself, the quiet level taken off; drowned: at least"),
});
export type NoiseAtGateway = z.infer<typeof NoiseAtGateway>;

export const NoiseSource = z.object({
  kind: z.enum(["loud time", "pulsed", "standing"]),
  from: IsoTime,
  to: IsoTime,
  beginSeen: z.boolean().describe("false: it was there from the first frames on"),
  endSeen: z.boolean(),
  frequenciesHz: z.array(Whole).describe("channels on which it was found"),
  width: z
    .enum(["one channel", "several channels", "all channels", "open"])
    .describe("at the gateway that shows it best, among the channels that can be judged"),
  course: z.object({
    verdict: z.enum(["steady", "pulsed", "open"]),
    periodSeconds: z.number().nullable(),
    onShare: z.number().nullable().describe("of the period, in which frames meet it"),
    p: z.number().nullable().describe("chance of such a period, all frequencies looked at counted"),
  }),
  loudestHours: z
    .array(z.object({ hour: Whole, medianDbm: z.number(), samples: Whole }))
    .describe("hours of the day, UTC, with five frames or more, loudest first, three at most"),
  gateways: z.array(NoiseAtGateway),
  place: z.object({
    verdict: z.enum(["strongest", "alike", "open"]),
    gatewayEui: EuiText.nullable(),
    differenceDb: z.number().nullable().describe("above the next gateway; null: only a limit is known"),
    lowDb: z.number().nullable().describe("95 %, antennas and receivers that differ included"),
    highDb: z.number().nullable(),
    words: z.string(),
  }),
  walk: z
    .object({ fromEui: EuiText, towardsEui: EuiText, distanceM: z.number(), words: z.string() })
    .nullable()
    .describe("only between gateways with positions, and only beyond the interval"),
  words: z.string(),
});
export type NoiseSource = z.infer<typeof NoiseSource>;

// What does a neighbour's network do to you? Strangers' airtime by network, its growth, what it costs each own node.

export const StrangerWeek = z.object({
  from: IsoTime.describe("Monday, 00:00 UTC"),
  days: Whole.describe("days of it recorded for three quarters or more"),
  enough: z.boolean().describe("four such days or more"),
  secondsPerDay: z.number().nullable().describe("mean of those days; null: not enough"),
  interval95: Interval95.nullable(),
});
export type StrangerWeek = z.infer<typeof StrangerWeek>;

export const StrangerGrowth = z.object({
  verdict: z.enum(["grows", "shrinks", "steady", "not enough"]),
  secondsPerDayPerWeek: z.number().nullable().describe("Theil-Sen over the days, airtime a day, each week"),
  interval95: Interval95.nullable().describe("widened for autocorrelation"),
  sharePerWeek: z.number().nullable().describe("the same over the median day"),
  p: z.number().nullable().describe("Mann-Kendall, two-sided, widened for autocorrelation"),
  words: z.string(),
});
export type StrangerGrowth = z.infer<typeof StrangerGrowth>;

export const StrangerNetwork = z.object({
  network: z.string().describe("as the address tells it: NetID, or NwkID where several NetIDs share it"),
  nodes: Whole.describe("addresses heard within `detail`, as the three that follow"),
  frames: Whole.describe("each once, however many gateways heard it"),
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
  frames: Whole.describe("heard there within `detail`"),
  collisions: CollisionShare.describe("share of its frames that strangers should spoil there"),
  worstNetwork: z.string().nullable().describe("the one that alone spoils most, by ALOHA"),
  worstShare: z.number().nullable(),
  words: z.string(),
});
export type StrangerCost = z.infer<typeof StrangerCost>;

export const StrangersView = z.object({
  window: Window,
  detail: z
    .object({ from: IsoTime, to: IsoTime, whole: z.boolean(), packets: Whole })
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
