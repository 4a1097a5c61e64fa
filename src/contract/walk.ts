/** Where does a test node get through? A walk test: stops that a person stood at, and what was heard of the node there. */
import { z } from "zod";
import { DevAddrText, EuiText, IsoTime, Sentence, Spread, Window } from "./common.ts";
import { Position } from "./marks.ts";

/** waiting: too few frames to say. */
export const WalkVerdict = z.enum(["good", "marginal", "dead", "waiting"]);
export type WalkVerdict = z.infer<typeof WalkVerdict>;

export const WalkReach = z.object({
  gatewayEui: EuiText,
  heard: z.number().int().describe("distinct counters of the stop that this gateway heard"),
  deliveryRatio: z.number().nullable().describe("of the counters of the stop"),
  deliveryInterval95: z.tuple([z.number(), z.number()]).nullable().describe("Wilson score interval"),
  marginDb: Spread,
  verdict: WalkVerdict,
});
export type WalkReach = z.infer<typeof WalkReach>;

/** Metres east and north of the middle of the plan. */
export const WalkPlace = z.object({ eastM: z.number(), northM: z.number() });
export type WalkPlace = z.infer<typeof WalkPlace>;

export const WalkStop = z.object({
  markId: z.number().int(),
  name: z.string(),
  from: IsoTime,
  to: IsoTime.describe("where the mark says so, else where the next stop begins, else the end of the window"),
  position: Position.nullable(),
  place: WalkPlace.nullable(),
  counters: z
    .number()
    .int()
    .describe(
      "heard by any gateway, or missed and dated into the stop; not those missed while no gateway was in reach",
    ),
  missed: z.number().int().describe("of them heard by nobody"),
  best: WalkVerdict.describe("of the gateway that hears it best"),
  gateways: z.array(WalkReach).describe("in the order of the view's gateways"),
});
export type WalkStop = z.infer<typeof WalkStop>;

export const WalkView = z.object({
  window: Window,
  sentence: Sentence,
  devAddr: DevAddrText,
  name: z.string().nullable(),
  life: z.number().int().nullable().describe("the life heard last in the window"),
  limits: z.object({
    leastCounters: z.number().int(),
    goodDelivery: z.number(),
    goodMarginDb: z.number(),
    deadDelivery: z.number(),
    words: z.string(),
  }),
  gateways: z.array(z.object({ eui: EuiText, name: z.string().nullable(), place: WalkPlace.nullable() })),
  stops: z.array(WalkStop).describe("oldest first, at most 200"),
});
export type WalkView = z.infer<typeof WalkView>;
