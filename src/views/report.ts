/** The report's data for one window: the views' own answers, gathered from one state of the store. */
import type { GapPage, GapsView } from "../contract/gaps.ts";
import type { NodesView } from "../contract/nodes.ts";
import type { TrialSide } from "../contract/trials.ts";
import type { MarksView } from "../contract/user-data.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { gapsToDraw } from "../report/gaps.tsx";
import type { ReportData, ReportPayload } from "../report/report-data.ts";
import type { Store } from "../store/open.ts";
import { placementPhoto } from "../store/placements.ts";
import { airView } from "./air.ts";
import { benchView } from "./bench.ts";
import { captureRows } from "./bookkeeping.ts";
import { gapPage } from "./gap-page.ts";
import { gapsView } from "./gaps.ts";
import { listNodes, nodesViewOf } from "./nodes.ts";
import { frameView, receptionPage } from "./receptions.ts";
import { siteView } from "./site.ts";
import { reportedTrials } from "./trials/trials.ts";
import { marksView } from "./user-data.ts";
import { walkView } from "./walk.ts";
import { type AskedWindow, RowsRemoved, windowView } from "./window.ts";

// What did the newest frames of one's own nodes hold? For a report that was asked for it; keys never come out.

const FRAMES_A_NODE = 5;
const MAX_NODES = 60;
/** Receptions looked through for that many frames: each may be heard by several gateways. */
const RECEPTIONS_A_NODE = 40;

function reportPayloads(store: Store, window: AskedWindow, view: NodesView): ReportPayload[] {
  const own = view.nodes.filter(({ stranger }) => !stranger).slice(0, MAX_NODES);
  return own.flatMap(({ devAddr, life, name }) => {
    const page = receptionPage(store, { devAddr, life, window, limit: RECEPTIONS_A_NODE });
    const seen = new Set<number>();
    return (page?.receptions ?? []).flatMap(({ frameId, at, counter, port }) => {
      if (frameId === null || seen.has(frameId) || seen.size >= FRAMES_A_NODE) return [];
      seen.add(frameId);
      const frame = frameView(store, frameId);
      if (frame === null) return [];
      const { hex, decryptedHex: clearHex, decryptedText: clearText } = frame;
      return [{ devAddr, life, name, at, counter, port, hex, clearHex, clearText }];
    });
  });
}

export interface ReportAsked {
  readonly window: AskedWindow;
  /** IANA name of the zone in which times are shown. */
  readonly timeZone: string;
  readonly version: string;
  /** ISO 8601. */
  readonly madeAt: string;
  /** As for gatewaysView. */
  readonly ownPlans?: readonly RegionPlan[];
  /** Only when a person asks for it: what the newest frames of own nodes hold. */
  readonly withPayloads?: boolean;
}

/** Everything that the report prints, as of one moment. */
export function reportData(store: Store, asked: ReportAsked): ReportData {
  const { window, timeZone, version, madeAt, ownPlans = [], withPayloads = false } = asked;
  return store.transaction((): ReportData => {
    // What two parts need is worked out once.
    const list = listNodes(store, window);
    const site = siteView(store, window, ownPlans, list);
    const { from, to } = windowView(window);
    const { view: trials, answers, shared } = reportedTrials(store, window, firstSetUp());
    const nodes = nodesViewOf(window, list);
    const marks = marksView(store, window, {});
    const gaps = gapsView(store, window);
    return {
      window: windowView(window),
      madeAt,
      version,
      timeZone,
      site,
      gateways: site.gateways,
      benches: site.gateways.flatMap(({ eui }) => benchView(store, window, eui, { ownPlans, shared }) ?? []),
      nodes,
      gaps,
      evidence: evidenceOf(store, gaps),
      air: airView(store, window),
      trials,
      photos: photosOf(store, trials),
      trialAnswers: answers,
      marks,
      walks: walkers(marks).map((devAddr) => walkView(store, window, devAddr)),
      payloads: withPayloads ? reportPayloads(store, window, nodes) : null,
      captures: captureRows(store, () => null).filter(
        (capture) => capture.from !== null && capture.to !== null && capture.from < to && capture.to >= from,
      ),
    };
  })();
}

/** What the Gaps page shows of each gap that the report draws. */
function evidenceOf(store: Store, view: GapsView): Map<string, GapPage> {
  return new Map(
    gapsToDraw(view).flatMap((id): [string, GapPage][] => {
      try {
        const page = gapPage(store, id);
        return page === null ? [] : [[id, page]];
      } catch (error) {
        // Its receptions were removed: the finding stays, the drawing goes.
        if (error instanceof RowsRemoved) return [];
        throw error;
      }
    }),
  );
}

/** A report holds the newest photos, so that it can still be sent to somebody. */
const MAX_PHOTOS = 12;

function photosOf(store: Store, { placements }: ReportData["trials"]): Map<number, string> {
  const shown = placements.filter(({ photo }) => photo !== null).slice(-MAX_PHOTOS);
  return new Map(
    shown.flatMap(({ id }): [number, string][] => {
      const picture = placementPhoto(store, id);
      if (picture === null) return [];
      return [[id, `data:${picture.type};base64,${Buffer.from(picture.octets).toString("base64")}`]];
    }),
  );
}

/** Nodes that were carried about: those that a stop names. */
function walkers({ marks }: MarksView): string[] {
  const named = marks.flatMap(({ kind, devAddr }) => (kind === "stop" && devAddr !== null ? [devAddr] : []));
  return [...new Set(named)].slice(0, MAX_WALKS);
}

/** Walk tests shown. */
const MAX_WALKS = 4;

/** Trials shown in full. */
const MAX_TRIALS = 4;

/**
 * Gateways in different places differ as a matter of course: a trial is shown where somebody set one up. Asked of trials
 * in order: whether each is one of the first that somebody set up.
 */
function firstSetUp(): (a: TrialSide, b: TrialSide) => boolean {
  const isSetUp = ({ placed, antenna }: TrialSide) => placed || antenna !== null;
  let count = 0;
  return (a, b) => isSetUp(a) && isSetUp(b) && ++count <= MAX_TRIALS;
}
