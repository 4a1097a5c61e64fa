/** The site at a glance: gateways, the nodes that need a look, the air in a line a gateway. */
import type { SiteView } from "../contract/index.ts";
import { airLine, siteSentence } from "../diagnosis/sentences.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import type { Store } from "../store/open.ts";
import { setting, storedSpanUs } from "../store/queries/lives.ts";
import { channelFigures } from "./air.ts";
import { sumChannels } from "./channel-sums.ts";
import { newestFindings } from "./gap-why.ts";
import { gatewaysView } from "./gateways.ts";
import { listNodes, needingALook } from "./nodes.ts";
import { shownGateways } from "./shown-gateways.ts";
import { siteSummary } from "./site-summary.ts";
import { type AskedWindow, windowView } from "./window.ts";

const MOST_ATTENTION = 12;
const MOST_FINDINGS = 5;

/** `ownPlans`: as for gatewaysView. */
export function siteView(store: Store, window: AskedWindow, ownPlans: readonly RegionPlan[] = []): SiteView {
  const { gateways, moreGateways } = gatewaysView(store, window, ownPlans);
  const { nodes, ownHeard, strangersHeard } = listNodes(store, window);
  const heard = nodes.filter((node) => node.frames > 0);
  const own = heard.filter((node) => !node.stranger);
  const euis = new Map(shownGateways(store, window).shown.map(({ id, eui }) => [id, eui]));
  // A line of the air rests on the sums of its channels alone: the whole view of the air would cost ten times as much.
  const channels = sumChannels(store, window, [...euis.keys()]).map((sum) => ({
    ...channelFigures(sum, window),
    gatewayEui: euis.get(sum.gatewayId) ?? "",
  }));
  const sentence = siteSentence(gateways, own, window);
  return {
    window: windowView(window),
    siteName: siteName(store),
    empty: storedSpanUs(store) === null,
    sentence,
    ...siteSummary(store, window, { sentence, gateways, own }),
    gateways,
    moreGateways,
    attention: needingALook(nodes, MOST_ATTENTION),
    findings: newestFindings(store, window, MOST_FINDINGS),
    nodeCount: ownHeard,
    strangerCount: strangersHeard,
    air: gateways.map(({ eui, name }) => airLine(eui, name, channels)),
  };
}

export function siteName(store: Store): string {
  return setting(store, "site-name") ?? "This site";
}
