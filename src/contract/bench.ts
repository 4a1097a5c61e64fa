/** How does a gateway stand on the bench? One verdict, one list of checks, and what it sent last in plain words. */
import { z } from "zod";
import { EuiText, Interval95, IsoTime, Sentence, Standing, Whole, Window, WindowQuery } from "./common.ts";

/** Characters of a plan's name with its sub-band: a user's own has 60 at most. */
const MAX_PLAN_LABEL = 80;

/** What a check came to. `waiting`: nothing says yet, or nothing here can say. */
export const BenchState = z.enum(["pass", "warn", "fail", "waiting"]);
export type BenchState = z.infer<typeof BenchState>;

export const BenchItem = z.object({
  id: z.string(),
  title: z.string(),
  state: BenchState,
  figure: z.string().describe("with its unit; a dash where there is none"),
  value: z.number().nullable().describe("the figure as a number"),
  unit: z.string().nullable(),
  reason: z.string().describe("a sentence"),
  advice: z.string().nullable().describe("what to do, a sentence"),
  awaits: z
    .string()
    .nullable()
    .describe("of a waiting item: what has yet to arrive; null where nothing that may come would tell"),
  awaitsSeconds: z
    .number()
    .nullable()
    .describe("about so long until that has arrived, at the present rate; null: no saying"),
  basis: z.string().describe("where its limits come from"),
  since: IsoTime.nullable().describe("the check rests on the window from here on; null: on all of it"),
  part: z
    .enum(["gateway", "reference"])
    .describe("gateway: judged by itself; reference: against the reference gateway"),
  channel: z
    .string()
    .nullable()
    .describe("the channel that it is about, as in 868.1 MHz; null: all together"),
});
export type BenchItem = z.infer<typeof BenchItem>;

/** One datagram, newest first in the feed. */
export const BenchDatagram = z.object({
  id: z.string(),
  at: IsoTime,
  words: z.string(),
});
export type BenchDatagram = z.infer<typeof BenchDatagram>;

/** A known good gateway beside those under test, with what they may differ from it by. */
export const BenchReference = z.object({
  eui: EuiText,
  name: z.string().nullable(),
  maxOffsetDb: z.number(),
  maxLossPoints: z.number(),
});
export type BenchReference = z.infer<typeof BenchReference>;

/** Body of PUT /api/bench-reference. */
export const BenchReferenceChange = z.object({
  eui: EuiText,
  maxOffsetDb: z.number().positive().max(60).describe("level that a gateway may differ by, either way, dB"),
  maxLossPoints: z.number().min(0).max(100).describe("points of frames that it may lose more"),
});
export type BenchReferenceChange = z.infer<typeof BenchReferenceChange>;

export const BenchReferenceView = z.object({ reference: BenchReference.nullable() });
export type BenchReferenceView = z.infer<typeof BenchReferenceView>;

/** A channel plan that a gateway can be asked to listen to. */
export const NamedPlan = z.object({
  label: z.string().describe("as `expect` takes it: US915/2"),
  region: z
    .string()
    .nullable()
    .describe("the region's name, as in US902-928; null: a plan of the user's own"),
  channels: z.string().describe("its uplink channels; where the network adds more, the default ones"),
});
export type NamedPlan = z.infer<typeof NamedPlan>;

const BenchRecord = {
  serial: z.string().nullable().describe("serial number or work order, as a person noted it"),
  signedOff: IsoTime.nullable().describe("when a person signed it off; null: not signed off"),
};

/** Query of GET /api/bench/:eui, beside the window. */
export const BenchQuery = WindowQuery.extend({
  expect: z
    .string()
    .min(1)
    .max(MAX_PLAN_LABEL)
    .optional()
    .describe("the channel plan that it must listen to, as in US915/2; left out: the one that is recognised"),
});

export const BenchView = z.object({
  window: Window,
  eui: EuiText,
  name: z.string().nullable(),
  ...BenchRecord,
  source: z.string().nullable().describe("where its keepalives come from: address and port"),
  firstHeard: IsoTime,
  lastHeard: IsoTime,
  verdict: BenchState,
  sentence: Sentence,
  awaited: z
    .object({ seconds: z.number(), text: z.string() })
    .nullable()
    .describe("about how long until the gateway can be judged, and for what; null: it can, or no saying"),
  expected: z.string().nullable().describe("the channel plan that was named, as in US915/2; null: none"),
  plans: z.array(NamedPlan).describe("every channel plan that can be named, the user's own first"),
  items: z.array(BenchItem),
  notices: z.array(z.string()).describe("what a person should know of identifiers, a sentence each"),
  reference: BenchReference.nullable().describe("what the list was measured against; null: nothing"),
  others: z
    .array(z.object({ eui: EuiText, name: z.string().nullable() }))
    .describe("further gateways, any of which could be its reference"),
  feed: z.array(BenchDatagram),
});
export type BenchView = z.infer<typeof BenchView>;

/** One gateway in the table of all. */
export const BenchRow = z.object({
  eui: EuiText,
  name: z.string().nullable(),
  ...BenchRecord,
  lastHeard: IsoTime,
  verdict: BenchState,
  failed: Whole,
  warned: Whole,
  passed: Whole,
  waiting: Whole,
  fault: z
    .object({
      id: z.string(),
      title: z.string(),
      state: BenchState,
      reason: z.string(),
      advice: z.string().nullable(),
    })
    .nullable()
    .describe("the first check that fails, else the first that warns; null: none"),
});
export type BenchRow = z.infer<typeof BenchRow>;

export const BenchTable = z.object({
  window: Window,
  gateways: z.array(BenchRow).describe("those that fail first; each by its newest"),
  gone: Whole.describe("signed off and silent in the window: they left the bench and are not listed"),
  leftOut: Whole.describe("heard longest ago, beyond the most that are judged at once"),
});
export type BenchTable = z.infer<typeof BenchTable>;

// One test frame through one gateway: what may be asked for, and what came of it.

/** A frequency at which a test may be sent, with what the region allows there. */
export const TestChannel = z.object({
  frequencyHz: Whole,
  dataRates: z.array(z.string()).describe("SF9BW125 …"),
  mostPowerDbm: z.number(),
  text: z.string().describe("what holds there, in a sentence"),
  source: z.string(),
});
export type TestChannel = z.infer<typeof TestChannel>;

/** What a test of a gateway may be, or why none may be made. */
export const DownlinkTestPlan = z.object({
  gatewayEui: EuiText,
  allowed: z.boolean(),
  why: z.string().describe("one sentence: why none may be made now; empty when one may"),
  region: z.string().nullable(),
  channels: z.array(TestChannel),
  cautions: z.array(z.string()).describe("to be shown before a person confirms"),
  calledSecondsAgo: z.number().nullable().describe("since its last PULL_DATA; null: none since the start"),
});
export type DownlinkTestPlan = z.infer<typeof DownlinkTestPlan>;

export const DownlinkTestRequest = z.object({
  gatewayEui: EuiText,
  confirm: z.string().max(40).describe("the gateway's identifier, typed by the person who asks"),
  frequencyHz: Whole.positive(),
  dataRate: z.string().max(20),
  powerDbm: z.number().min(-10).max(40),
});
export type DownlinkTestRequest = z.infer<typeof DownlinkTestRequest>;

export const DownlinkTestAnswer = z.object({
  at: IsoTime,
  outcome: z.enum(["accepted", "accepted-lower-power", "refused", "unreadable", "unanswered"]),
  word: z.string().nullable(),
  words: z.string(),
  standing: Standing,
  answeredAfterMs: z.number().nullable().describe("from PULL_RESP to TX_ACK"),
  sentPowerDbm: z.number().nullable(),
  airtimeMs: z.number(),
  to: z.string().describe("where the gateway pulled from"),
  hex: z.string().describe("the frame: proprietary, so that no node acts on it"),
});
export type DownlinkTestAnswer = z.infer<typeof DownlinkTestAnswer>;

// How well does the receiver of one gateway demodulate, measured from traffic?

/** Level of half delivery minus the data sheet's floor. */
const ThresholdOffset = z.object({
  offsetDb: z.number().describe("above 0: it needs so much more SNR than the data sheet says"),
  interval95: Interval95,
});

export const DeliveryAtSnr = z.object({
  snrDb: z.number().describe("the middle of 1 dB"),
  frames: Whole,
  delivered: z
    .number()
    .describe("share, 0 to 1; missed frames stand where the frames around them place them"),
  interval95: Interval95,
});
export type DeliveryAtSnr = z.infer<typeof DeliveryAtSnr>;

export const ReceiverFactor = z.object({
  spreadingFactor: Whole,
  floorDb: z.number().describe("the data sheet's demodulation floor, SNR in dB"),
  levelDb: z.number().nullable().describe("SNR of half delivery; null: not enough yet"),
  interval95: Interval95.nullable().describe("of levelDb"),
  widthDb: z.number().nullable().describe("of the knee, as the spread of a normal distribution"),
  deliveredAbove: z.number().nullable().describe("share delivered far above the level, 0 to 1"),
  nodes: Whole,
  frames: Whole,
  missed: Whole,
  sentence: z.string(),
  points: z.array(DeliveryAtSnr),
});
export type ReceiverFactor = z.infer<typeof ReceiverFactor>;

export const ReceiverNoise = z.object({
  noiseDbm: z.number().nullable().describe("median over channels, in 125 kHz; null: too few weak frames"),
  overThermalDb: z
    .number()
    .nullable()
    .describe("receiver and place together, on the gateway's own RSSI scale"),
  frames: Whole,
  sentence: z.string(),
  others: z
    .array(
      z.object({
        eui: EuiText,
        name: z.string().nullable(),
        differenceDb: z.number().describe("this gateway's noise minus the other's"),
        interval95: Interval95,
        sentence: z.string(),
      }),
    )
    .describe("gateways whose noise is known on the same channels at the same time"),
});

export const ReceiverView = z.object({
  window: Window,
  eui: EuiText,
  name: z.string().nullable(),
  verdict: z
    .enum(["deaf", "sound", "open", "not enough"])
    .describe("deaf: the whole interval lies more than 1 dB above the floor; sound: within 2 dB"),
  sentence: Sentence,
  basis: z
    .enum(["others", "alone"])
    .describe("others: frames that another gateway heard; alone: counters missed and the readings' weak end"),
  basisText: z.string(),
  overall: ThresholdOffset.nullable().describe("all spreading factors together; null: not enough yet"),
  factors: z.array(ReceiverFactor),
  leftOut: Whole.describe("frames missed while nothing at all was heard for too long"),
  noise: ReceiverNoise,
  reference: z
    .object({
      eui: EuiText,
      name: z.string().nullable(),
      overall: ThresholdOffset.nullable(),
      differenceDb: z.number().nullable().describe("this gateway's threshold minus the reference's"),
      interval95: Interval95.nullable(),
      sentence: z.string(),
    })
    .nullable()
    .describe("the same measure of the bench's reference gateway; null: none is set, or it is this one"),
  limits: z.array(z.string()).describe("what the measure cannot tell, a sentence each"),
});
export type ReceiverView = z.infer<typeof ReceiverView>;
