/** Is the service itself well: where it listens, what arrived, what was rejected, what is stored? */
import { z } from "zod";
import { DevAddrText, EuiText, IsoTime, SiteName, Whole, WindowQuery } from "./common.ts";
import { Passage } from "./gateways.ts";

// What is published to an MQTT broker beside the rows of the views, and how that goes.

/** How publishing goes, since the service started. */
export const PublishStatus = z.object({
  broker: z.string(),
  prefix: z.string().describe("begin of every topic"),
  state: z.enum(["connected", "away"]),
  words: z.string().describe("one sentence"),
  published: Whole.describe("messages that the broker took"),
  waiting: Whole.describe("messages not taken yet, and rows of the store not yet made into one"),
  dropped: Whole.describe("messages that gave way, or that the broker refused"),
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

/** How far publishing had come when it was kept: the next start with this broker and prefix goes on there. */
export const PublishPlace = z.object({
  broker: z.string(),
  prefix: z.string(),
  receptionId: Whole.min(0),
  frameId: Whole.min(0),
  gaps: z
    .array(z.tuple([z.string(), z.string()]))
    .nullable()
    .describe("gap, and a digest of what was said of it"),
  gapsAtUs: Whole.min(0),
});
export type PublishPlace = z.infer<typeof PublishPlace>;

export const Refusal = z.object({
  reason: z.string(),
  refused: z.boolean().describe("false: odd, but used"),
  count: Whole,
  firstAt: IsoTime,
  lastAt: IsoTime,
  words: z.string(),
});
export type Refusal = z.infer<typeof Refusal>;

export const RefusalSample = z.object({
  reason: z.string(),
  at: IsoTime,
  source: z.string(),
  sentence: z.string(),
  size: Whole,
  hex: z.string().describe("first 512 octets"),
});
export type RefusalSample = z.infer<typeof RefusalSample>;

/** What was rejected or odd, counted by reason, and the newest datagrams of each, raw. */
export const RefusalsView = z.object({
  refusals: z.array(Refusal),
  samples: z.array(RefusalSample),
});
export type RefusalsView = z.infer<typeof RefusalsView>;

export const DiskSpaceState = z.enum(["enough", "low", "unknown"]);
export type DiskSpaceState = z.infer<typeof DiskSpaceState>;

/** Answer of /healthz: what a supervisor asks, without any data. */
export const Health = z.object({
  state: z.enum(["well", "slow", "failed"]).describe("of the storage"),
  space: DiskSpaceState.describe("of the disk of the store"),
  version: z.string(),
});
export type Health = z.infer<typeof Health>;

export const ServiceStatus = z.object({
  version: z.string(),
  apiVersion: z.string().describe("of the API's promise, as in the description at /api/openapi.json"),
  siteName: z.string(),
  sites: z
    .array(z.string())
    .optional()
    .describe("names of sites that gateways belong to; left out without one"),
  startedAt: IsoTime,
  now: IsoTime,
  udp: z.array(z.object({ address: z.string(), port: Whole })),
  addresses: z.array(z.string()).describe("this machine's addresses that a gateway could send to"),
  arrived: z.object({
    datagrams: Whole.describe("since the service started"),
    lastAt: IsoTime.nullable(),
    lastFrom: z.string().nullable(),
  }),
  acknowledged: z.object({
    afterCommit: Whole,
    beforeStored: Whole.describe(
      "answered before they were stored because storing took longer than 25 ms or failed",
    ),
    waiting: Whole,
    dropped: Whole.describe("lost because the bounded buffer was full"),
  }),
  lost: z
    .object({
      inKernel: Whole.nullable().describe(
        "lost before they could be read, of these sockets; null where the system does not tell",
      ),
      dropped: Whole.describe("lost because their source's share of the buffer was full"),
      bySource: z
        .array(z.object({ source: z.string(), count: Whole, lastAt: IsoTime }))
        .describe("what was dropped, of the sources that lost most and of all others"),
      receiveBuffer: z
        .object({ askedBytes: Whole, grantedBytes: Whole })
        .nullable()
        .describe("of the socket that was granted least"),
      words: z.string().describe("empty when nothing was lost and the receive buffer was granted"),
    })
    .describe("since the service started"),
  storage: z.object({
    state: z.enum(["well", "slow", "failed"]),
    words: z.string(),
    space: z
      .object({
        state: DiskSpaceState,
        freeBytes: Whole.nullable(),
        lastsSeconds: Whole.nullable().describe("until full at the present rate, if known"),
        words: z.string().describe("empty unless low"),
      })
      .describe("room left on the disk of the store"),
    check: z
      .object({ state: z.enum(["sound", "running", "damaged", "unknown"]), words: z.string() })
      .describe(
        "whether the store is damaged: a small one is checked at the start, a large one while running",
      ),
    bytes: Whole,
    receptions: Whole,
    from: IsoTime.nullable(),
    to: IsoTime.nullable(),
    recentFrom: IsoTime.nullable().describe("minute of the first datagram of the last hour; null: none came"),
  }),
  refusals: z.array(Refusal),
  notices: z
    .array(z.string())
    .describe("what a person should know: too many identifiers, one used by two, a loop"),
  watch: z
    .object({
      open: Whole.describe("incidents that last"),
      newest: z
        .object({ id: z.string(), at: IsoTime, subject: z.string() })
        .nullable()
        .describe("the newest message since the start"),
    })
    .nullish()
    .describe("what is watched; null where nothing can be"),
  publish: PublishStatus.nullish().describe("an MQTT broker that is published to; null when there is none"),
  passage: Passage.nullable().describe("when datagrams are relayed; null when gateways are answered here"),
});
export type ServiceStatus = z.infer<typeof ServiceStatus>;

// How is the dashboard opened on a phone? The address may carry the token: it is given to this machine's browser only.

export const PhoneLink = z.object({
  url: z
    .string()
    .nullable()
    .describe("opens the dashboard on another device of the network; null: see `text`"),
  text: z.string().describe("what to do, in a sentence or two"),
});
export type PhoneLink = z.infer<typeof PhoneLink>;

// What was read from files, and what can be?

export const CaptureRow = z.object({
  id: Whole,
  name: z.string(),
  size: Whole,
  state: z.enum(["reading", "done", "failed"]),
  progress: z.number().min(0).max(1).nullable(),
  startedAt: IsoTime,
  finishedAt: IsoTime.nullable(),
  from: IsoTime.nullable(),
  to: IsoTime.nullable(),
  datagrams: Whole,
  receptions: Whole,
  knownAlready: Whole.describe("datagrams that were stored before"),
  refused: Whole,
  answers: Whole.nullable().describe(
    "datagrams of servers; 0: only the gateways' side was recorded; null: not counted",
  ),
  trouble: z.string().nullable(),
});
export type CaptureRow = z.infer<typeof CaptureRow>;

export const SampleRow = z.object({
  file: z.string(),
  title: z.string(),
  sentence: z.string(),
  from: IsoTime,
  to: IsoTime,
});
export type SampleRow = z.infer<typeof SampleRow>;

/** What is kept, and what was removed by that. Both limits null: everything is kept. */
export const KeptRule = z.object({
  maxAgeDays: Whole.min(1)
    .max(36_500)
    .nullable()
    .describe("days before the newest datagram; older receptions are removed"),
  maxBytes: Whole.min(10_000_000)
    .max(1_000_000_000_000_000)
    .nullable()
    .describe("octets that the store's file may hold; the oldest days beyond are removed"),
});

export const KeptView = KeptRule.extend({
  removed: z
    .object({ before: IsoTime, rule: z.string() })
    .nullable()
    .describe("receptions before this moment were removed; sums of their hours, gaps and findings remain"),
  givesBack: z.boolean().describe("false: the file keeps its size, and what is free in it is used again"),
});
export type KeptView = z.infer<typeof KeptView>;

export const CapturesView = z.object({
  captures: z.array(CaptureRow),
  samples: z.array(SampleRow),
});
export type CapturesView = z.infer<typeof CapturesView>;

/** Answer to a capture that was sent or a sample that was opened: the row that tells how its reading goes on. */
export const CaptureBegun = z.object({ captureId: Whole });
export type CaptureBegun = z.infer<typeof CaptureBegun>;

/** Body of PUT /api/labels/{kind}/{id}. Null takes a name or a saying back; a field left out stays. */
export const LabelChange = z.object({
  name: z.string().trim().max(80).nullable().optional(),
  own: z.boolean().nullable().optional(),
  site: SiteName.nullable().optional().describe("of a gateway: the site that it belongs to"),
});
export type LabelChange = z.infer<typeof LabelChange>;

// Which tables can be taken out of the store, in which forms, how is that asked for over HTTP, and how far is it?

export const EXPORT_TABLES = [
  "receptions",
  "frames",
  "nodes",
  "links",
  "gaps",
  "gateways",
  "channels",
] as const;
export const ExportTable = z.enum(EXPORT_TABLES);
export type ExportTable = z.infer<typeof ExportTable>;

export const EXPORT_FORMATS = ["csv", "jsonl", "parquet", "pcap"] as const;
export const ExportFormat = z.enum(EXPORT_FORMATS);
export type ExportFormat = z.infer<typeof ExportFormat>;

/** The question of GET /api/export. */
export const ExportQuery = WindowQuery.extend({
  what: ExportTable,
  format: ExportFormat.describe(
    "receptions as jsonl or pcap are datagrams, which `mastlog import` reads; pcap has no other table",
  ),
  gateway: EuiText.optional(),
  node: DevAddrText.optional(),
});
export type ExportQuery = z.infer<typeof ExportQuery>;

/** An export over HTTP that runs, or that ended in the last minute. */
export const ExportProgress = z.object({
  id: Whole.describe("counts up with each export since the service started"),
  name: z.string().describe("of the file"),
  state: z.enum(["running", "done", "broken-off", "failed"]),
  share: z.number().min(0).max(1).describe("of the window, or of the table's rows, that is written"),
  bytes: Whole.describe("written so far"),
});
export type ExportProgress = z.infer<typeof ExportProgress>;

/** The answer of GET /api/exports, oldest first. */
export const ExportsView = z.object({ exports: z.array(ExportProgress) });
export type ExportsView = z.infer<typeof ExportsView>;
