/** What was missed, when, by whom, and why? Dropouts, each with its finding, and what a finding rests on. */
import { z } from "zod";
import { CAUSES } from "../words/causes.ts";
import { DevAddrText, EuiText, IsoTime, Sentence, Whole, Window } from "./common.ts";

/** What a finding may name. `unexplained` is an honest answer; a wrong cause is worse than none. */
export const Cause = z.enum([...CAUSES, "unexplained"]);
export type Cause = z.infer<typeof Cause>;

/** From the confidence alone: certain from 95 %, likely from 80 %, possible from 70 %, else undecided. */
export const FindingWord = z.enum(["certain", "likely", "possible", "undecided"]);
export type FindingWord = z.infer<typeof FindingWord>;

/** Which lane of a gap's page shows what a sentence speaks of. */
export const EvidenceLane = z.enum([
  "counters",
  "neighbours",
  "heartbeat",
  "noise",
  "load",
  "margin",
  "channels",
  "transmissions",
  "joins",
]);
export type EvidenceLane = z.infer<typeof EvidenceLane>;

/** The receptions that a sentence rests on: parameters of GET /api/receptions. */
export const ReceptionsLink = z.object({
  devAddr: DevAddrText.nullable(),
  life: Whole.nullable(),
  gateway: EuiText.nullable(),
  from: IsoTime,
  to: IsoTime,
});
export type ReceptionsLink = z.infer<typeof ReceptionsLink>;

export const Evidence = z.object({
  sentence: z.string(),
  lane: EvidenceLane,
  receptionsQuery: ReceptionsLink.nullable(),
  weight: z
    .number()
    .describe("natural logarithm of how much likelier it makes the cause; below 0 against it"),
});
export type Evidence = z.infer<typeof Evidence>;

export const Finding = z.object({
  cause: Cause,
  confidence: z.number().min(0).max(1),
  word: FindingWord,
  sentence: z.string(),
  evidence: z.array(Evidence).describe("for the cause, strongest first"),
  against: z.array(Evidence).describe("against the cause, strongest first"),
  alternatives: z.array(z.object({ cause: Cause, confidence: z.number().min(0).max(1) })),
  recordNext: z.array(z.string()).describe("what would settle it, where the evidence does not suffice"),
});
export type Finding = z.infer<typeof Finding>;

/**
 * counters: missed counters between two that were heard, one episode; steady: a period in which the node lost more
 * than it does otherwise, or more than a healthy link does; silence: nothing came for longer than the rhythm allows
 * and the counter did not go on, or has not been seen since.
 */
export const GapKind = z.enum(["counters", "silence", "steady"]);
export type GapKind = z.infer<typeof GapKind>;

/** Whose trouble the finding says it is: this node's, one gateway's, or everything's. */
export const GapScope = z.enum(["node", "gateway", "site"]);
export type GapScope = z.infer<typeof GapScope>;

/** The mark at which a dropout begins: a coincidence, which is for the person to judge. */
export const MarkAtBegin = z.object({ id: Whole, at: IsoTime, text: z.string() });
export type MarkAtBegin = z.infer<typeof MarkAtBegin>;

/** A dropout of one node. */
export const DropoutRow = z.object({
  id: z.string().describe("stays the same when everything is derived again"),
  devAddr: DevAddrText,
  life: Whole.min(1),
  name: z.string().nullable(),
  network: z.string(),
  stranger: z.boolean(),
  scope: GapScope,
  gateway: EuiText.nullable().describe("the gateway whose trouble it is, where it is one's"),
  gatewayName: z.string().nullable(),
  episode: z.string().nullable().describe("of a dropout that several nodes share"),
  kind: GapKind,
  open: z.boolean().describe("goes on at the end of what is stored"),
  from: IsoTime.describe("last frame heard before, or where a steady loss begins"),
  to: IsoTime.describe("first frame heard after; while open, the newest moment known"),
  missedCounters: Whole.describe("0 while a silent node has not come back"),
  firstMissedCounter: Whole.nullable(),
  lastMissedCounter: Whole.nullable(),
  heardCounters: Whole.describe("heard between the first and the last missed counter"),
  expectedByRhythm: z.number().nullable().describe("frames that the rhythm lets expect within it"),
  mark: MarkAtBegin.nullish().describe("the mark at which it begins, where there is one"),
  finding: Finding,
});
export type DropoutRow = z.infer<typeof DropoutRow>;

/** A dropout that all nodes of a gateway, or of the site, share. */
export const EpisodeRow = z.object({
  id: z.string(),
  scope: GapScope,
  gateway: EuiText.nullable(),
  gatewayName: z.string().nullable(),
  open: z.boolean(),
  from: IsoTime,
  to: IsoTime,
  nodes: Whole.describe("nodes that missed counters or fell silent in it"),
  missedCounters: Whole,
  gapIds: z.array(z.string()).describe("at most 500"),
  mark: MarkAtBegin.nullish().describe("the mark at which it begins, where there is one"),
  finding: Finding,
});
export type EpisodeRow = z.infer<typeof EpisodeRow>;

/** Dropouts that touch a window, counted however many there are. */
export const GapCounts = z.object({
  gaps: Whole,
  open: Whole.describe("that go on at the end of what is stored"),
  nodes: Whole.describe("nodes with a gap"),
  missedCounters: Whole,
  byCause: z.record(z.string(), Whole).describe("gaps of each cause"),
});
export type GapCounts = z.infer<typeof GapCounts>;

export const GapsView = z.object({
  window: Window,
  sentence: Sentence,
  recordedSeconds: z.number().describe("of the window; nothing is known of the rest"),
  counts: GapCounts.extend({
    own: GapCounts.describe("of your own nodes; the sentence counts these. The rest are strangers'"),
  }).describe("of all nodes"),
  episodes: z.array(EpisodeRow),
  gaps: z.array(DropoutRow).describe("newest first, at most 2,000"),
  gapsCut: z.boolean(),
});
export type GapsView = z.infer<typeof GapsView>;

/** A finding in a line, for views that lead to it. */
export const FindingLine = z.object({
  id: z.string().describe("of the gap or the episode"),
  at: IsoTime.describe("when it began"),
  open: z.boolean(),
  who: z.string().describe("the node, or what was struck"),
  cause: Cause,
  words: z.string().describe("the cause and how sure it is: weak link (likely)"),
  sentence: z.string(),
  mark: MarkAtBegin.nullable(),
});
export type FindingLine = z.infer<typeof FindingLine>;

/** Cells of equal length; null where nothing can be said. */
const Cells = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  values: z.array(z.number().nullable()),
});

/** One gap laid under its evidence. All lanes share one axis: `cells` cells of `cellSeconds` from `fromMs` on. */
export const GapPage = z.object({
  gap: DropoutRow,
  axis: z.object({
    fromMs: z.number(),
    toMs: z.number(),
    cellSeconds: z.number(),
    cells: Whole,
    gapFromMs: z.number(),
    gapToMs: z.number(),
  }),
  counters: z
    .array(
      z.object({
        counter: Whole,
        atMs: z.number(),
        fate: z.enum(["heard", "missed"]),
        gateways: z.array(EuiText),
        repeatsAtMs: z.array(z.number()),
      }),
    )
    .describe("of this node, at most 2,000; missed ones are dated in its rhythm"),
  neighbours: z
    .array(
      z.object({
        devAddr: DevAddrText,
        life: Whole,
        name: z.string().nullable(),
        heardAtMs: z.array(z.number()).describe("at most 500"),
        expected: z.number().describe("within the gap, by its rate before and after; 0: not counted"),
        heard: Whole.describe("within the gap; 0 of one that is not counted"),
      }),
    )
    .describe("other nodes as the best gateway of this one heard them, at most 20"),
  neighboursCounted: z
    .object({ nodes: Whole, heard: Whole, expected: Whole })
    .describe("frames of all neighbours within the gap, as the finding counts them"),
  heartbeat: z.array(
    z.object({
      gatewayEui: EuiText,
      gatewayName: z.string().nullable(),
      keepalives: z.array(Whole),
      statusReports: z.array(Whole),
      datagrams: z.array(Whole),
      receptions: z.array(Whole),
      crcBad: z.array(Whole),
      restartsAtMs: z.array(z.number()),
      notRecorded: z
        .array(z.object({ fromMs: z.number(), toMs: z.number() }))
        .describe("on the axis, where nothing was recorded of this gateway"),
    }),
  ),
  noiseDbm: z.array(Cells).describe("median of the noise that frames at SNR ≤ 0 dB betray"),
  load: z.array(Cells).describe("Erlang, all channels together"),
  margin: z.array(
    z.object({
      gatewayEui: EuiText,
      gatewayName: z.string().nullable(),
      atMs: z.array(z.number()),
      marginDb: z.array(z.number().nullable()),
      signalDbm: z.array(z.number().nullable()),
      spreadingFactor: z.array(Whole.nullable()),
      frequencyHz: z.array(Whole.nullable()),
    }),
  ),
  transmissions: z
    .array(z.object({ gatewayEui: EuiText, fromMs: z.number(), toMs: z.number() }))
    .describe("the gateways' own, as far as they are known; at most 2,000"),
  joins: z
    .array(z.object({ devEui: EuiText, atMs: z.number() }))
    .describe("join-requests heard, at most 200"),
  marks: z.array(z.object({ atMs: z.number(), text: z.string() })),
});
export type GapPage = z.infer<typeof GapPage>;
