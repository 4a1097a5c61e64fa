/** What is published to an MQTT broker beside the rows of the views, and how that goes. */
import { z } from "zod";
import { IsoTime } from "./common.ts";

/** How publishing goes, since the service started. */
export const PublishStatus = z.object({
  broker: z.string(),
  prefix: z.string().describe("begin of every topic"),
  state: z.enum(["connected", "away"]),
  words: z.string().describe("one sentence"),
  published: z.number().int().describe("messages that the broker took"),
  waiting: z.number().int().describe("messages not taken yet, and rows of the store not yet made into one"),
  dropped: z.number().int().describe("messages that gave way, or that the broker refused"),
});
export type PublishStatus = z.infer<typeof PublishStatus>;

/** Retained at PREFIX/service. The broker itself says "offline" when the service vanishes. */
export const PublishedService = z.object({
  state: z.enum(["online", "offline"]),
  siteName: z.string(),
  version: z.string(),
  startedAt: IsoTime,
});
export type PublishedService = z.infer<typeof PublishedService>;
