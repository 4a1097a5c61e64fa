/** What do the list of nodes and the page of one node say? */
import { z } from "zod";
import {
  DevAddrText,
  EuiText,
  Interval95,
  IsoTime,
  Sentence,
  Spread,
  Standing,
  Whole,
  Window,
} from "./common.ts";
import { Cause } from "./gaps.ts";
import { NodeAnswers } from "./gateways.ts";
import { LinkRow, StandingFall } from "./link.ts";

/** A trend or nothing, and why: "fell by 3.1 dB over 6 days (p 0.002)" or "not enough to say: 4 of 20 hours". */
export const Trend = z.object({
  slopePerDay: z.number().nullable(),
  change: z.number().nullable().describe("slope times span of the window, in the unit of the values"),
  p: z.number().nullable(),
  significant: z.boolean(),
  words: z.string(),
});
export type Trend = z.infer<typeof Trend>;

/** The window in up to 60 equal bins: what the small strip of a list draws. */
export const Strip = z.object({
  binSeconds: z.number(),
  heard: z.array(Whole).describe("distinct counters first heard in the bin"),
  missed: z.array(Whole).describe("missed counters dated into the bin"),
  missedDuringOutage: z.array(Whole),
  missedNotRecorded: z.array(Whole),
});
export type Strip = z.infer<typeof Strip>;

/** One device address in one counter life, over the window. Delivery figures are null below two expected counters. */
export const NodeRow = z.object({
  devAddr: DevAddrText,
  life: Whole.min(1),
  name: z.string().nullable(),
  network: z.string().describe("network identifier as far as the address tells"),
  stranger: z.boolean(),
  heard: Whole.describe("distinct counters heard"),
  expected: Whole.describe("last − first heard + 1"),
  missed: Whole,
  missedDuringOutage: Whole.describe("of the missed, those due while no gateway was reachable"),
  missedNotRecorded: Whole.describe(
    "of the missed, those that may have been sent while nothing was recorded",
  ),
  deliveryRatio: z.number().nullable().describe("heard / (expected − missedNotRecorded)"),
  deliveryInterval95: Interval95.nullable().describe("Wilson score interval"),
  frames: Whole.describe("transmissions heard, repeats included"),
  receptions: Whole,
  repeats: Whole,
  rssiDbm: Spread.describe("best gateway of each frame"),
  snrDb: Spread.describe("best gateway of each frame"),
  marginDb: Spread.describe("SNR over the demodulation floor, best gateway of each frame"),
  snrTrend: Trend,
  fall: StandingFall.nullish().describe(
    "6 dB or more, held for an hour or longer to the last frame; null where none is found. Beyond the newest two days, of hourly medians",
  ),
  rhythmSeconds: z.number().nullable().describe("median interval of one counter step"),
  airtimeSeconds: z.number(),
  dataRates: z.array(z.object({ name: z.string(), frames: Whole })),
  gateways: z.array(EuiText),
  firstHeard: IsoTime,
  lastHeard: IsoTime,
  recounting: z
    .boolean()
    .optional()
    .describe(
      "true while its counters are counted again, because frames came out of order: figures may change",
    ),
  overdue: z.boolean().describe("silent for longer than its rhythm allows, at the end of the window"),
  standing: Standing,
  clause: z.string().describe("one clause that says why it stands so"),
  why: z
    .object({ cause: Cause, words: z.string().describe("mostly weak link (likely)") })
    .nullish()
    .describe("what most of what it lost in the window is attributed to; null where no gap was found"),
  strip: Strip,
});
export type NodeRow = z.infer<typeof NodeRow>;

export const NodesView = z.object({
  window: Window,
  sentence: Sentence,
  homeNetworks: z.array(z.string()).describe("networks whose nodes count as one's own"),
  homeAssumed: z.boolean().describe("true when nobody said which nodes are one's own"),
  nodes: z.array(NodeRow).describe("500 at most: named ones and one's own first, then those heard most"),
  moreNodes: Whole.describe("devices heard in the window too, and not listed"),
});
export type NodesView = z.infer<typeof NodesView>;

/** One tick of the counter strip, or a run of missed ones. */
export const CounterTick = z.object({
  counter: Whole,
  atMs: z.number().describe("epoch milliseconds; for missed counters spread over their gap"),
  fate: z.enum(["heard", "heard-by-some", "missed", "missed-during-outage", "not-recorded"]),
  repeats: Whole,
  frameId: Whole.nullable(),
});
export type CounterTick = z.infer<typeof CounterTick>;

/** Signal over time as columns of equal length, one set a gateway; null is a gap and is drawn as one. */
export const SignalSeries = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  atMs: z.array(z.number()),
  rssiDbm: z.array(z.number().nullable()),
  snrDb: z.array(z.number().nullable()),
  spreadingFactor: z.array(Whole.nullable()),
  marginDb: z.array(z.number().nullable()),
  receptions: z
    .array(Whole)
    .describe("for how many each stands; of a long window each stretch by its weakest, middle and strongest"),
});
export type SignalSeries = z.infer<typeof SignalSeries>;

export const LifeRow = z.object({
  life: Whole,
  begunBy: z.string(),
  reason: z.string(),
  firstHeard: IsoTime,
  lastHeard: IsoTime,
  firstCounter: Whole,
  lastCounter: Whole,
  heard: Whole,
  devEui: EuiText.nullable().describe("the device that lived it, as far as it is known"),
  proof: z
    .enum(["mic", "join-time"])
    .nullable()
    .describe("mic: its keys proved its frames; join-time: a join-request was heard just before"),
});
export type LifeRow = z.infer<typeof LifeRow>;

export const NodeGatewayRow = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  heard: Whole.describe("distinct counters heard by this gateway"),
  deliveryRatio: z.number().nullable().describe("of the counters expected at the site"),
  deliveryInterval95: Interval95.nullable(),
  rssiDbm: Spread,
  snrDb: Spread,
  marginDb: Spread,
});
export type NodeGatewayRow = z.infer<typeof NodeGatewayRow>;

/** Something that node and network arranged about the link, or that the frames show: a line of the node's story. */
export const LinkEventRow = z.object({
  at: IsoTime,
  counter: Whole.nullable(),
  kind: z.string(),
  sentence: z.string(),
  certainty: z
    .enum(["seen", "assumed 1.0 clear text", "proved"])
    .describe(
      "seen in the frames' own parameters; read from commands that look like clear text; or proved by keys",
    ),
  times: Whole.describe("how often the same was said in a row"),
});
export type LinkEventRow = z.infer<typeof LinkEventRow>;

/** What keys of this node say; never the keys. */
export const KeyFigures = z.object({
  held: z.boolean().describe("keys are available for this address"),
  proved: Whole.describe("frames of the window whose MIC they proved"),
  invalid: Whole.describe("frames of the window whose MIC fits no key available: another sender"),
  replays: Whole.describe("proved frames sent again when their node no longer sent them"),
});
export type KeyFigures = z.infer<typeof KeyFigures>;

/** Another life of the same device, under this address or another. */
export const DeviceLifeRow = z.object({
  devAddr: DevAddrText,
  life: Whole,
  firstHeard: IsoTime,
  lastHeard: IsoTime,
  proof: z.enum(["mic", "join-time"]).nullable(),
});
export type DeviceLifeRow = z.infer<typeof DeviceLifeRow>;

/** A run of missed counters of a node. */
export const GapRow = z.object({
  from: IsoTime.describe("last frame heard before"),
  to: IsoTime.describe("first frame heard after"),
  firstCounter: Whole,
  missed: Whole,
  missedDuringOutage: Whole,
  missedNotRecorded: Whole,
});
export type GapRow = z.infer<typeof GapRow>;

export const NodePage = z.object({
  window: Window,
  sentence: Sentence,
  row: NodeRow,
  ticks: z.array(CounterTick).describe("newest 2,000 counters of the window"),
  ticksCut: z.boolean(),
  series: z.array(SignalSeries),
  gateways: z.array(NodeGatewayRow),
  links: z.array(LinkRow).describe("what is said of the way to each gateway"),
  lives: z.array(LifeRow),
  gaps: z.array(GapRow).describe("longest 100"),
  story: z.array(LinkEventRow).describe("newest 200, oldest first"),
  storyCut: z.boolean(),
  keys: KeyFigures,
  answers: NodeAnswers,
  ownSaid: z.boolean().nullable().describe("what a person said: one's own, a stranger's, or null: nothing"),
  deviceLives: z
    .array(DeviceLifeRow)
    .describe("lives of the same device in order of time, this one included; empty when none is known"),
});
export type NodePage = z.infer<typeof NodePage>;

export const ReceptionRow = z.object({
  id: Whole,
  frameId: Whole.nullable(),
  at: IsoTime,
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  site: z.string().optional().describe("of the gateway; left out where it belongs to none"),
  antenna: Whole,
  devAddr: DevAddrText.nullable(),
  nodeName: z.string().nullable(),
  life: Whole.nullable(),
  messageType: z.string().describe("UnconfirmedDataUp … or what it is instead: CRC failed, not LoRaWAN"),
  counter: Whole.nullable(),
  port: Whole.nullable(),
  repeat: z.boolean(),
  ghost: z.boolean(),
  crc: z.enum(["ok", "bad", "none", "unknown"]),
  frequencyHz: Whole.nullable(),
  dataRate: z.string(),
  codingRate: z.string().nullable(),
  rssiDbm: z.number().nullable(),
  signalRssiDbm: z.number().nullable(),
  snrDb: z.number().nullable(),
  marginDb: z.number().nullable(),
  frequencyOffsetHz: Whole.nullable(),
  airtimeMs: z.number().describe("0 where it is not known"),
  airtimeNotKnown: z.string().nullable().describe("why the airtime is not known"),
  size: Whole,
});
export type ReceptionRow = z.infer<typeof ReceptionRow>;

/** Newest first; `next` is the cursor of the following page, null at the end. */
export const ReceptionPage = z.object({
  receptions: z.array(ReceptionRow),
  next: z.string().nullable(),
});
export type ReceptionPage = z.infer<typeof ReceptionPage>;

/** One field of a frame: which octets, what they mean. */
export interface FieldView {
  at: number;
  size: number;
  name: string;
  value: string;
  note?: string | undefined;
  children?: FieldView[] | undefined;
}
export const FieldView: z.ZodType<FieldView> = z.lazy(() =>
  z.object({
    at: Whole,
    size: Whole,
    name: z.string(),
    value: z.string(),
    note: z.string().optional(),
    children: z.array(FieldView).optional(),
  }),
);

/** A frame opened: its bytes, what each means, and who heard it. */
export const FrameView = z.object({
  id: Whole,
  at: IsoTime,
  hex: z.string(),
  base64: z.string(),
  fields: z.array(FieldView),
  fault: z.string().nullable(),
  mic: z.enum(["proved", "invalid", "unknown"]).describe("unknown: no key available could say"),
  micWords: z.string().describe("one clause: proved with counter 65,540; fits no key available; no key"),
  counter: Whole.nullable().describe("32-bit counter, reconstructed or proved"),
  decryptedHex: z.string().nullable().describe("FRMPayload, decrypted, with keys"),
  decryptedText: z.string().nullable().describe("the same as text, when all of it is printable"),
  commands: z
    .array(z.object({ name: z.string(), words: z.string() }))
    .describe("MAC commands, as far as they can be read"),
  commandsAre: z.string().nullable().describe("how sure the commands are: assumed 1.0 clear text, decrypted"),
  receptions: z.array(ReceptionRow),
});
export type FrameView = z.infer<typeof FrameView>;
