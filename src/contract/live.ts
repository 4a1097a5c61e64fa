/**
 * How does the dashboard stay live? Over one websocket at /live.
 *
 * The client sends `subscribe` with a topic and the window length; it gets one `snapshot`, then `delta`s, each
 * with `seq` one higher than the last message of that subscription. A client that finds a hole sends `resync`
 * and gets a new snapshot. A delta names what changed, at any depth (`Edit`).
 */
import { z } from "zod";
import { AirView } from "./air.ts";
import { BenchView } from "./bench.ts";
import { SiteName, Whole } from "./common.ts";
import { GapsView } from "./gaps.ts";
import { NodePage, NodesView, ReceptionRow } from "./nodes.ts";
import { CapturesView, ServiceStatus } from "./service.ts";
import { SiteView } from "./site.ts";
import { TrialsView } from "./trials.ts";
import { MarksView } from "./user-data.ts";

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
    id: Whole.min(0).max(1_000_000),
    topic: Topic,
    /** Seconds up to now. */
    last: Whole.min(10)
      .max(400 * 86_400)
      .default(3600),
    /** For `node`: DEVADDR/LIFE; for `bench`: the gateway's EUI, or EUI/PLAN with the plan that it must listen to; for `trials`: keys of two sides, A~B. */
    key: z.string().max(100).optional(),
    /** Only the gateways of this site, and what they heard. */
    site: SiteName.optional(),
  }),
  z.object({ type: z.literal("resync"), id: Whole }),
  z.object({ type: z.literal("unsubscribe"), id: Whole }),
]);
export type ClientMessage = z.infer<typeof ClientMessage>;

/**
 * What changed in an object or a list. An object keeps its fields but for `gone`; a list is first put together from
 * `list` (when given): runs of the older one as [first index, how many], and new elements. Then `set` replaces whole
 * fields, or elements by their index, and `edit` changes what is inside of one.
 */
export interface Edit {
  readonly list?: readonly ([number, number] | { readonly add: readonly unknown[] })[] | undefined;
  readonly set?: Readonly<Record<string, unknown>> | undefined;
  readonly edit?: Readonly<Record<string, Edit>> | undefined;
  readonly gone?: readonly string[] | undefined;
}
export const Edit: z.ZodType<Edit> = z.lazy(() =>
  z.object({
    list: z
      .array(z.union([z.tuple([Whole.min(0), Whole.min(1)]), z.object({ add: z.array(z.unknown()) })]))
      .optional(),
    set: z.record(z.string(), z.unknown()).optional(),
    edit: z.record(z.string(), Edit).optional(),
    gone: z.array(z.string()).optional(),
  }),
);

/**
 * `snapshot.view` is the whole view of the topic (SiteView, NodesView, AirView, BenchView, GapsView, ServiceStatus,
 * CapturesView, MarksView, TrialsView, NodePage, or {receptions: ReceptionRow[]} for feed). A delta is an Edit of it.
 */
export const ServerMessage = z.discriminatedUnion("type", [
  z.object({
    type: z.literal("snapshot"),
    id: Whole,
    seq: Whole,
    view: z.unknown(),
  }),
  z.object({
    type: z.literal("delta"),
    id: Whole,
    seq: Whole,
    set: z.record(z.string(), z.unknown()),
    edit: z.record(z.string(), Edit).optional(),
    gone: z.array(z.string()).optional(),
  }),
  z.object({
    type: z.literal("trouble"),
    id: Whole.nullable(),
    sentence: z.string(),
  }),
]);
export type ServerMessage = z.infer<typeof ServerMessage>;

export const FeedView = z.object({ receptions: z.array(ReceptionRow) });
export type FeedView = z.infer<typeof FeedView>;

/** What each topic shows: the name of its view, and what `key` names of it. */
export const TOPIC_VIEWS: Readonly<
  Record<
    Topic,
    {
      readonly name: string;
      readonly view: z.ZodType<Readonly<Record<string, unknown>>>;
      readonly key: string | null;
    }
  >
> = {
  status: { name: "ServiceStatus", view: ServiceStatus, key: null },
  site: { name: "SiteView", view: SiteView, key: null },
  nodes: { name: "NodesView", view: NodesView, key: null },
  air: { name: "AirView", view: AirView, key: null },
  gaps: { name: "GapsView", view: GapsView, key: null },
  bench: {
    name: "BenchView",
    view: BenchView,
    key: "EUI of the gateway, or EUI/PLAN with the plan that it must listen to",
  },
  captures: { name: "CapturesView", view: CapturesView, key: null },
  marks: { name: "MarksView", view: MarksView, key: null },
  trials: {
    name: "TrialsView",
    view: TrialsView,
    key: "keys of two sides, A~B, for their answer in full; may be left out",
  },
  feed: { name: "FeedView", view: FeedView, key: null },
  node: { name: "NodePage", view: NodePage, key: "DEVADDR/LIFE" },
};
