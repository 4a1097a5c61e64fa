/** How much airtime did a node spend, against the limits of its region's table? An indication, never more. */
import { z } from "zod";
import { IsoTime, Standing } from "./common.ts";

export const DwellOfNode = z.object({
  standing: Standing,
  words: z.string(),
  frameLimitMs: z.number(),
  longestFrameMs: z.number(),
  framesOver: z.number().int(),
  inPeriod: z
    .object({ seconds: z.number(), limitMs: z.number(), mostMs: z.number() })
    .nullable()
    .describe("most airtime on one frequency within the rule's period; null: not a rule of the region"),
  source: z.string(),
});
export type DwellOfNode = z.infer<typeof DwellOfNode>;

/** One transmitter in one sub-band: budgets of sub-bands and of nodes are never added up. */
export const AirtimeOfNode = z.object({
  devAddr: z.string(),
  name: z.string().nullable(),
  network: z.string(),
  stranger: z.boolean(),
  region: z.string(),
  subBand: z.string().nullable(),
  fromHz: z.number().nullable(),
  toHz: z.number().nullable(),
  limit: z.number().nullable().describe("share of an hour allowed; null: the sources name none"),
  frames: z.number().int(),
  airtimeSeconds: z.number(),
  atLeast: z.number().describe("heard airtime in the fullest sliding hour / 3600 s: a lower bound"),
  estimate: z.number().nullable().describe("the same / delivery ratio; null where that is unknown"),
  deliveryRatio: z.number().nullable(),
  fullestHourTo: IsoTime,
  standing: Standing,
  words: z.string(),
  source: z.string(),
  dwell: DwellOfNode.nullable().describe("null: the region names no dwell limit for its frames"),
});
export type AirtimeOfNode = z.infer<typeof AirtimeOfNode>;
