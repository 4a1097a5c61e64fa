/** Watches, recipients of notifications, and messages sent. */
import { z } from "zod";
import { DevAddrText, EuiText, IsoTime, MQTT_VERSIONS, Whole } from "./common.ts";
import { Cause } from "./gaps.ts";

const Gateways = z.array(EuiText).max(64).optional().describe("only these; all without it");
const Nodes = z.array(DevAddrText).max(500).optional().describe("only these; all of your own without it");
const SiteName = z
  .string()
  .min(1)
  .max(100)
  .optional()
  .describe("only this site's gateways, and what they heard; all sites without it");
const Share = z.number().gt(0).max(1).describe("of the counters of an hour, 0 to 1");

/** One thing that is watched. A limit that is left out has the value that is named here. */
export const WatchRule = z.discriminatedUnion("watch", [
  z.strictObject({
    watch: z.literal("gateway-silent"),
    minutes: z.number().gt(0).max(10_080).default(10).describe("of recorded time"),
    gateways: Gateways,
    site: SiteName,
  }),
  z.strictObject({ watch: z.literal("node-overdue"), nodes: Nodes, site: SiteName }),
  z.strictObject({ watch: z.literal("node-loss"), share: Share.default(0.2), nodes: Nodes, site: SiteName }),
  z.strictObject({ watch: z.literal("site-loss"), share: Share.default(0.1), site: SiteName }),
  z.strictObject({ watch: z.literal("finding"), causes: z.array(Cause).min(1), site: SiteName }),
  z.strictObject({ watch: z.literal("noise-up"), db: z.number().gt(0).max(60).default(6), site: SiteName }),
  z.strictObject({ watch: z.literal("disk-short") }),
  z.strictObject({ watch: z.literal("clock-stepped") }),
  z.strictObject({ watch: z.literal("not-recording") }),
]);
export type WatchRule = z.infer<typeof WatchRule>;
export type WatchKind = WatchRule["watch"];

export const WatchRules = z.array(WatchRule).max(50);

/** What most sites want: nothing that a quiet hour sets off. */
export const USUAL_RULES: readonly WatchRule[] = [
  { watch: "gateway-silent", minutes: 10 },
  { watch: "node-overdue" },
  { watch: "node-loss", share: 0.2 },
  { watch: "disk-short" },
  { watch: "clock-stepped" },
  { watch: "not-recording" },
];

const Secret = z.string().min(8).max(256);

/** A way of telling. Secrets stand in the file, or where it points; no answer shows them. */
export const WatchWay = z.discriminatedUnion("way", [
  z.strictObject({ way: z.literal("log") }),
  z.strictObject({
    way: z.literal("webhook"),
    url: z.url({ protocol: /^https?$/ }).max(2_000),
    secret: Secret.optional().describe("signs each message"),
  }),
  z.strictObject({
    way: z.literal("e-mail"),
    host: z.string().min(1).max(255),
    port: Whole.min(1).max(65_535).default(587),
    tls: z.enum(["starttls", "tls", "none"]).default("starttls"),
    user: z.string().max(256).optional(),
    password: z.string().max(256).optional(),
    from: z.email(),
    to: z.array(z.email()).min(1).max(20),
  }),
  z.strictObject({
    way: z.literal("mqtt"),
    url: z
      .url({ protocol: /^mqtts?$/, hostname: /./ })
      .max(2_000)
      .refine(
        (url) => /^mqtts?:\/\/[^@/?#]+\/?$/.test(url),
        "user and password stand in fields of their own",
      ),
    topic: z
      .string()
      .regex(/^[^+#$\p{C}/][^+#\p{C}]*$/u)
      .max(200)
      .default("mastlog/watches"),
    user: z.string().max(256).optional(),
    password: z.string().max(256).optional(),
    ca: z.string().max(1_000_000).optional().describe("certificates of authorities, PEM"),
    version: z.enum(MQTT_VERSIONS).default("5").describe("of MQTT"),
  }),
]);
export type WatchWay = z.infer<typeof WatchWay>;

/** The file of `listen --watches`. Without `watches` the rules of the page hold. */
export const WatchFile = z.strictObject({
  watches: WatchRules.optional(),
  tell: z.array(WatchWay).max(10).default([]),
  mostAnHour: Whole.min(1)
    .max(60)
    .default(4)
    .describe("messages; what comes beyond them waits and is joined"),
});
export type WatchFile = z.infer<typeof WatchFile>;

/** begin and end of what lasts; event: a moment, or what began and ended before it could be sent. */
export const WatchChange = z.object({
  incident: Whole.describe("the same in the message of its begin and of its end"),
  change: z.enum(["begin", "end", "event"]),
  watch: z.string(),
  sentence: z.string(),
  things: z.array(z.string()).describe("a sentence for each gateway, node or channel, 20 at most"),
  more: Whole.describe("things beyond those"),
  from: IsoTime,
  to: IsoTime.nullable(),
});
export type WatchChange = z.infer<typeof WatchChange>;

/** One message: what a webhook is sent, and what the page shows. */
export const WatchMessage = z.object({
  id: z.string(),
  at: IsoTime,
  site: z.string(),
  test: z.boolean().describe("a person asked for it, to try the ways"),
  subject: z.string(),
  text: z.string(),
  changes: z.array(WatchChange),
});
export type WatchMessage = z.infer<typeof WatchMessage>;

/** Messages that a way has not delivered yet, as they are stored. */
export const WaitingMessages = z.array(z.object({ way: z.string(), message: WatchMessage }));
export type WaitingMessages = z.infer<typeof WaitingMessages>;

export const WatchesView = z.object({
  rules: z.array(WatchRule),
  rulesFrom: z.enum(["file", "page", "nobody"]).describe("nobody: nothing is watched yet"),
  usual: z.array(WatchRule).describe("the rules that the page offers"),
  mostAnHour: Whole,
  ways: z.array(
    z.object({
      name: z.string(),
      state: z.enum(["idle", "told", "waiting", "failed"]),
      words: z.string(),
      at: IsoTime.nullable().describe("the newest message that it sent; null: none yet"),
    }),
  ),
  open: z.array(WatchChange).describe("what lasts now, sent or about to be"),
  messages: z.array(WatchMessage).describe("newest first, 20 at most, since the service started"),
});
export type WatchesView = z.infer<typeof WatchesView>;
