/** What is said of a gateway? Its heartbeat, its state, its account. */
import { z } from "zod";
import { EuiText, IsoTime, Standing, Window } from "./common.ts";
import { GatewayDownlinks } from "./downlinks.ts";
import { FindingWord } from "./gaps.ts";

/** Minute cells (or wider, see cellSeconds) of a gateway's line; columns of equal length. */
export const Heartbeat = z.object({
  cellSeconds: z.number().int(),
  from: IsoTime,
  datagrams: z.array(z.number().int()),
  keepalives: z.array(z.number().int()),
  keepalivesExpected: z.number().describe("a cell; 0 when no interval is known"),
  statusReports: z.array(z.number().int()),
  receptions: z.array(z.number().int()),
  crcBad: z.array(z.number().int()),
});
export type Heartbeat = z.infer<typeof Heartbeat>;

export const Outage = z.object({ from: IsoTime, to: IsoTime });

/**
 * What happened to a gateway as a whole. The first, second and fourth are also causes of gaps; a gateway that hears better
 * again, or gets its acknowledgements too late, costs no frame.
 */
export const GatewayEventKind = z.enum([
  "gateway-deaf",
  "gateway-weakened",
  "gateway-strengthened",
  "backhaul-loss",
  "late-acknowledgements",
]);

export const GatewayEvent = z.object({
  kind: GatewayEventKind,
  from: IsoTime,
  to: IsoTime.describe("when it ended, or was mended; while open, the newest moment known"),
  open: z.boolean(),
  nodes: z.number().int().describe("nodes that show it; 0 where datagrams do"),
  sizeDb: z
    .number()
    .optional()
    .describe("by how many dB the level stepped, weaker or stronger as the kind says"),
  sizeIntervalDb: z.tuple([z.number(), z.number()]).optional().describe("95 %"),
  lossShare: z.number().optional().describe("of the datagrams, 0 to 1"),
  confidence: z.number().min(0).max(1),
  word: FindingWord,
  clause: z.string().describe("stands after the gateway's name"),
  sentence: z.string(),
  advice: z.string().describe("what to do next"),
});
export type GatewayEvent = z.infer<typeof GatewayEvent>;

export const GatewayRow = z.object({
  eui: EuiText,
  name: z.string().nullable(),
  receptions: z.number().int(),
  crcBad: z.number().int(),
  crcNone: z.number().int(),
  datagrams: z.number().int(),
  rejected: z.record(z.string(), z.number().int()).describe("refused, by reason, since the store began"),
  odd: z.record(z.string(), z.number().int()).describe("odd but used, by reason, since the store began"),
  keepaliveSeconds: z.number().nullable(),
  firstHeard: IsoTime,
  lastHeard: IsoTime,
  protocolVersions: z.array(z.number().int()),
  region: z.object({
    name: z.string().nullable(),
    confidence: z.number(),
    subBand: z.number().int().nullable().describe("of a fixed plan, 1 to 8"),
    alternatives: z.array(z.object({ name: z.string(), confidence: z.number() })),
    contradictions: z.array(z.string()),
    reason: z.string().describe("a sentence: why this plan, or why none"),
  }),
  clockDriftPpm: z.number().nullable().describe("of its counter, positive: fast; null: not enough to say"),
  clockDriftInterval95: z.tuple([z.number(), z.number()]).nullable(),
  restarts: z.number().int(),
  restartTimes: z.array(IsoTime),
  outages: z.array(Outage).describe("nothing arrived for longer than three keepalives, in recorded time"),
  outagesKnown: z.boolean().describe("false: it sends nothing by the clock, so its outages are not known"),
  notRecorded: z.array(Outage).describe("where nothing was recorded of it, within the window"),
  events: z.array(GatewayEvent).describe("what happened to it as a whole, newest first"),
  pullSource: z.string().nullable(),
  ackPercent: z.number().nullable().describe("as the gateway itself reports, newest"),
  temperatureC: z.number().nullable(),
  standing: Standing,
  clause: z.string(),
  heartbeat: Heartbeat,
  downlinks: GatewayDownlinks.nullable().describe("the way back; null when nothing of a server was seen"),
});
export type GatewayRow = z.infer<typeof GatewayRow>;

export const GatewaysView = z.object({
  window: Window,
  gateways: z.array(GatewayRow).describe("64 at most: named or placed ones first, then those heard longest"),
  moreGateways: z.number().int().describe("heard too, and not listed"),
});
export type GatewaysView = z.infer<typeof GatewaysView>;
