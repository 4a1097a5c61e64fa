/** The list of nodes: what each was heard to send in the window, what it lost, and how it stands. */
import type { NodeRow, NodesView, Sentence } from "../contract/index.ts";
import { nodesSentence } from "../diagnosis/sentences.ts";
import { countDevices, type StandingWord } from "../diagnosis/status.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { FrameSeries } from "../store/hours/frame-series.ts";
import { frameCountsByLife, framesByLife } from "../store/hours/read-frames.ts";
import type { Store } from "../store/open.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { type LifeSpan, lifeSpans } from "../store/queries/lives.ts";
import { sharesByLife, withWhy } from "./gap-why.ts";
import { type HomeNetworks, isStranger } from "./home-networks.ts";
import { type SuspectedFall, suspectedFall } from "./node-fall.ts";
import { nodeContext, nodeRow, silentRows } from "./node-row.ts";
import { type AskedWindow, knownUntilUs, windowView } from "./window.ts";

/** Lives that are listed at most. Chosen: more than a site has, few enough to be worked out and read. */
export const MAX_NODES_SHOWN = 500;

export interface NodeList {
  readonly nodes: readonly NodeRow[];
  /** Devices heard in the window of which no life is listed. */
  readonly more: number;
  /** Devices heard in the window, listed or not: of one's own, and of strangers. */
  readonly ownHeard: number;
  readonly strangersHeard: number;
  readonly sentence: Sentence;
  readonly home: HomeNetworks;
  /** Frames of the listed lives, by row id. */
  readonly framesOf: ReadonlyMap<number, FrameSeries>;
}

export function nodesView(store: Store, window: AskedWindow): NodesView {
  return nodesViewOf(window, listNodes(store, window));
}

/** The same of a list that is at hand. */
export function nodesViewOf(window: AskedWindow, { nodes, more, sentence, home }: NodeList): NodesView {
  return {
    window: windowView(window),
    sentence: [...sentence],
    homeNetworks: [...home.networks],
    homeAssumed: home.assumed,
    nodes: [...nodes],
    moreNodes: more,
  };
}

/** A life heard in the window, with what decides whether it is listed. */
interface HeardLife {
  readonly life: LifeSpan;
  readonly frames: number;
  readonly stranger: boolean;
  readonly named: boolean;
}

/** The rows of the nodes heard, and of those silent since before a live window. */
export function listNodes(store: Store, window: AskedWindow, most = MAX_NODES_SHOWN): NodeList {
  const lives = lifeSpans(store, knownUntilUs(window));
  const context = nodeContext(store, window, lives);
  const { names, home } = context;
  let near = 0;
  for (const { firstAtUs, lastAtUs } of lives.values())
    if (lastAtUs >= window.fromUs && firstAtUs < window.toUs) near += 1;
  // Of a crowd only the frames of the listed are read; the counts decide who is listed.
  const all = near > most ? null : framesByLife(store, window);
  const counts =
    all === null
      ? frameCountsByLife(store, window)
      : new Map([...all].map(([id, { length }]) => [id, length]));
  const heard = [...counts].flatMap(([lifeId, frames]): HeardLife[] => {
    const life = lives.get(lifeId);
    if (life === undefined) return [];
    const devAddr = formatDevAddr(life.devAddr);
    return [
      { life, frames, stranger: isStranger(devAddr, names.get(devAddr), home), named: names.has(devAddr) },
    ];
  });
  const listed = heard.length <= most ? heard : heard.sort(knownFirst).slice(0, most);
  const framesOf = all ?? framesByLife(store, window, new Set(listed.map(({ life }) => life.id)));
  const gateways = allGateways(store, knownUntilUs(window));
  const order = new Map(gateways.map(({ id }, i) => [id, i]));
  const { judged, unjudged } = fallsToJudge(listed, framesOf);
  const nodes = listed.map(({ life }) => {
    const own = framesOf.get(life.id) ?? new FrameSeries();
    const places = [...own.gatewayIds].flatMap((id) => order.get(id) ?? []).sort((a, b) => a - b);
    const heardBy = places.flatMap((place) => gateways[place]?.eui ?? []);
    return nodeRow(life, own, heardBy, context, judged.get(life.id) ?? null);
  });
  const devices = (of: readonly HeardLife[]) => countDevices(of.map(({ life }) => life));
  const ownHeard = devices(heard.filter(({ stranger }) => !stranger));
  const more = devices(heard) - devices(listed);
  // Made of what was heard; who has fallen silent says so in a line of its own.
  const sentence = nodesSentence(nodes, home.assumed, window, { more, unjudgedFalls: unjudged });
  const silent = silentRows(store, lives.values(), new Set(counts.keys()), context, most);
  nodes.push(...silent);
  nodes.sort(byAddressAndLife);
  const shares = sharesByLife(store, window);
  return {
    nodes: nodes.map((row) => withWhy(row, shares)),
    more,
    ownHeard,
    strangersHeard: devices(heard.filter(({ stranger }) => stranger)),
    sentence,
    home,
    framesOf,
  };
}

/**
 * Falls of levels that are judged in one list: of one's own nodes first, those that went down most. Chosen: when more fall at once it is a gateway
 * or the air, which is shown elsewhere, and each costs some milliseconds.
 */
export const MAX_FALLS_JUDGED = 24;

function fallsToJudge(
  listed: readonly HeardLife[],
  framesOf: ReadonlyMap<number, FrameSeries>,
): { readonly judged: ReadonlyMap<number, SuspectedFall>; readonly unjudged: number } {
  const suspected = listed.flatMap(({ life, stranger }) => {
    const frames = framesOf.get(life.id);
    const fall = frames === undefined ? null : suspectedFall(frames);
    return fall === null ? [] : [{ lifeId: life.id, stranger, fall }];
  });
  suspected.sort((a, b) => Number(a.stranger) - Number(b.stranger) || b.fall.dropDb - a.fall.dropDb);
  return {
    judged: new Map(suspected.slice(0, MAX_FALLS_JUDGED).map(({ lifeId, fall }) => [lifeId, fall])),
    unjudged: Math.max(0, suspected.length - MAX_FALLS_JUDGED),
  };
}

/** A stranger can invent addresses without end: what a person knows comes first, then what was heard most. */
function knownFirst(a: HeardLife, b: HeardLife): number {
  return (
    Number(b.named) - Number(a.named) ||
    Number(a.stranger) - Number(b.stranger) ||
    b.frames - a.frames ||
    a.life.devAddr - b.life.devAddr ||
    a.life.number - b.life.number
  );
}

function byAddressAndLife(a: NodeRow, b: NodeRow): number {
  return a.devAddr.localeCompare(b.devAddr) || a.life - b.life;
}

const WORST_FIRST: readonly StandingWord[] = ["bad", "look", "waiting", "good"];

/** Own nodes that need a look, the worst first. */
export function needingALook(nodes: readonly NodeRow[], most: number): NodeRow[] {
  const lossOnAir = (row: NodeRow) =>
    row.expected === 0 ? 0 : (row.missed - row.missedDuringOutage - row.missedNotRecorded) / row.expected;
  return nodes
    .filter((row) => !row.stranger && (row.standing === "bad" || row.standing === "look"))
    .sort(
      (a, b) =>
        WORST_FIRST.indexOf(a.standing) - WORST_FIRST.indexOf(b.standing) ||
        lossOnAir(b) - lossOnAir(a) ||
        a.devAddr.localeCompare(b.devAddr),
    )
    .slice(0, most);
}
