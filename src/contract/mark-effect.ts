/** Is it better since a mark? The time before it against the time after, by node and hour of day, as a sequential trial. */
import { z } from "zod";
import { EuiText, IsoTime, SiteName } from "./common.ts";
import { TrialAnswer } from "./trials.ts";
import { MarkRow } from "./user-data.ts";

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
