/** The way back: what servers asked gateways to send, what came of it, and how long acknowledgements took. */
import { z } from "zod";
import { DevAddrText, EuiText, IsoTime, Sentence, Standing, Window } from "./common.ts";

/** From a gateway's datagram to its acknowledgement, as this place in the path saw it. Right to within a tenth. */
export const RoundTrip = z.object({
  asked: z.number().int(),
  answered: z.number().int(),
  lost: z
    .number()
    .int()
    .nullable()
    .describe("asked and not answered within 2 s; null when answers were not to be seen here"),
  lostRatio: z.number().nullable(),
  medianMs: z.number().nullable(),
  p99Ms: z.number().nullable(),
  overPatience: z.number().int().describe("answered after more than 100 ms, when a gateway no longer waits"),
});
export type RoundTrip = z.infer<typeof RoundTrip>;

/** One word of a gateway on downlinks, and how often it was said. */
export const OutcomeCount = z.object({
  outcome: z.enum(["accepted", "accepted-lower-power", "refused", "unreadable", "unanswered"]),
  word: z.string().nullable().describe("TOO_LATE, TX_FREQ …"),
  words: z.string(),
  count: z.number().int(),
});
export type OutcomeCount = z.infer<typeof OutcomeCount>;

/** How much of an hour a gateway transmitted in one sub-band, and what it may. */
export const TransmitBudget = z.object({
  subBand: z.string(),
  fromHz: z.number().int(),
  toHz: z.number().int(),
  airtimeSeconds: z.number().describe("in the fullest hour of the window"),
  share: z.number().describe("of that hour"),
  limit: z.number().nullable(),
  text: z.string(),
  source: z.string(),
  standing: Standing,
});
export type TransmitBudget = z.infer<typeof TransmitBudget>;

/** The way back of one gateway over the window; everything that passed here, live in line or in a capture. */
export const GatewayDownlinks = z.object({
  standing: Standing,
  clause: z.string(),
  server: z.object({
    state: z.enum(["answering", "silent", "unknown"]),
    words: z.string(),
  }),
  push: RoundTrip,
  pull: RoundTrip,
  tripMeaning: z
    .string()
    .nullable()
    .describe("which way the round trips cover, as seen from here; null: none were measured"),
  oneSided: z
    .number()
    .int()
    .describe("PUSH_DATA and PULL_DATA from captures that hold no answers; not among those asked"),
  asked: z.number().int().describe("packets handed out for sending"),
  outcomes: z.array(OutcomeCount),
  windows: z.array(z.object({ window: z.string(), words: z.string(), count: z.number().int() })),
  timed: z.number().int().describe("asked for at a moment of the counter, and in time or not is known"),
  late: z.number().int(),
  lateShare: z.number().nullable(),
  lead: z
    .object({ medianMs: z.number(), p10Ms: z.number(), leastMs: z.number(), count: z.number().int() })
    .nullable()
    .describe("left when a downlink passed, before the last moment at which the gateway takes it"),
  transmitSeconds: z.number().describe("of packets that were not refused"),
  transmitShare: z.number().describe("of the window"),
  deafSeconds: z.number().describe("a half-duplex gateway hears nothing while it sends"),
  budgets: z.array(TransmitBudget),
  caution: z.string().describe("to be shown beside the budgets"),
});
export type GatewayDownlinks = z.infer<typeof GatewayDownlinks>;

/** One packet that a server asked a gateway to send. */
export const DownlinkRow = z.object({
  id: z.number().int(),
  at: IsoTime.describe("when it passed"),
  gatewayEui: EuiText.nullable(),
  gatewayName: z.string().nullable(),
  messageType: z.string(),
  devAddr: DevAddrText.nullable(),
  counter: z.number().int().nullable().describe("on the air, 16 bits"),
  ack: z.boolean().describe("acknowledges a confirmed uplink"),
  window: z.string().nullable(),
  windowWords: z.string(),
  delaySeconds: z.number().nullable().describe("after the uplink that it answers"),
  uplinkAt: IsoTime.nullable(),
  leadMs: z.number().nullable().describe("before the last moment; negative: too late"),
  frequencyHz: z.number().int().nullable(),
  dataRate: z.string(),
  powerDbm: z.number().nullable(),
  airtimeMs: z.number(),
  size: z.number().int(),
  hex: z.string(),
  commands: z
    .array(z.object({ name: z.string(), words: z.string() }))
    .describe("as far as they are in clear"),
  outcome: OutcomeCount.shape.outcome,
  word: z.string().nullable(),
  outcomeWords: z.string(),
  answeredAfterMs: z.number().nullable(),
  standing: Standing,
});
export type DownlinkRow = z.infer<typeof DownlinkRow>;

export const DownlinksView = z.object({
  window: Window,
  sentence: Sentence,
  downlinks: z.array(DownlinkRow).describe("newest first, 200 at most"),
  cut: z.boolean(),
});
export type DownlinksView = z.infer<typeof DownlinksView>;

/** A confirmed uplink, a join-request or a data-rate command, and whether anything came of it. */
export const AnsweredRow = z.object({
  at: IsoTime,
  what: z.enum(["confirmed uplink", "join-request", "data-rate command"]),
  counter: z.number().int().nullable(),
  fate: z.enum(["answered", "unanswered", "late", "effective", "refused by node", "without effect", "open"]),
  standing: Standing,
  words: z.string(),
});
export type AnsweredRow = z.infer<typeof AnsweredRow>;

/** The way back of one node over the window. */
export const NodeAnswers = z.object({
  seen: z.boolean().describe("whether a server's datagrams passed here at all"),
  sentence: z.string(),
  confirmed: z.object({ sent: z.number().int(), answered: z.number().int() }),
  joins: z.object({ requested: z.number().int(), accepted: z.number().int() }),
  commands: z.object({ asked: z.number().int(), effective: z.number().int() }),
  rows: z.array(AnsweredRow).describe("newest first, 100 at most"),
  rowsCut: z.boolean(),
});
export type NodeAnswers = z.infer<typeof NodeAnswers>;
