/** What is said of the way between one node and one gateway: margins, drift, steps, headroom, what would be otherwise? */
import { z } from "zod";
import { DevAddrText, EuiText, Interval95, IsoTime, Sentence, Spread, Whole, Window } from "./common.ts";
import { Position } from "./user-data.ts";

/** Margins over the demodulation floor of each frame's own spreading factor, in bins of 1 dB. */
export const MarginDistribution = z.object({
  count: Whole.describe("transmissions heard with an SNR, best antenna of each"),
  p10Db: z.number().nullable(),
  medianDb: z.number().nullable(),
  p90Db: z.number().nullable(),
  firstBinDb: Whole.describe("lower edge of the first bin; a bin holds edge <= margin < edge + 1"),
  bins: z.array(Whole).describe("transmissions a bin of 1 dB, without a gap between the bins"),
});
export type MarginDistribution = z.infer<typeof MarginDistribution>;

/** By which figure the level of a link is judged: above about +5 dB the SNR estimate saturates. */
export const LevelMeasure = z.enum(["snr", "signal-power", "channel-rssi"]);
export type LevelMeasure = z.infer<typeof LevelMeasure>;

/** A slope, whether it is more than chance, and how many independent values that rests on. */
export const LinkTrend = z.object({
  measure: LevelMeasure,
  slopePerDay: z.number().nullable().describe("Theil-Sen, dB a day"),
  interval95: Interval95.nullable(),
  p: z.number().nullable().describe("Mann-Kendall, two-sided, widened for autocorrelation"),
  points: Whole.describe("medians that it rests on"),
  effectivePoints: z.number().nullable().describe("how many independent ones those are worth"),
  spanDays: z.number(),
  verdict: z.enum(["rises", "falls", "no trend", "not enough"]),
  words: z.string(),
});
export type LinkTrend = z.infer<typeof LinkTrend>;

/** A step of the level, dated. */
export const LinkShift = z.object({
  at: IsoTime.describe("about: between the last frame of the old level and the first of the new"),
  notBefore: IsoTime.describe("95 % range of the moment"),
  notAfter: IsoTime,
  measure: LevelMeasure,
  fromMedianDb: z.number().describe("dB, or dBm when judged by power"),
  toMedianDb: z.number(),
  sizeDb: z.number().describe("after minus before: negative is a fall"),
  sizeInterval95: z
    .tuple([z.number(), z.number()])
    .nullable()
    .describe("of sizeDb, widened for autocorrelation; null with too few frames"),
  atLeast: z.boolean().describe("frames lost at the floor hide a part: the step is this large or larger"),
  pValue: z.number(),
  marginFromDb: z.number().nullable().describe("median margin on each side, where the ladder draws the step"),
  marginToDb: z.number().nullable(),
  snrFromDb: z.number().nullable(),
  snrToDb: z.number().nullable(),
  withDataRateChange: z.boolean().describe("the data rate changed at about the same time"),
  sentence: z.string(),
});
export type LinkShift = z.infer<typeof LinkShift>;

/** A fall of a node's level that still holds at its last frame, judged by the best gateway of each frame. */
export const StandingFall = z.object({
  at: IsoTime,
  notBefore: IsoTime.describe("range of the moment, or begin and end of a gradual fall"),
  notAfter: IsoTime,
  measure: LevelMeasure,
  sizeDb: z.number().describe("negative: after minus before"),
  sizeInterval95: Interval95.nullable(),
  atLeast: z.boolean().describe("frames lost at the floor hide a part of it"),
  withDataRateChange: z.boolean(),
  heldSeconds: Whole.describe("from its end to the last frame"),
  sentence: z.string(),
  clause: z.string().describe("the same in few words, without moments"),
});
export type StandingFall = z.infer<typeof StandingFall>;

/** How many steps of data rate the link could go faster with its weakest tenth still above the floor. */
export const Headroom = z.object({
  steps: Whole.nullable().describe("negative: it should go slower; null: not enough to say"),
  words: z.string(),
});
export type Headroom = z.infer<typeof Headroom>;

/** Delivery at this gateway as it was, or as it would be. */
export const DeliveryFigure = z.object({
  ratio: z.number().nullable(),
  interval95: Interval95.nullable(),
});
export type DeliveryFigure = z.infer<typeof DeliveryFigure>;

/** The same figures of the frames at one data rate. */
export const LinkRate = z.object({
  dataRate: z.string(),
  count: Whole.describe("transmissions heard with an SNR, best antenna of each"),
  p10Db: z.number().nullable().describe("margin over the floor of this data rate"),
  medianDb: z.number().nullable(),
  p90Db: z.number().nullable(),
  delivery: DeliveryFigure.describe(
    "of the counters sent at it: those heard anywhere, and those missed between two that were",
  ),
});
export type LinkRate = z.infer<typeof LinkRate>;

/** What delivery would be, had the frames of this window been sent otherwise. */
export const WhatIf = DeliveryFigure.extend({
  what: z.enum(["faster", "slower", "less-power"]),
  title: z.string().describe("SF9 in place of SF10"),
  marginChangeDb: z.number(),
  words: z.string(),
});
export type WhatIf = z.infer<typeof WhatIf>;

/** How far node and gateway crystals are apart together. */
export const FrequencyOffsetFigure = z.object({
  count: Whole,
  medianHz: z.number(),
  ppm: z.number(),
  limitHz: z.number().describe("a quarter of the bandwidth: 3 dB are lost there"),
  slopePerDayHz: z.number().nullable(),
  standing: z.enum(["good", "look", "bad"]),
  words: z.string(),
});
export type FrequencyOffsetFigure = z.infer<typeof FrequencyOffsetFigure>;

/** Where the power sent was taken from. */
export const PowerSource = z.enum(["given", "region"]);

/** What the way itself costs, where both ends have a position. */
export const LinkGeometry = z.object({
  distanceM: z.number(),
  frequencyHz: z.number(),
  eirpDbm: z.number().nullable(),
  eirpFrom: PowerSource.nullable(),
  antennaGainDbi: z.number(),
  antennaGainGiven: z.boolean(),
  signalPowerDbm: z.number().nullable().describe("median"),
  freeSpaceLossDb: z.number(),
  pathLossDb: z.number().nullable(),
  excessDb: z.number().nullable().describe("path loss beyond free space"),
  words: z.string(),
});
export type LinkGeometry = z.infer<typeof LinkGeometry>;

/** One node, one life, one gateway, over the window. */
export const LinkRow = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  dataRate: z.string().nullable().describe("of the newest frame"),
  margin: MarginDistribution,
  trend: LinkTrend,
  shifts: z.array(LinkShift).describe("in order of time"),
  fall: StandingFall.nullish().describe("a fall of this link that still holds at its last frame"),
  shiftsWords: z.string().describe("the newest step, or that there is none, or that there is not enough"),
  headroom: Headroom,
  delivery: DeliveryFigure,
  byDataRate: z.array(LinkRate).describe("most frames first; margins of two data rates are not alike"),
  whatIf: z.array(WhatIf),
  frequencyOffset: FrequencyOffsetFigure.nullable().describe("null: the forwarder gives none"),
  geometry: LinkGeometry.nullable(),
  geometryWords: z.string().describe("why there is none, or the caution that belongs to it"),
});
export type LinkRow = z.infer<typeof LinkRow>;

// Where does a test node get through? A walk test: stops that a person stood at, and what was heard of the node there.

/** waiting: too few frames to say. */
export const WalkVerdict = z.enum(["good", "marginal", "dead", "waiting"]);
export type WalkVerdict = z.infer<typeof WalkVerdict>;

export const WalkReach = z.object({
  gatewayEui: EuiText,
  heard: Whole.describe("distinct counters of the stop that this gateway heard"),
  deliveryRatio: z.number().nullable().describe("of the counters of the stop"),
  deliveryInterval95: Interval95.nullable().describe("Wilson score interval"),
  marginDb: Spread,
  verdict: WalkVerdict,
});
export type WalkReach = z.infer<typeof WalkReach>;

/** Metres east and north of the middle of the plan. */
export const WalkPlace = z.object({ eastM: z.number(), northM: z.number() });
export type WalkPlace = z.infer<typeof WalkPlace>;

export const WalkStop = z.object({
  markId: Whole,
  name: z.string(),
  from: IsoTime,
  to: IsoTime.describe("where the mark says so, else where the next stop begins, else the end of the window"),
  position: Position.nullable(),
  place: WalkPlace.nullable(),
  counters: Whole.describe(
    "heard by any gateway, or missed and dated into the stop; not those missed while no gateway was reachable",
  ),
  missed: Whole.describe("of them heard by nobody"),
  best: WalkVerdict.describe("of the gateway that hears it best"),
  gateways: z.array(WalkReach).describe("in the order of the view's gateways"),
});
export type WalkStop = z.infer<typeof WalkStop>;

export const WalkView = z.object({
  window: Window,
  sentence: Sentence,
  devAddr: DevAddrText,
  name: z.string().nullable(),
  life: Whole.nullable().describe("the life heard last in the window"),
  limits: z.object({
    leastCounters: Whole,
    goodDelivery: z.number(),
    goodMarginDb: z.number(),
    deadDelivery: z.number(),
    words: z.string(),
  }),
  gateways: z.array(z.object({ eui: EuiText, name: z.string().nullable(), place: WalkPlace.nullable() })),
  stops: z.array(WalkStop).describe("oldest first, at most 200"),
});
export type WalkView = z.infer<typeof WalkView>;
