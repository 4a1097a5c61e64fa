/** How well does the receiver of one gateway demodulate, measured from traffic? */
import { z } from "zod";
import { EuiText, Sentence, Window } from "./common.ts";

const Interval95 = z.tuple([z.number(), z.number()]);

/** Level of half delivery minus the data sheet's floor. */
const ThresholdOffset = z.object({
  offsetDb: z.number().describe("above 0: it needs so much more SNR than the data sheet says"),
  interval95: Interval95,
});

export const DeliveryAtSnr = z.object({
  snrDb: z.number().describe("the middle of 1 dB"),
  frames: z.number().int(),
  delivered: z
    .number()
    .describe("share, 0 to 1; missed frames stand where the frames around them place them"),
  interval95: Interval95,
});
export type DeliveryAtSnr = z.infer<typeof DeliveryAtSnr>;

export const ReceiverFactor = z.object({
  spreadingFactor: z.number().int(),
  floorDb: z.number().describe("the data sheet's demodulation floor, SNR in dB"),
  levelDb: z.number().nullable().describe("SNR of half delivery; null: not enough yet"),
  interval95: Interval95.nullable().describe("of levelDb"),
  widthDb: z.number().nullable().describe("of the knee, as the spread of a normal distribution"),
  deliveredAbove: z.number().nullable().describe("share delivered far above the level, 0 to 1"),
  nodes: z.number().int(),
  frames: z.number().int(),
  missed: z.number().int(),
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
  frames: z.number().int(),
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
  leftOut: z.number().int().describe("frames missed while nothing at all was heard for too long"),
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
