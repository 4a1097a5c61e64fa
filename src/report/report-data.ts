/**
 * What does a report hold? The same answers that the views give, for one window: nothing is counted anew here, so
 * that paper and screen can never differ.
 */
import type { AirView } from "../contract/air.ts";
import type { BenchView } from "../contract/bench.ts";
import type { Window } from "../contract/common.ts";
import type { GapPage, GapsView } from "../contract/gaps.ts";
import type { GatewayRow } from "../contract/gateways.ts";
import type { WalkView } from "../contract/link.ts";
import type { NodesView } from "../contract/nodes.ts";
import type { CaptureRow } from "../contract/service.ts";
import type { SiteView } from "../contract/site.ts";
import type { TrialAnswer, TrialsView } from "../contract/trials.ts";
import type { MarksView } from "../contract/user-data.ts";

/** One frame's content. Keys are never part of it. */
export interface ReportPayload {
  readonly devAddr: string;
  readonly life: number;
  readonly name: string | null;
  /** ISO 8601. */
  readonly at: string;
  readonly counter: number | null;
  readonly port: number | null;
  /** The frame as it was sent, hex. */
  readonly hex: string;
  /** Its payload in clear; null: no key available proved it. */
  readonly clearHex: string | null;
  readonly clearText: string | null;
}

export interface ReportData {
  readonly window: Window;
  /** ISO 8601. */
  readonly madeAt: string;
  readonly version: string;
  /** IANA name, in which all times of the report are shown. */
  readonly timeZone: string;
  readonly site: SiteView;
  readonly gateways: readonly GatewayRow[];
  /** One a gateway. */
  readonly benches: readonly BenchView[];
  readonly nodes: NodesView;
  readonly gaps: GapsView;
  /** Of the gaps that are drawn, by the gap's identifier; of removed time there is none. */
  readonly evidence: ReadonlyMap<string, GapPage>;
  readonly air: AirView;
  readonly trials: Omit<TrialsView, "answer">;
  /** Photos of placements as data: addresses, by the placement's number. */
  readonly photos: ReadonlyMap<number, string>;
  /** Trials that somebody asked for by naming placements, or that antennas of one gateway make; shown in full. */
  readonly trialAnswers: readonly TrialAnswer[];
  readonly marks: MarksView;
  /** Walk tests whose stops lie in the window. */
  readonly walks: readonly WalkView[];
  /** What newest frames of own nodes hold; null unless it was asked for. */
  readonly payloads: readonly ReportPayload[] | null;
  /** Captures that reach into the window. */
  readonly captures: readonly CaptureRow[];
}
