/** One test frame through one gateway: what may be asked for, and what came of it. */
import { z } from "zod";
import { EuiText, IsoTime, Standing } from "./common.ts";

/** A frequency at which a test may be sent, with what the region allows there. */
export const TestChannel = z.object({
  frequencyHz: z.number().int(),
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
  frequencyHz: z.number().int().positive(),
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
