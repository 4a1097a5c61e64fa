/** The site at a glance: gateways, the nodes that need a look, the air in a line a gateway. */
import type { GatewayRow, NodeRow, Sentence, SiteSummary, SiteView } from "../contract/index.ts";
import { airLine } from "../diagnosis/air-sentences.ts";
import { siteSentence } from "../diagnosis/sentences.ts";
import type { ChannelStanding, NodeStanding } from "../diagnosis/site-conditions.ts";
import { type SiteEvidence, summariseSite } from "../diagnosis/site-summary.ts";
import { isoTime, type TimeRange, totalUs } from "../model/time-range.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import { heardHours } from "../store/hours/heard-hours.ts";
import type { Store } from "../store/open.ts";
import { framesByChannel } from "../store/queries/channels.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { storedSpanUs } from "../store/queries/lives.ts";
import { channelFigures } from "./air.ts";
import { sumChannels } from "./air-maps.ts";
import { siteName } from "./bookkeeping.ts";
import { newestFindings } from "./gap-why.ts";
import { gapsOfWindow, NOT_JUDGED } from "./gaps.ts";
import { gatewaysView } from "./gateways.ts";
import { listNodes, type NodeList, needingALook } from "./nodes.ts";
import { shownGateways } from "./reachability.ts";
import { newestOfSite, siteScore } from "./site-score.ts";
import { type AskedWindow, recordedOf, windowView } from "./window.ts";

// Evidence for the summary of the site: what each node, channel and gateway did over the window, and its gaps.

/** Recorded ranges in one answer, the newest. */
const MAX_RANGES = 500;

/** What the summary of a site is made from: the gateways and one's own nodes as their views give them. */
interface Known {
  readonly sentence: Sentence;
  readonly gateways: readonly GatewayRow[];
  readonly own: readonly NodeRow[];
}

function siteSummary(
  store: Store,
  window: AskedWindow,
  known: Known,
): SiteSummary & Pick<SiteView, "recorded"> {
  const recorded = recordedOf(store, window).ranges(window);
  return {
    ...summariseSite(siteEvidence(store, window, recorded, known)),
    recorded: recorded
      .slice(-MAX_RANGES)
      .map(({ fromUs, toUs }) => ({ from: isoTime(fromUs), to: isoTime(toUs) })),
  };
}

/** Returns what the summary of a site rests on; `recorded`: the recorded ranges of the window. */
export function siteEvidence(
  store: Store,
  window: AskedWindow,
  recorded: readonly TimeRange[],
  known: Known,
): SiteEvidence {
  const { episodes, gaps } = gapsOfWindow(store, window);
  const own = new Set(known.own.map(({ devAddr, life }) => `${devAddr}/${life}`));
  const { channels, heardBy } = channelStandings(store, window, known.gateways, own);
  return {
    recordedShare: Math.min(1, totalUs(recorded) / (window.toUs - window.fromUs)),
    opening: known.sentence.map(({ text }) => text).join(""),
    nodes: known.own.map(nodeStanding),
    channels,
    gateways: known.gateways.map((gateway) => ({
      gatewayEui: gateway.eui,
      title: titleOf(gateway),
      heard: heardBy.get(gateway.eui) ?? 0,
      contradictions: gateway.region.contradictions,
    })),
    // A gap that is still to be judged is no event yet.
    gaps: gaps.filter(({ stranger, finding }) => !stranger && finding.sentence !== NOT_JUDGED),
    episodes,
    gatewayEvents: known.gateways.flatMap(({ eui, events }) =>
      events.flatMap(({ kind, from, to, open, word, nodes, sentence, advice }) =>
        kind === "gateway-strengthened" || kind === "late-acknowledgements"
          ? []
          : [{ gatewayEui: eui, cause: kind, from, to, open, word, nodes, sentence, advice }],
      ),
    ),
  };
}

function titleOf({ eui, name }: Pick<GatewayRow, "eui" | "name">): string {
  return name ?? `Gateway ${eui}`;
}

function nodeStanding(row: NodeRow): NodeStanding {
  const [main] = [...row.dataRates].sort((a, b) => b.frames - a.frames);
  const spreadingFactor = /^SF(\d+)/.exec(main?.name ?? "")?.[1];
  return {
    devAddr: row.devAddr,
    life: row.life,
    title: row.name ?? row.devAddr,
    expected: row.expected - row.missedDuringOutage - row.missedNotRecorded,
    missed: row.missed - row.missedDuringOutage - row.missedNotRecorded,
    marginMedianDb: row.marginDb.median,
    spreadingFactor: spreadingFactor === undefined ? null : Number(spreadingFactor),
  };
}

/** What a gateway heard on a channel, and how much it should have. */
interface Cell {
  frames: number;
  due: number;
  readonly noiseDbm: number[];
}

/** What each gateway heard on each channel, of the newest receptions of your nodes. */
function channelStandings(
  store: Store,
  window: AskedWindow,
  gateways: readonly GatewayRow[],
  own: ReadonlySet<string>,
): { channels: ChannelStanding[]; heardBy: ReadonlyMap<string, number> } {
  const { stretch, noise } = newestOfSite(store, window);
  const euis = new Map(allGateways(store).map(({ id, eui }) => [id, eui]));
  const titles = new Map(gateways.map((gateway) => [gateway.eui, titleOf(gateway)]));
  const counts = framesByChannel(store, stretch, heardHours(store, window)).filter(({ node }) =>
    own.has(node),
  );
  const channelsOf = new Map<string, Set<number>>();
  for (const { node, frequencyHz } of counts) {
    const used = channelsOf.get(node);
    if (used === undefined) channelsOf.set(node, new Set([frequencyHz]));
    else used.add(frequencyHz);
  }
  const cells = new Map<number, Map<number, Cell>>();
  const cellOf = (gatewayId: number, frequencyHz: number): Cell => {
    let ofGateway = cells.get(gatewayId);
    if (ofGateway === undefined) {
      ofGateway = new Map();
      cells.set(gatewayId, ofGateway);
    }
    let cell = ofGateway.get(frequencyHz);
    if (cell === undefined) {
      cell = { frames: 0, due: 0, noiseDbm: [] };
      ofGateway.set(frequencyHz, cell);
    }
    return cell;
  };
  const heardBy = new Map<string, number>();
  for (const { gatewayId, frequencyHz, node, frames } of counts) {
    cellOf(gatewayId, frequencyHz).frames += frames;
    const used = channelsOf.get(node) ?? new Set();
    for (const channel of used) cellOf(gatewayId, channel).due += frames / used.size;
    const eui = euis.get(gatewayId) ?? "";
    heardBy.set(eui, (heardBy.get(eui) ?? 0) + frames);
  }
  for (const { gatewayId, frequencyHz, noiseDbm, trust } of noise)
    if (trust === "good") cellOf(gatewayId, frequencyHz).noiseDbm.push(noiseDbm);
  const channels = [...cells].flatMap(([gatewayId, ofGateway]) => {
    const gatewayEui = euis.get(gatewayId) ?? "";
    const gatewayTitle = titles.get(gatewayEui) ?? `Gateway ${gatewayEui}`;
    return [...ofGateway].map(([frequencyHz, cell]) => ({ ...cell, gatewayEui, gatewayTitle, frequencyHz }));
  });
  return { channels, heardBy };
}

const MAX_ATTENTION = 12;
const MAX_FINDINGS = 5;

/** `ownPlans`: as for gatewaysView. `list`: the nodes of the window, where they are at hand. */
export function siteView(
  store: Store,
  window: AskedWindow,
  ownPlans: readonly RegionPlan[] = [],
  list: NodeList = listNodes(store, window),
): SiteView {
  const { gateways, moreGateways } = gatewaysView(store, window, ownPlans);
  const { nodes, ownHeard, strangersHeard } = list;
  const heard = nodes.filter((node) => node.frames > 0);
  const own = heard.filter((node) => !node.stranger);
  const euis = new Map(shownGateways(store, window).shown.map(({ id, eui }) => [id, eui]));
  // A line of the air rests on the sums of its channels alone: the whole view of the air would cost ten times as much.
  const recorded = recordedOf(store, window);
  const channels = sumChannels(store, window, [...euis.keys()]).map((sum) => ({
    ...channelFigures(sum, window, recorded.ranges(window, [sum.gatewayId])),
    gatewayEui: euis.get(sum.gatewayId) ?? "",
  }));
  const sentence = siteSentence(gateways, own, window);
  const attention = needingALook(nodes, MAX_ATTENTION);
  const score = siteScore(store, window, gateways, attention, list.framesOf);
  return {
    window: windowView(window),
    siteName: siteName(store),
    empty: storedSpanUs(store) === null,
    sentence,
    ...siteSummary(store, window, { sentence, gateways, own }),
    gateways,
    moreGateways,
    attention,
    findings: newestFindings(store, window, MAX_FINDINGS),
    nodeCount: ownHeard,
    strangerCount: strangersHeard,
    air: gateways.map(({ eui, name }) => airLine(eui, name, channels, score.noise)),
    score,
  };
}
