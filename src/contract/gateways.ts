/** What is said of a gateway? Its heartbeat, its state, its account. */
import { z } from "zod";
import { DevAddrText, EuiText, Interval95, IsoTime, Sentence, Standing, Whole, Window } from "./common.ts";
import { FindingWord } from "./gaps.ts";

// The downlink path: what servers asked gateways to send, what came of it, and how long acknowledgements took.

/** From a gateway's datagram to its acknowledgement, as this place in the path saw it. Right to within a tenth. */
export const RoundTrip = z.object({
  asked: Whole,
  answered: Whole,
  lost: Whole.nullable().describe(
    "asked and not answered within 2 s; null when answers were not to be seen here",
  ),
  lostRatio: z.number().nullable(),
  medianMs: z.number().nullable(),
  p99Ms: z.number().nullable(),
  overPatience: Whole.describe("answered after more than 100 ms, when a gateway no longer waits"),
});
export type RoundTrip = z.infer<typeof RoundTrip>;

/** One word of a gateway on downlinks, and how often it was said. */
export const OutcomeCount = z.object({
  outcome: z.enum(["accepted", "accepted-lower-power", "refused", "unreadable", "unanswered"]),
  word: z.string().nullable().describe("TOO_LATE, TX_FREQ …"),
  words: z.string(),
  count: Whole,
});
export type OutcomeCount = z.infer<typeof OutcomeCount>;

/** How much of an hour a gateway transmitted in one sub-band, and what it may. */
export const TransmitBudget = z.object({
  subBand: z.string(),
  fromHz: Whole,
  toHz: Whole,
  airtimeSeconds: z.number().describe("in the fullest hour of the window"),
  share: z.number().describe("of that hour"),
  limit: z.number().nullable(),
  text: z.string(),
  source: z.string(),
  standing: Standing,
});
export type TransmitBudget = z.infer<typeof TransmitBudget>;

/** The downlink path of one gateway over the window; everything that passed here, live in line or in a capture. */
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
  oneSided: Whole.describe(
    "PUSH_DATA and PULL_DATA from captures that hold no answers; not among those asked",
  ),
  asked: Whole.describe("packets handed out for sending"),
  outcomes: z.array(OutcomeCount),
  windows: z.array(z.object({ window: z.string(), words: z.string(), count: Whole })),
  timed: Whole.describe("asked for at a moment of the counter, and in time or not is known"),
  late: Whole,
  lateShare: z.number().nullable(),
  lead: z
    .object({ medianMs: z.number(), p10Ms: z.number(), leastMs: z.number(), count: Whole })
    .nullable()
    .describe("left when a downlink passed, before the last moment at which the gateway takes it"),
  transmitBasis: z
    .enum(["confirmed", "asked"])
    .describe("asked: the gateway confirms nothing (no TX_ACK), so all that it was asked for counts"),
  transmitSeconds: z.number().describe("of packets that the gateway confirmed, or was asked for"),
  unconfirmedSeconds: z.number().describe("of packets asked for, neither confirmed nor refused; not counted"),
  transmitShare: z.number().describe("of the window"),
  deafSeconds: z.number().describe("a half-duplex gateway hears nothing while it sends"),
  budgets: z.array(TransmitBudget),
  caution: z.string().describe("to be shown beside the budgets"),
});
export type GatewayDownlinks = z.infer<typeof GatewayDownlinks>;

/** One packet that a server asked a gateway to send. */
export const DownlinkRow = z.object({
  id: Whole,
  at: IsoTime.describe("when it passed"),
  gatewayEui: EuiText.nullable(),
  gatewayName: z.string().nullable(),
  messageType: z.string(),
  devAddr: DevAddrText.nullable(),
  counter: Whole.nullable().describe("on the air, 16 bits"),
  ack: z.boolean().describe("acknowledges a confirmed uplink"),
  window: z.string().nullable(),
  windowWords: z.string(),
  delaySeconds: z.number().nullable().describe("after the uplink that it answers"),
  uplinkAt: IsoTime.nullable(),
  leadMs: z.number().nullable().describe("before the last moment; negative: too late"),
  frequencyHz: Whole.nullable(),
  dataRate: z.string(),
  powerDbm: z.number().nullable(),
  airtimeMs: z.number().nullable().describe("null: the data rate is not known"),
  size: Whole,
  hex: z.string(),
  commands: z
    .array(z.object({ name: z.string(), words: z.string() }))
    .describe("as far as they are not encrypted"),
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
  counter: Whole.nullable(),
  fate: z.enum(["answered", "unanswered", "late", "effective", "refused by node", "without effect", "open"]),
  standing: Standing,
  words: z.string(),
});
export type AnsweredRow = z.infer<typeof AnsweredRow>;

/** The downlink path of one node over the window. */
export const NodeAnswers = z.object({
  seen: z.boolean().describe("whether a server's datagrams passed here at all"),
  sentence: z.string(),
  confirmed: z.object({ sent: Whole, answered: Whole }),
  joins: z.object({ requested: Whole, accepted: Whole }),
  commands: z.object({ asked: Whole, effective: Whole }),
  rows: z.array(AnsweredRow).describe("newest first, 100 at most"),
  rowsCut: z.boolean(),
});
export type NodeAnswers = z.infer<typeof NodeAnswers>;

/** Minute cells (or wider, see cellSeconds) of a gateway's line; columns of equal length. */
export const Heartbeat = z.object({
  cellSeconds: Whole,
  from: IsoTime,
  datagrams: z.array(Whole),
  keepalives: z.array(Whole),
  keepalivesExpected: z.number().describe("a cell; 0 when no interval is known"),
  statusReports: z.array(Whole),
  receptions: z.array(Whole),
  crcBad: z.array(Whole),
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
  nodes: Whole.describe("nodes that show it; 0 where datagrams do"),
  sizeDb: z
    .number()
    .optional()
    .describe("by how many dB the level stepped, weaker or stronger as the kind says"),
  sizeIntervalDb: Interval95.optional().describe("95 %"),
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
  site: z.string().optional().describe("the site that it belongs to; left out without one"),
  receptions: Whole,
  crcBad: Whole,
  crcNone: Whole,
  datagrams: Whole,
  rejected: z.record(z.string(), Whole).describe("refused, by reason, since the store began"),
  odd: z.record(z.string(), Whole).describe("unusual but used, by reason, since the store began"),
  keepaliveSeconds: z.number().nullable(),
  firstHeard: IsoTime,
  lastHeard: IsoTime,
  protocolVersions: z.array(Whole),
  region: z.object({
    name: z.string().nullable(),
    confidence: z.number(),
    subBand: Whole.nullable().describe("of a fixed plan, 1 to 8"),
    alternatives: z.array(z.object({ name: z.string(), confidence: z.number() })),
    contradictions: z.array(z.string()),
    reason: z.string().describe("a sentence: why this plan, or why none"),
  }),
  clockDriftPpm: z.number().nullable().describe("of its counter, positive: fast; null: not enough to say"),
  clockDriftInterval95: Interval95.nullable(),
  restarts: Whole,
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
  downlinks: GatewayDownlinks.nullable().describe(
    "the downlink path; null when nothing of a server was seen",
  ),
});
export type GatewayRow = z.infer<typeof GatewayRow>;

export const GatewaysView = z.object({
  window: Window,
  gateways: z.array(GatewayRow).describe("64 at most: named or placed ones first, then those heard longest"),
  moreGateways: Whole.describe("heard too, and not listed"),
});
export type GatewaysView = z.infer<typeof GatewaysView>;

// In line between gateways and a network server: does everything pass, and does the server answer?

export const UpstreamRow = z.object({
  host: z.string(),
  port: Whole,
  address: z.string().nullable().describe("the address in use; null while the name has none"),
  role: z
    .enum(["server", "gets copies only"])
    .describe("only the server's answers and downlinks are passed back"),
  state: z
    .enum(["answering", "waiting", "idle", "silent", "refusing", "unresolved"])
    .describe("idle: nothing was sent there in the last minute"),
  standing: Standing,
  words: z.string().describe("one clause: answering; silent for 40 s; refuses (ECONNREFUSED)"),
  sent: Whole.describe("datagrams since the start"),
  unsent: Whole.describe("could not leave: no address, no route, refused"),
  received: Whole,
  refusals: Whole.describe("how often the network said that nobody listens there"),
  lastAnswerAt: IsoTime.nullable(),
});
export type UpstreamRow = z.infer<typeof UpstreamRow>;

/** The passage since the service started. */
export const Passage = z.object({
  standing: Standing,
  words: z.string().describe("one sentence: relaying to ns.example:1700, answering; 3 gateways"),
  upstreams: z.array(UpstreamRow).describe("the server first"),
  gateways: Whole.describe("with an open association"),
  associations: Whole,
  up: Whole.describe("datagrams from gateways passed on"),
  down: Whole.describe("datagrams from the server passed back"),
  notRelayed: z.array(z.object({ reason: z.string(), words: z.string(), count: Whole })),
  strayDownlinks: Whole.describe(
    "downlinks that the server sent to where a gateway pushes from; brought to where it pulls from",
  ),
  notRecorded: Whole.describe("passed, but lost to the record: storage slow or failed for too long"),
});
export type Passage = z.infer<typeof Passage>;
