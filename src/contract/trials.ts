/** Which placements are there, and what does comparing two of them say? */
import { z } from "zod";
import { DevAddrText, EuiText, IsoTime, PlacementName, Sentence, SiteName, Whole, Window } from "./common.ts";
import { MarkRow } from "./user-data.ts";

/** What a person says of a placement; null: not said. */
const PlacementFacts = {
  heightM: z.number().min(-500).max(9000).nullable().describe("height of the antenna, metres"),
  antennaGainDbi: z.number().min(-40).max(60).nullable(),
  cableLossDb: z.number().min(0).max(60).nullable(),
  direction: z.string().trim().max(60).nullable().describe("degrees or words: 225, south-west"),
  note: z.string().trim().max(500).nullable(),
};

/** From `from` on, the gateway (or one antenna of it) stands here. It ends where the next of the same begins. */
export const PlacementRow = z.object({
  id: Whole,
  name: PlacementName,
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  antenna: Whole.min(0).max(63).nullable().describe("null: the whole gateway"),
  from: IsoTime,
  to: IsoTime.nullable().describe("begin of the next; null: it still stands"),
  ...PlacementFacts,
  photo: z.string().nullable().describe("path of its photo; null: none was given"),
});
export type PlacementRow = z.infer<typeof PlacementRow>;

/** Body of POST /api/placements. Facts that are left out are not said. */
export const PlacementNew = z.object({
  name: PlacementName,
  gatewayEui: EuiText,
  antenna: Whole.min(0).max(63).nullable().default(null),
  from: IsoTime,
  heightM: PlacementFacts.heightM.default(null),
  antennaGainDbi: PlacementFacts.antennaGainDbi.default(null),
  cableLossDb: PlacementFacts.cableLossDb.default(null),
  direction: PlacementFacts.direction.default(null),
  note: PlacementFacts.note.default(null),
});
export type PlacementNew = z.infer<typeof PlacementNew>;

/** Body of PUT /api/placements/{id}. Null takes a fact back; a field left out stays. */
export const PlacementChange = z.object({
  name: PlacementName.optional(),
  from: IsoTime.optional(),
  heightM: PlacementFacts.heightM.optional(),
  antennaGainDbi: PlacementFacts.antennaGainDbi.optional(),
  cableLossDb: PlacementFacts.cableLossDb.optional(),
  direction: PlacementFacts.direction.optional(),
  note: PlacementFacts.note.optional(),
});
export type PlacementChange = z.infer<typeof PlacementChange>;

export const PlacementWritten = z.object({ id: Whole });
export type PlacementWritten = z.infer<typeof PlacementWritten>;

/** An estimate with its 95 % interval; null where there is not enough to say. */
export const Interval = z.object({
  estimate: z.number().nullable(),
  low: z.number().nullable(),
  high: z.number().nullable(),
});
export type Interval = z.infer<typeof Interval>;

/**
 * One side of a trial: a placement by its name (all stretches of that name), or a gateway or one of its antennas
 * where nobody named a placement.
 */
export const TrialSide = z.object({
  key: z
    .string()
    .max(24)
    .describe("p12, 02005E1000000004 or 02005E1000000004/1: what a question names it by"),
  name: z.string(),
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  antenna: Whole.nullable(),
  placed: z.boolean().describe("false: a gateway or antenna as it is, not named by a person"),
  stretches: z.array(z.object({ from: IsoTime, to: IsoTime.nullable() })),
});
export type TrialSide = z.infer<typeof TrialSide>;

/** What one side got of the frames that it could have heard. */
export const SideCounts = z.object({
  expected: Whole.describe("counters sent while this side was compared"),
  heard: Whole,
  deliveryRatio: z.number().nullable(),
  medianSnrDb: z.number().nullable().describe("of what it heard: its lucky frames only, where it is weak"),
});

export type SideCounts = z.infer<typeof SideCounts>;

/** Frames by who heard them; null in a sequential trial, where nobody could hear both. */
export const PairCounts = z.object({
  both: Whole,
  onlyA: Whole,
  onlyB: Whole,
  neither: Whole.describe("counted from gaps in the counters, or heard by another gateway alone"),
});

const Comparison = {
  a: SideCounts,
  b: SideCounts,
  pairs: PairCounts.nullable(),
  snrDifferenceDb: Interval.describe("a minus b"),
  deliveryDifference: Interval.describe("delivery of a minus delivery of b, -1 to 1"),
};

export type PairCounts = z.infer<typeof PairCounts>;

export const TrialNode = z.object({
  devAddr: DevAddrText,
  name: z.string().nullable(),
  ...Comparison,
  weight: z.number().min(0).max(1).describe("share in the pooled SNR difference"),
  method: z
    .enum(["common frames", "floor allowed for", "too strong", "too few", "no snr", "power unknown"])
    .describe("how its SNR difference was found, or why there is none"),
  methodWords: z.string(),
});
export type TrialNode = z.infer<typeof TrialNode>;

export const TrialGroup = z.object({ label: z.string(), ...Comparison });
export type TrialGroup = z.infer<typeof TrialGroup>;

export const Verdict = z.enum(["a", "b", "no difference", "not enough"]);
export type Verdict = z.infer<typeof Verdict>;

/** Counts in bins of `binDb`, the first bin beginning at `fromDb`. */
export const Histogram = z.object({
  fromDb: z.number(),
  binDb: z.number(),
  a: z.array(Whole),
  b: z.array(Whole),
});

export const TrialAnswer = z.object({
  window: Window,
  a: TrialSide,
  b: TrialSide,
  paired: z.boolean(),
  sentence: Sentence,
  snrDifferenceDb: Interval.describe("a minus b, pooled over nodes"),
  deliveryDifference: Interval.describe("delivery of a minus delivery of b, -1 to 1, over all their frames"),
  enough: z.boolean(),
  framesStillNeeded: Whole.nullable().describe(
    "frames of all nodes together; null: no number of frames of these nodes would settle it",
  ),
  minutesStillNeeded: z.number().nullable(),
  progress: z.number().min(0).max(1).describe("share of the frames that it takes"),
  neededWords: z.string(),
  verdict: Verdict,
  limits: z
    .object({ snrDb: z.number(), delivery: z.number() })
    .describe("differences within these are no difference"),
  knownGainDifferenceDb: z
    .number()
    .nullable()
    .describe("antenna gain less cable loss, a minus b; null: not said of both"),
  placeAloneDb: Interval.nullable().describe("SNR difference less the known difference of the antennas"),
  placeWords: z.string().nullable().describe("the same in a sentence"),
  commonFrames: z
    .object({
      count: Whole,
      snrDifferenceDb: Interval.describe(
        "Hodges and Lehmann's, on frames that both heard: selected by the floor",
      ),
      signedRankP: z.number().nullable(),
      powerDifferenceDb: Interval.describe("signal power, uncalibrated between gateways"),
      powerSource: z.enum(["signal-rssi", "esp", "channel-rssi"]),
    })
    .nullable(),
  delivery: z.object({
    a: SideCounts,
    b: SideCounts,
    pairs: PairCounts.nullable(),
    mcnemarP: z.number().nullable().describe("on counts divided by the design effect"),
    mcnemarMethod: z.enum(["chi-squared", "exact", "none"]).nullable(),
    designEffect: z.number().describe("how many frames are worth one independent frame"),
  }),
  control: z
    .object({
      gatewayEui: EuiText,
      gatewayName: z.string().nullable(),
      uncontrolledSnrDifferenceDb: Interval,
    })
    .nullable()
    .describe("a gateway that stood still and heard the same nodes: its own change was taken off"),
  nodes: z.array(TrialNode).describe("most frames first, at most 100"),
  spreadingFactors: z.array(TrialGroup),
  channels: z.array(TrialGroup),
  snr: Histogram,
  difference: z.object({ fromDb: z.number(), binDb: z.number(), frames: z.array(Whole) }).nullable(),
  reservations: z.array(z.string()).describe("what else may have changed, what was left out"),
  method: z.array(z.string()).describe("how it was found, in sentences"),
  caution: z.string(),
});
export type TrialAnswer = z.infer<typeof TrialAnswer>;

/** One pair in the list of all; its verdict allows for the other pairs (Holm). */
export const TrialRow = z.object({
  id: z.string().describe("keys of both sides, a~b"),
  a: z.string(),
  b: z.string(),
  paired: z.boolean(),
  snrDifferenceDb: Interval,
  deliveryDifference: Interval,
  p: z.number().nullable().describe("of the clearer of the two differences, allowing for both"),
  adjustedP: z.number().nullable().describe("allowing for all pairs of this list too, after Holm"),
  verdict: Verdict,
  words: z.string(),
});
export type TrialRow = z.infer<typeof TrialRow>;

export const TrialsView = z.object({
  window: Window,
  sentence: Sentence,
  placements: z.array(PlacementRow),
  sides: z.array(TrialSide).describe("what can be compared in this window"),
  trials: z.array(TrialRow),
  sidesLeftOut: Whole.describe("sides beyond the most that are compared at once"),
  answer: TrialAnswer.nullable().describe("the pair asked for, else the first of the list"),
});
export type TrialsView = z.infer<typeof TrialsView>;

export const PlacementsView = z.object({ placements: z.array(PlacementRow) });
export type PlacementsView = z.infer<typeof PlacementsView>;

// Is it better since a mark? The time before it against the time after, by node and hour of day, as a sequential trial.

/** Days on each side of a mark, at most. */
export const MAX_EFFECT_DAYS = 14;

/** Query of GET /api/marks/{id}/effect, beside `site`. */
export const MarkEffectQuery = z.object({
  gateway: EuiText.or(z.literal("all"))
    .optional()
    .describe(
      "one gateway, or `all` together; left out: the gateway that the mark is about, else all together",
    ),
  days: z.coerce
    .number()
    .positive()
    .max(MAX_EFFECT_DAYS)
    .optional()
    .describe("on each side at most; left out: 14"),
  site: SiteName.optional(),
});
export type MarkEffectQuery = z.infer<typeof MarkEffectQuery>;

const NamedGateway = z.object({ eui: EuiText, name: z.string().nullable() });

/** One side: the time before the mark, or after it. */
export const EffectSide = z.object({
  name: z.enum(["before", "after"]),
  from: IsoTime,
  to: IsoTime,
  comparedSeconds: z
    .number()
    .describe("of it recorded, with every gateway of the comparison reachable: what was compared"),
});
export type EffectSide = z.infer<typeof EffectSide>;

export const MarkEffect = TrialAnswer.omit({
  window: true,
  a: true,
  b: true,
  knownGainDifferenceDb: true,
  placeAloneDb: true,
  placeWords: true,
}).extend({
  mark: MarkRow,
  a: EffectSide.describe("after the mark"),
  b: EffectSide.describe("before it"),
  effect: z.enum(["better", "worse", "no difference", "not enough"]),
  gateways: z
    .array(NamedGateway)
    .describe("compared together: a frame that any of them heard is heard, at the best level"),
  gatewaysLeftOut: z
    .array(NamedGateway)
    .describe("not there, unreachable or not recorded for too much of either side"),
  choices: z.array(NamedGateway).describe("gateways that heard something on either side"),
  limitedBy: z
    .enum(["recorded before", "recorded after", "days", "frames"])
    .describe("what ended both sides: they are equally long"),
  lengthWords: z.string().describe("how long the sides are, and why, in a sentence"),
  otherMarks: z.array(MarkRow).describe("further notes within either side, at most 20, nearest first"),
});
export type MarkEffect = z.infer<typeof MarkEffect>;
