/** How does the whole site stand, at a glance? */
import { z } from "zod";
import { DevAddrText, EuiText, IsoTime, Sentence, Whole, Window } from "./common.ts";
import { Cause, FindingLine, FindingWord } from "./gaps.ts";
import { GatewayRow } from "./gateways.ts";
import { NodeRow } from "./nodes.ts";

// What does the score of a site draw beside what the view says anyway: loud channels, and margins over time?

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
  frequencyHz: Whole,
  fromMs: z.number(),
  binSeconds: z.number(),
  dbm: z.array(z.number().nullable()).describe("median of each bin; null: no frame shows it"),
  loud: LoudNoise,
});
export type NoiseLane = z.infer<typeof NoiseLane>;

export const MarginLane = z.object({
  devAddr: DevAddrText,
  life: Whole,
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

export const AirLine = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  words: z.string(),
  busiestFrequencyHz: Whole.nullable(),
  busiestUtilisation: z.number().nullable(),
});

/** True over most of the window; shown once, before any event. */
export const StandingCondition = z.object({
  kind: z.enum(["weak-link", "noisy-channel", "quiet-channel", "deaf-gateway", "wrong-plan"]),
  devAddr: DevAddrText.nullable(),
  life: Whole.nullable(),
  gateway: EuiText.nullable(),
  frequencyHz: Whole.nullable(),
  figure: z.number().describe("margin or excess of noise in dB, a share of 0 to 1, or a count: see unit"),
  unit: z.enum(["dB", "share", "count"]),
  gaps: Whole.describe("gaps that belong to it and stand in no event"),
  sentence: z.string(),
});
export type StandingCondition = z.infer<typeof StandingCondition>;

/** Something with a begin and an end: an episode that nodes share, or all gaps of one node with one cause. */
export const SiteEvent = z.object({
  from: IsoTime,
  to: IsoTime,
  open: z.boolean().describe("goes on at the end of what is stored"),
  cause: Cause,
  word: FindingWord,
  nodes: Whole,
  gaps: Whole,
  missedCounters: Whole,
  devAddr: DevAddrText.nullable(),
  gateway: EuiText.nullable(),
  sentence: z.string(),
});
export type SiteEvent = z.infer<typeof SiteEvent>;

/** What is always so, what happened, what to do. */
export const SiteSummary = z.object({
  sentences: z.array(z.string()).describe("five at most: the site, standing conditions, events"),
  standing: z.array(StandingCondition),
  events: z.array(SiteEvent).describe("most counters first, at most 50; no gap stands twice"),
  eventsCut: z.boolean(),
  toDo: z.array(z.string()).describe("strongest first, at most 8"),
});
export type SiteSummary = z.infer<typeof SiteSummary>;

export const SiteView = z.object({
  window: Window,
  siteName: z.string(),
  /** True when nothing was ever stored: the dashboard shows its page of help. */
  empty: z.boolean(),
  sentence: Sentence,
  gateways: z.array(GatewayRow).describe("64 at most: named or placed ones first, then those heard longest"),
  moreGateways: Whole.describe("heard too, and not listed"),
  attention: z.array(NodeRow).describe("nodes that need a look, worst first, at most 12"),
  ...SiteSummary.shape,
  recorded: z
    .array(z.object({ from: IsoTime, to: IsoTime }))
    .describe("when anything was recorded within the window, the newest 500 ranges"),
  findings: z.array(FindingLine).describe("of one's own nodes and of gateways, newest first, at most 5"),
  nodeCount: Whole.describe("of one's own, heard in the window, listed or not"),
  strangerCount: Whole,
  air: z.array(AirLine),
  score: SiteScore,
});
export type SiteView = z.infer<typeof SiteView>;

/** Body of PUT /api/site/name. Null takes the name back. */
export const SiteNaming = z.object({ name: z.string().trim().max(80).nullable() });
export type SiteNaming = z.infer<typeof SiteNaming>;

// Which devices ask to join, and what became of it?

/** One device by its DevEUI, over the window. Counts of answers are null where no answer can be seen here. */
export const JoiningDevice = z.object({
  devEui: EuiText,
  joinEui: EuiText.nullable().describe("of the newest request"),
  requests: Whole.describe("join-requests heard, repeats of one included"),
  accepted: Whole.nullable().describe("answered in time with a join-accept that the gateway took"),
  late: Whole.nullable().describe("answered too late, or the gateway refused to send it"),
  unanswered: Whole.nullable().describe("no join-accept was seen"),
  devAddr: DevAddrText.optional().describe("its address after that, where it is known"),
  life: Whole.optional(),
  firstHeard: IsoTime,
  lastHeard: IsoTime,
  clause: z.string(),
});
export type JoiningDevice = z.infer<typeof JoiningDevice>;

export const JoinsView = z.object({
  window: Window,
  sentence: Sentence,
  joins: z.array(JoiningDevice).describe("newest request first, at most 500"),
  joinsCut: z.boolean(),
});
export type JoinsView = z.infer<typeof JoinsView>;
