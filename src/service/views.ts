/**
 * What does the service need to know of the store? These questions and no others: the routes and the live
 * line ask them, whoever answers. `storeViews` (store-views.ts) answers from a reading connection; the service asks
 * the reading threads (reading-pool.ts), where each has one of its own.
 */
import type { AirView } from "../contract/air.ts";
import type {
  BenchReference,
  BenchTable,
  BenchView,
  DownlinkTestPlan,
  DownlinkTestRequest,
  ReceiverView,
} from "../contract/bench.ts";
import type { CapacityView, NodeCostView, PowerQuery } from "../contract/capacity.ts";
import type { WindowQuery } from "../contract/common.ts";
import type { GapPage, GapsView } from "../contract/gaps.ts";
import type { DownlinksView, GatewaysView } from "../contract/gateways.ts";
import type { WalkView } from "../contract/link.ts";
import type { FrameView, NodePage, NodesView, ReceptionPage } from "../contract/nodes.ts";
import type { StrangersView } from "../contract/others-on-air.ts";
import type { CaptureRow, KeptView, RefusalsView } from "../contract/service.ts";
import type { JoinsView, SiteView } from "../contract/site.ts";
import type {
  MarkEffect,
  MarkEffectQuery,
  PlacementRow,
  TrialAnswer,
  TrialsView,
} from "../contract/trials.ts";
import type {
  Forgotten,
  KeysView,
  MarksQuery,
  MarksView,
  PlanView,
  PositionsView,
} from "../contract/user-data.ts";
import type { TestVerdict } from "../diagnosis/test-transmission.ts";
import type { StoredWatchFacts } from "../diagnosis/watches.ts";
import type { ReportData } from "../report/report-data.ts";
import type { Forgettable } from "../store/forget.ts";
import type { WatchSettings } from "../store/settings.ts";
import type { RowsAfter, RowsAsked } from "../views/receptions.ts";
import type { SiteFigures } from "../views/site-figures.ts";
import type { NoEffect } from "../views/trials/mark-effect.ts";
import type { Picture } from "../wire/picture/plain-picture.ts";

/** What is stored altogether. Times are microseconds since 1970. */
export interface StoredFacts {
  readonly siteName: string;
  /** Names of the sites that gateways belong to. */
  readonly sites: readonly string[];
  readonly bytes: number;
  readonly receptions: number;
  readonly fromUs: number | null;
  readonly toUs: number | null;
}

export interface ReceptionQuestion {
  readonly devAddr?: string | undefined;
  /** With `devAddr`; without it the first life. */
  readonly life?: number | undefined;
  readonly gateway?: string | undefined;
  /** Cursor of an earlier page. */
  readonly before?: string | undefined;
  readonly limit: number;
}

/** What a report says of itself: its zone, its maker, its moment (ISO 8601). */
export type ReportQuestion = Pick<ReportData, "timeZone" | "version" | "madeAt"> & {
  /** Only when a person asked for it. */
  readonly withPayloads: boolean;
};

/** The report as it is sent: drawn where it is worked out, not on the thread that serves everybody. */
export interface DrawnReport {
  /** Begin of its window, ISO 8601. */
  readonly from: string;
  readonly html: string;
}

/** Each answers at once, from the store as it is now; `nowUs` is the end of a window that moves with the clock. */
export interface Views {
  stored(): StoredFacts;
  /** Minute of the first datagram of the last hour, microseconds since 1970; null: none came. */
  recentFromUs(nowUs: number): number | null;
  site(window: WindowQuery, nowUs: number): SiteView;
  gateways(window: WindowQuery, nowUs: number): GatewaysView;
  /** Of a gateway, to a device address, or all; unknown ones have none. */
  downlinks(
    question: { readonly gatewayEui?: string | undefined; readonly devAddr?: string | undefined },
    window: WindowQuery,
    nowUs: number,
  ): DownlinksView;
  /** What test frame may be sent through a gateway; `forbidden`: why none may in any case. null: no such gateway. */
  downlinkTestPlan(gatewayEui: string, nowUs: number, forbidden: string): DownlinkTestPlan | null;
  downlinkTestVerdict(
    asked: Pick<DownlinkTestRequest, "gatewayEui" | "frequencyHz" | "dataRate" | "powerDbm">,
    nowUs: number,
    forbidden: string,
  ): TestVerdict | null;
  /** Devices that ask to join. */
  joins(window: WindowQuery, nowUs: number): JoinsView;
  nodes(window: WindowQuery, nowUs: number): NodesView;
  /** null: no such address in such a life. */
  node(devAddr: string, life: number, window: WindowQuery, nowUs: number): NodePage | null;
  /** null: no such address in such a life, or the cursor is none of ours. */
  receptions(question: ReceptionQuestion, window: WindowQuery, nowUs: number): ReceptionPage | null;
  frame(id: number): FrameView | null;
  /** What was stored after certain rows. */
  rowsAfter(asked: RowsAsked): RowsAfter;
  air(window: WindowQuery, nowUs: number): AirView;
  /** What neighbours' networks do on the air, and what that costs each own node. */
  strangers(window: WindowQuery, nowUs: number): StrangersView;
  gaps(window: WindowQuery, nowUs: number): GapsView;
  /** One gap laid under its evidence; null: there is no such gap. */
  gap(id: string): GapPage | null;
  /**
   * null: no gateway of this identifier was ever heard. `expected`: the plan that it must listen to; null: the one that is
   * recognised. Throws the ServiceProblem no-such-plan.
   */
  bench(eui: string, window: WindowQuery, nowUs: number, expected: string | null): BenchView | null;
  /** How many more nodes the site carries until delivery falls below a share; absent: 0.95. */
  capacity(share: number | undefined, window: WindowQuery, nowUs: number): CapacityView;
  /** What one node's data rate and battery pay; null: nothing of one's own is heard under this address. */
  nodeCost(devAddr: string, power: PowerQuery, window: WindowQuery, nowUs: number): NodeCostView | null;
  /** All gateways with verdict and first fault; `expected` as for one. */
  benchTable(window: WindowQuery, nowUs: number, expected: string | null): BenchTable;
  /** The receiver of one gateway, measured; null: no gateway of this identifier was ever heard. */
  receiver(eui: string, window: WindowQuery, nowUs: number): ReceiverView | null;
  /** The reference that was set for the bench; null: none. */
  benchReference(): BenchReference | null;
  /** Gateways, nodes and their ways on a plan. */
  plan(window: WindowQuery, nowUs: number): PlanView;
  positions(): PositionsView;
  /** Captures that were read, newest first; `progressOf` tells how far one is that is being read, 0 to 1. */
  captures(progressOf: (captureId: number) => number | null): CaptureRow[];
  /** A walk test with one node. */
  walk(devAddr: string, window: WindowQuery, nowUs: number): WalkView;
  /** Placements and their comparisons; `pair`: the two sides whose answer is wanted in full. */
  trials(
    pair: { readonly a: string; readonly b: string } | null,
    window: WindowQuery,
    nowUs: number,
  ): TrialsView;
  /** null: one of the sides is not there. */
  compare(a: string, b: string, window: WindowQuery, nowUs: number): TrialAnswer | null;
  /** All placements, in order of their begin. */
  placements(): PlacementRow[];
  /** The photo of a placement; null: it has none. */
  placementPhoto(id: number): Picture | null;
  /** What people noted. */
  marks(query: MarksQuery, window: WindowQuery, nowUs: number): MarksView;
  report(asked: ReportQuestion, window: WindowQuery, nowUs: number): DrawnReport;
  /** The time before a mark against the time after; a word: that is not there. */
  markEffect(id: number, query: MarkEffectQuery): MarkEffect | NoEffect;
  refusals(): RefusalsView;
  /** What would go with a gateway or a node; null: nothing of it is stored. */
  toBeForgotten(thing: Forgettable): Forgotten | null;
  /** What a person should know of the identifiers that are heard, a sentence each. */
  notices(nowUs: number): string[];
  /** What is watched and what was sent, as it was stored. */
  watchSettings(): WatchSettings;
  /** What the store knows of that which is watched. */
  /** `site`: of its gateways alone; null: of all. */
  watchFacts(withNoise: boolean, nowUs: number, site: string | null): StoredWatchFacts;
  /** What machines are given of gateways, channels and own nodes, over the hour before `nowUs`. */
  siteFigures(nowUs: number): SiteFigures;
  /** What is kept, and what was removed by that. */
  kept(): KeptView;
  /** Whose keys are held, without the keys. */
  keys(): KeysView;
}

/** What is answered at once on the service's own thread, whatever the reading threads do: a few rows each. */
export type Facts = Pick<
  Views,
  "stored" | "recentFromUs" | "refusals" | "notices" | "captures" | "kept" | "watchSettings"
>;

/** What is asked of the reading threads. */
export type Question = Exclude<keyof Views, keyof Facts>;

/** The same questions, each answered by a promise: rejected as the view throws, or when the question is dropped. */
export type AskedViews = {
  readonly [Q in Question]: (...asked: Parameters<Views[Q]>) => Promise<ReturnType<Views[Q]>>;
};

/** Questions of one asker; what has no answer yet when the signal comes is dropped. */
export type Ask = (asker: AbortSignal) => AskedViews;

// What is known of a question before it is asked?

/** A window longer than this may take long. Chosen: a day is answered in a fraction of a second. */
const LONG_WINDOW_S = 86_400;

/** What is known of a question before it is asked. */
interface Kind {
  /** Where in its arguments the clock's time stands, which moves on while it waits; null: nowhere. A window stands before it. */
  readonly nowAt: number | null;
  /** May take long whatever its window. */
  readonly isLong?: true;
  /** Holds the frames of its whole window: a hundred megabytes and more at a month, where others hold a tenth. */
  readonly isLarge?: true;
}

export const QUESTIONS: Readonly<Record<Question, Kind>> = {
  site: { nowAt: 1 },
  gateways: { nowAt: 1 },
  downlinkTestPlan: { nowAt: 1 },
  downlinkTestVerdict: { nowAt: 1 },
  downlinks: { nowAt: 2 },
  nodes: { nowAt: 1 },
  joins: { nowAt: 1 },
  node: { nowAt: 3 },
  receptions: { nowAt: 2 },
  frame: { nowAt: null },
  rowsAfter: { nowAt: null },
  air: { nowAt: 1 },
  gaps: { nowAt: 1 },
  gap: { nowAt: null },
  bench: { nowAt: 2 },
  benchTable: { nowAt: 1, isLong: true },
  receiver: { nowAt: 2, isLong: true },
  capacity: { nowAt: 2, isLong: true },
  nodeCost: { nowAt: 3, isLong: true },
  strangers: { nowAt: 1, isLong: true },
  benchReference: { nowAt: null },
  plan: { nowAt: 1 },
  positions: { nowAt: null },
  walk: { nowAt: 2 },
  trials: { nowAt: 2, isLong: true, isLarge: true },
  compare: { nowAt: 3, isLong: true, isLarge: true },
  placements: { nowAt: null },
  placementPhoto: { nowAt: null },
  marks: { nowAt: 2 },
  markEffect: { nowAt: null, isLong: true, isLarge: true },
  report: { nowAt: 2, isLong: true, isLarge: true },
  toBeForgotten: { nowAt: null, isLong: true },
  watchFacts: { nowAt: 1 },
  siteFigures: { nowAt: 0 },
  keys: { nowAt: null },
};

/** Names a question with all its arguments but for the time. */
export function keyOf(question: Question, asked: readonly unknown[]): string {
  const { nowAt } = QUESTIONS[question];
  return JSON.stringify([question, ...asked.filter((_, i) => i !== nowAt)]);
}

/** Whether its answer may take long, as far as is known before it is asked. */
export function mayTakeLong(question: Question, asked: readonly unknown[]): boolean {
  const { nowAt, isLong } = QUESTIONS[question];
  const window = nowAt === null ? undefined : asked[nowAt - 1];
  if (isLong === true) return true;
  if (typeof window !== "object" || window === null) return false;
  return lengthSeconds(window) > LONG_WINDOW_S;
}

/** Infinite when an end is open. */
function lengthSeconds({ last, from, to }: WindowQuery): number {
  if (last !== undefined) return last;
  if (from === undefined || to === undefined) return Number.POSITIVE_INFINITY;
  return (Date.parse(to) - Date.parse(from)) / 1000;
}
