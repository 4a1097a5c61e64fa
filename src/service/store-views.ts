/**
 * How are the service's questions answered from the store? By the views, over one reading connection, each answer
 * from one state of the store: a commit in the middle of a question does not show in half of it. In the service each
 * reading thread does this with a connection of its own.
 */
import type { WindowQuery } from "../contract/common.ts";
import { forgottenWords } from "../diagnosis/notices.ts";
import { NO_WATCH_FACTS } from "../diagnosis/watches.ts";
import { plainLine } from "../model/text.ts";
import { nearPlanLabels, type PlanChoice, planChoice, planLabels } from "../radio/regions/plan-choice.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { renderReport } from "../report/render.tsx";
import { toBeForgotten } from "../store/forget.ts";
import { NoSuchSite, SiteReader } from "../store/narrowed.ts";
import { openReader, type Store } from "../store/open.ts";
import { placementPhoto } from "../store/placements.ts";
import { airView } from "../views/air.ts";
import { benchReferenceView, benchTable, benchView } from "../views/bench.ts";
import { keyRows } from "../views/bookkeeping.ts";
import { capacityView, nodeCostView } from "../views/capacity.ts";
import { downlinksView, downlinkTestPlan, downlinkTestVerdict } from "../views/downlinks.ts";
import { gapPage } from "../views/gap-page.ts";
import { gapsView } from "../views/gaps.ts";
import { gatewaysView } from "../views/gateways.ts";
import { joinsView } from "../views/joins.ts";
import { nodePage } from "../views/node-page.ts";
import { nodesView } from "../views/nodes.ts";
import { planView } from "../views/plan.ts";
import { receiverView } from "../views/receiver.ts";
import { frameView, receptionPage, rowsAfter } from "../views/receptions.ts";
import { reportData } from "../views/report.ts";
import { siteView } from "../views/site.ts";
import { siteFigures } from "../views/site-figures.ts";
import { strangersView } from "../views/strangers.ts";
import { markEffect } from "../views/trials/mark-effect.ts";
import { compareSides, trialsView } from "../views/trials/trials.ts";
import { marksView, placementRows, positionRows } from "../views/user-data.ts";
import { walkView } from "../views/walk.ts";
import { watchFacts } from "../views/watch-facts.ts";
import { type AskedWindow, askedWindow, type Basis } from "../views/window.ts";
import { ServiceProblem, siteProblem } from "./errors.ts";
import { storeFacts } from "./store-facts.ts";
import type { Views } from "./views.ts";

/**
 * `store`: a reading connection (openReader) that stays the caller's to close, after the service. `ownPlans`: channel
 * plans of the user's own, read once at the start. `sites`: as for the store.
 */
export function storeViews(
  store: Store,
  ownPlans: readonly RegionPlan[] = [],
  sites = new SiteReader(() => openReader(store.name)),
): Views {
  const within = <T>(read: () => T): T => store.transaction(read)();
  const ofSite = (site: string): Store => {
    try {
      return sites.of(site);
    } catch (error) {
      throw siteProblem(error);
    }
  };
  const over = <T>(
    query: WindowQuery,
    nowUs: number,
    read: (window: AskedWindow, store: Store) => T,
    basis?: Basis,
  ): T => {
    const at = query.site === undefined ? store : ofSite(query.site);
    return at.transaction(() => read(askedWindow(at, query, nowUs, basis), at))();
  };
  return {
    ...storeFacts(store),
    site: (query, nowUs) => over(query, nowUs, (window, at) => siteView(at, window, ownPlans), "site"),
    gateways: (query, nowUs) =>
      over(query, nowUs, (window, at) => gatewaysView(at, window, ownPlans), "sums"),
    downlinkTestPlan: (eui, nowUs, forbidden) =>
      within(() => downlinkTestPlan(store, eui, { nowUs, ownPlans, forbidden })),
    downlinkTestVerdict: (asked, nowUs, forbidden) =>
      within(() => downlinkTestVerdict(store, asked, { nowUs, ownPlans, forbidden })),
    downlinks: (question, query, nowUs) =>
      over(query, nowUs, (window, at) => downlinksView(at, window, question)),
    nodes: (query, nowUs) => over(query, nowUs, (window, at) => nodesView(at, window), "hours"),
    joins: (query, nowUs) => over(query, nowUs, (window, at) => joinsView(at, window)),
    node: (devAddr, life, query, nowUs) =>
      over(query, nowUs, (window, at) => nodePage(at, window, devAddr, life)),
    receptions: ({ gateway, ...question }, query, nowUs) =>
      over(query, nowUs, (window, at) => receptionPage(at, { ...question, window, gatewayEui: gateway })),
    frame: (id) => within(() => frameView(store, id)),
    rowsAfter: (asked) => within(() => rowsAfter(store, asked)),
    air: (query, nowUs) =>
      over(query, nowUs, (window, at) => airView(at, window, undefined, ownPlans), "sums"),
    strangers: (query, nowUs) => over(query, nowUs, (window, at) => strangersView(at, window)),
    trials: (pair, query, nowUs) => over(query, nowUs, (window, at) => trialsView(at, window, pair)),
    compare: (a, b, query, nowUs) => over(query, nowUs, (window, at) => compareSides(at, window, a, b)),
    placementPhoto: (id) => within(() => placementPhoto(store, id)),
    placements: () => within(() => placementRows(store)),
    bench: (eui, query, nowUs, label) => {
      const expected = expectedPlan(label, ownPlans);
      return over(query, nowUs, (window, at) => benchView(at, window, eui, { ownPlans, expected }));
    },
    capacity: (share, query, nowUs) =>
      over(query, nowUs, (window, at) => capacityView(at, window, share, ownPlans)),
    nodeCost: (devAddr, power, query, nowUs) =>
      over(query, nowUs, (window, at) => nodeCostView(at, window, devAddr, power)),
    benchTable: (query, nowUs, label) => {
      const expected = expectedPlan(label, ownPlans);
      return over(query, nowUs, (window, at) =>
        benchTable(at, window, { ownPlans, expected, most: MAX_BENCHED }),
      );
    },
    receiver: (eui, query, nowUs) => over(query, nowUs, (window) => receiverView(store, window, eui)),
    benchReference: () => within(() => benchReferenceView(store)),
    walk: (devAddr, query, nowUs) => over(query, nowUs, (window, at) => walkView(at, window, devAddr)),
    marks: (query, window, nowUs) => over(window, nowUs, (asked, at) => marksView(at, asked, query)),
    markEffect: (id, { site, ...asked }) => {
      const at = site === undefined ? store : ofSite(site);
      return at.transaction(() => markEffect(at, id, asked))();
    },
    report: (asked, query, nowUs) =>
      over(query, nowUs, (window, at) => {
        const data = reportData(at, { ...asked, window, ownPlans });
        return { from: data.window.from, html: renderReport(data) };
      }),
    gaps: (query, nowUs) => over(query, nowUs, (window, at) => gapsView(at, window), "hours"),
    gap: (id) => within(() => gapPage(store, id)),
    plan: (query, nowUs) => over(query, nowUs, (window, at) => planView(at, window, ownPlans)),
    positions: () => within(() => ({ positions: positionRows(store) })),
    toBeForgotten: (thing) => {
      const forgotten = within(() => toBeForgotten(store, thing));
      return forgotten === null ? null : { ...forgotten, words: forgottenWords(thing.kind, forgotten) };
    },
    watchFacts: (withNoise, nowUs, site) => {
      try {
        const at = site === null ? store : ofSite(site);
        return at.transaction(() => watchFacts(at, withNoise, nowUs))();
      } catch (error) {
        if (error instanceof NoSuchSite) return NO_WATCH_FACTS;
        throw error;
      }
    },
    siteFigures: (nowUs) => within(() => siteFigures(store, nowUs)),
    keys: () => within(() => ({ keys: keyRows(store) })),
  };
}

/** Gateways of a bench that are judged at once. */
const MAX_BENCHED = 64;

function expectedPlan(label: string | null, ownPlans: readonly RegionPlan[]): PlanChoice | null {
  if (label === null) return null;
  const choice = planChoice(label, ownPlans);
  if (choice !== null) return choice;
  const near = nearPlanLabels(label, ownPlans);
  const names = near === null ? `there are ${planLabels(ownPlans)}` : `near names are ${near}`;
  throw new ServiceProblem("no-such-plan", `There is no channel plan "${plainLine(label)}"; ${names}.`);
}
