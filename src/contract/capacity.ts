/** How many more nodes does a site carry, which data rate would free airtime, and what does a node's battery pay? */
import { z } from "zod";
import { DevAddrText, EuiText, Interval95, IsoTime, Sentence, Whole, Window } from "./common.ts";

/** Share of counters delivered that a site is to keep. */
const Share = z.number().min(0.5).max(0.999);

export const CapacityQuery = z.object({
  share: z.coerce
    .number()
    .pipe(Share)
    .optional()
    .describe("delivery to keep, 0.5 to 0.999; 0.95 unless given"),
});
export type CapacityQuery = z.infer<typeof CapacityQuery>;

export const MoreNodes = z.object({
  moreNodes: Whole.describe("like those there are, until delivery falls below the share"),
  interval95: Interval95.describe("of moreNodes; ends at 100 times the nodes there are"),
});
export type MoreNodes = z.infer<typeof MoreNodes>;

export const CapacityLoad = z.object({
  frequencyHz: Whole,
  dataRate: z.string(),
  ownErlang: z.number().describe("mean over recorded time; counters that were missed are put in"),
  ownBusiestErlang: z.number().describe("in the busiest block of time of all the site's own nodes"),
  strangerErlang: z.number().describe("heard: at least so much"),
  strangerBusiestErlang: z.number().describe("in the same block"),
});
export type CapacityLoad = z.infer<typeof CapacityLoad>;

export const DataRateChange = z.object({
  devAddr: DevAddrText,
  name: z.string().nullable(),
  life: Whole.describe("newest counter life"),
  fromSpreadingFactor: Whole,
  toSpreadingFactor: Whole,
  airtimeMs: z.number().describe("of one transmission, mean, as it is"),
  airtimeMsThen: z.number(),
  freedSecondsADay: z.number(),
  freedShare: z.number().describe("of the airtime of all own nodes"),
  delivery: z.number().describe("as it was, share of counters"),
  wouldBe: z.number(),
  interval95: Interval95.describe("of wouldBe"),
  keeps: z
    .boolean()
    .describe(
      "wouldBe lies at the share or above, and its low end there too, or within a point of what is sure today",
    ),
  sentence: z.string(),
});
export type DataRateChange = z.infer<typeof DataRateChange>;

export const CapacityView = z.object({
  window: Window,
  share: z.number(),
  verdict: z.enum(["room", "full", "not enough"]),
  sentence: Sentence,
  nodes: Whole.describe("own devices that the figures rest on"),
  counters: Whole.describe("expected of them over recorded time"),
  recordedSeconds: z.number().describe("recorded, with a gateway reachable"),
  from: IsoTime.describe("begin of what was looked at: the newest 40,000 packets of the window"),
  delivery: z.object({ ratio: z.number(), interval95: Interval95 }).nullable(),
  mean: MoreNodes.nullable().describe("null: not enough yet"),
  busiest: MoreNodes.extend({
    from: IsoTime,
    seconds: z.number(),
    loadRatio: z.number().describe("own airtime over the mean"),
    words: z.string(),
  })
    .nullable()
    .describe("were it always as busy as in the busiest block of time"),
  curve: z
    .array(z.object({ moreNodes: Whole, delivery: z.number(), interval95: Interval95 }))
    .describe("delivery with so many nodes more"),
  load: z.array(CapacityLoad),
  changes: z
    .array(DataRateChange)
    .describe("one a node, what frees most and keeps the share first; 20 at most"),
  changeSentence: z.string(),
  downlinks: z
    .array(
      z.object({
        gatewayEui: EuiText,
        gatewayName: z.string().nullable(),
        subBand: z.string().nullable(),
        share: z.number().describe("of its fullest hour that the gateway sent itself in the sub-band"),
        limit: z.number().describe("by the region's published table: an indication"),
        moreNodes: Whole.describe("reach the limit, if downlinks grow with the nodes"),
        sentence: z.string(),
        source: z.string(),
      }),
    )
    .describe("gateways that were seen to transmit, each in its fullest sub-band"),
  limits: z.array(z.string()).describe("what the model leaves out, a sentence each"),
});
export type CapacityView = z.infer<typeof CapacityView>;

const positive = (max: number) => z.coerce.number().min(0).max(max).optional();

/** The power table, as a person may enter it. */
export const PowerQuery = CapacityQuery.extend({
  powerDbm: z.coerce.number().min(-10).max(36).optional().describe("power sent"),
  transmitMa: positive(2000).describe("current while sending; default: the table's at that power"),
  receiveMa: positive(500),
  sleepUa: positive(1_000_000),
  batteryMah: positive(1_000_000),
  rx2SpreadingFactor: z.coerce.number().int().min(7).max(12).optional(),
  windowSymbols: positive(200),
});
export type PowerQuery = z.infer<typeof PowerQuery>;

export const NodeCharge = z.object({
  spreadingFactor: Whole,
  airtimeMs: z.number(),
  framesADay: z.number().describe("transmissions, missed ones put in"),
  airtimeSecondsADay: z.number(),
  receiveSecondsADay: z.number().describe("of both receive windows, empty"),
  transmitMahADay: z.number(),
  receiveMahADay: z.number(),
  sleepMahADay: z.number(),
  totalMahADay: z.number(),
  batteryDays: z.number().nullable(),
});
export type NodeCharge = z.infer<typeof NodeCharge>;

export const NodeCostView = z.object({
  window: Window,
  devAddr: DevAddrText,
  name: z.string().nullable(),
  share: z.number(),
  sentence: z.string(),
  now: NodeCharge.nullable().describe("null: too few frames, or no LoRa"),
  changed: NodeCharge.nullable().describe(
    "at the data rate that frees most and keeps the share; null: there is none",
  ),
  changes: z.array(DataRateChange).describe("one a step faster"),
  changeSentence: z.string(),
  power: z.array(
    z.object({
      key: z.enum([
        "powerDbm",
        "transmitMa",
        "receiveMa",
        "sleepUa",
        "batteryMah",
        "rx2SpreadingFactor",
        "windowSymbols",
      ]),
      title: z.string(),
      unit: z.string(),
      value: z.number(),
      source: z.enum(["from data sheet", "from memory", "chosen", "entered"]),
    }),
  ),
  limits: z.array(z.string()),
});
export type NodeCostView = z.infer<typeof NodeCostView>;
