/**
 * How does the dashboard stay live? Over one websocket at /live.
 *
 * The client sends `subscribe` with a topic and the window length; it gets one `snapshot`, then `delta`s, each
 * with `seq` one higher than the last message of that subscription. A client that finds a hole sends `resync`
 * and gets a new snapshot. Views are keyed lists: a delta names the rows that changed and those that are gone.
 */
import { z } from "zod";
import { ReceptionRow } from "./nodes.ts";

export const Topic = z.enum([
  "status",
  "site",
  "nodes",
  "air",
  "bench",
  "gaps",
  "captures",
  "marks",
  "trials",
  "feed",
  "node",
]);
export type Topic = z.infer<typeof Topic>;

export const ClientMessage = z.discriminatedUnion("type", [
  z.object({
    type: z.literal("subscribe"),
    /** Chosen by the client; every message of this subscription carries it. */
    id: z.number().int().min(0).max(1_000_000),
    topic: Topic,
    /** Seconds up to now. */
    last: z
      .number()
      .int()
      .min(10)
      .max(400 * 86_400)
      .default(3600),
    /** For `node`: DEVADDR/LIFE; for `bench`: the gateway's EUI; for `trials`: keys of two sides, A~B. */
    key: z.string().max(40).optional(),
  }),
  z.object({ type: z.literal("resync"), id: z.number().int() }),
  z.object({ type: z.literal("unsubscribe"), id: z.number().int() }),
]);
export type ClientMessage = z.infer<typeof ClientMessage>;

/**
 * `snapshot.view` is the whole view of the topic (SiteView, NodesView, AirView, BenchView, ServiceStatus, CapturesView,
 * MarksView, NodePage, or {receptions: ReceptionRow[]} for feed).
 * `snapshot.view` is the whole view of the topic (SiteView, NodesView, AirView, GapsView, ServiceStatus, CapturesView,
 * NodePage, or {receptions: ReceptionRow[]} for feed).
 * `delta.set` holds top-level fields of the view that changed, whole; `delta.rows` changes its keyed list
 * (nodes by devAddr/life, captures by id, feed receptions prepended) without sending the rest.
 */
export const ServerMessage = z.discriminatedUnion("type", [
  z.object({
    type: z.literal("snapshot"),
    id: z.number().int(),
    seq: z.number().int(),
    view: z.unknown(),
  }),
  z.object({
    type: z.literal("delta"),
    id: z.number().int(),
    seq: z.number().int(),
    set: z.record(z.string(), z.unknown()),
    rows: z
      .object({
        list: z.string(),
        upsert: z.array(z.unknown()),
        remove: z.array(z.string()),
      })
      .optional(),
  }),
  z.object({
    type: z.literal("trouble"),
    id: z.number().int().nullable(),
    sentence: z.string(),
  }),
]);
export type ServerMessage = z.infer<typeof ServerMessage>;

export const FeedView = z.object({ receptions: z.array(ReceptionRow) });
export type FeedView = z.infer<typeof FeedView>;

/** The key by which rows of a list are matched in `delta.rows`. */
export function rowKey(list: string, row: Record<string, unknown>): string {
  if (list === "nodes" || list === "attention") return `${String(row.devAddr)}/${String(row.life)}`;
  if (list === "gateways") return String(row.eui);
  return String(row.id);
}
