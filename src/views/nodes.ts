/** The list of nodes: what each was heard to send in the window, what it lost, and how it stands. */
import type { NodeRow, NodesView, Sentence, Trend } from "../contract/index.ts";
import { nodesSentence } from "../diagnosis/sentences.ts";
import { judgeNode, RECOUNTING, type StandingWord } from "../diagnosis/status.ts";
import { groupBy } from "../model/group-by.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { describeModulation } from "../model/modulation.ts";
import { isoTime, subtract, type TimeRange, totalUs } from "../model/time-range.ts";
import { trendOf } from "../statistics/trend.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { frameCounts, framesInWindow, framesOfLives, type HeardFrame } from "../store/queries/frames.ts";
import { allGateways } from "../store/queries/gateways.ts";
import {
  addressesToRecount,
  type LabelRecord,
  type LifeSpan,
  labels,
  lifeSpans,
} from "../store/queries/lives.ts";
import { type RecordedTime, readRecordedTime } from "../store/recorded-time.ts";
import { networkOf } from "../wire/lorawan/device-address.ts";
import { sharesByLife, withWhy } from "./gap-why.ts";
import { type HomeNetworks, homeNetworksUntil, isStranger } from "./home-networks.ts";
import { type Loss, levelsOf, lossOf, stripOf } from "./node-figures.ts";
import { type Reach, reachOf, siteNotRecorded, siteOutages } from "./reachability.ts";
import { cutGateways } from "./shown-gateways.ts";
import { silentRows } from "./silent-nodes.ts";
import { type AskedWindow, knownEndUs, knownUntilUs, windowView } from "./window.ts";

const STRIP_BINS = 60;
/** A node is overdue after this many of its intervals without a frame, and no sooner than a minute. Common practice, no source. */
export const OVERDUE_RHYTHMS = 5;
/** and no sooner than so many of its longest usual intervals. Chosen: one frame lost, and some jitter. */
const OVERDUE_SLOWEST = 2.5;
export const OVERDUE_LEAST_US = 60_000_000;

/** What all rows of one answer share. */
export interface NodeContext {
  readonly window: AskedWindow;
  /** What is known ends here: now when live, else the end of what is stored. */
  readonly endUs: number;
  readonly outages: readonly TimeRange[];
  readonly notRecorded: readonly TimeRange[];
  readonly recorded: RecordedTime;
  readonly reaches: readonly Reach[];
  readonly names: ReadonlyMap<string, LabelRecord>;
  readonly home: HomeNetworks;
  /** Addresses whose counters are being counted again: their figures may still change. */
  readonly recounting: ReadonlySet<number>;
  /** Lives that a later life of their address took the place of: they are over, not overdue. */
  readonly over: ReadonlySet<number>;
}

/** Lives that are listed at most. Chosen: more than a site has, few enough to be worked out and read. */
export const MAX_NODES_SHOWN = 500;

export interface NodeList {
  readonly nodes: readonly NodeRow[];
  /** Lives heard in the window that are not listed. */
  readonly more: number;
  /** Lives heard in the window, listed or not: of one's own, and of strangers. */
  readonly ownHeard: number;
  readonly strangersHeard: number;
  readonly sentence: Sentence;
  readonly home: HomeNetworks;
}

export function nodesView(store: Store, window: AskedWindow): NodesView {
  const { nodes, more, sentence, home } = listNodes(store, window);
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
  // Of a crowd only the frames of the listed are read; who is listed is told by the counts.
  const all = near > most ? null : byLife(framesInWindow(store, window));
  const counts =
    all === null ? frameCounts(store, window) : new Map([...all].map(([id, { length }]) => [id, length]));
  const heard = [...counts].flatMap(([lifeId, frames]): HeardLife[] => {
    const life = lives.get(lifeId);
    if (life === undefined) return [];
    const devAddr = formatDevAddr(life.devAddr);
    return [
      { life, frames, stranger: isStranger(devAddr, names.get(devAddr), home), named: names.has(devAddr) },
    ];
  });
  const listed = heard.length <= most ? heard : heard.sort(knownFirst).slice(0, most);
  const framesOf =
    all ??
    byLife(
      framesOfLives(
        store,
        listed.map(({ life }) => life.id),
        window,
      ),
    );
  const gateways = allGateways(store, knownUntilUs(window));
  const order = new Map(gateways.map(({ id }, i) => [id, i]));
  const nodes = listed.map(({ life }) => {
    const own = framesOf.get(life.id) ?? [];
    const ids = new Set<number>();
    for (const { gatewayIds } of own) for (const id of gatewayIds) ids.add(id);
    const places = [...ids].flatMap((id) => order.get(id) ?? []).sort((a, b) => a - b);
    const heardBy = places.flatMap((place) => gateways[place]?.eui ?? []);
    return nodeRow(life, own, heardBy, context);
  });
  const ownHeard = heard.reduce((sum, { stranger }) => sum + Number(!stranger), 0);
  const more = heard.length - nodes.length;
  // Made of what was heard; who has fallen silent says so in a line of its own.
  const sentence = nodesSentence(nodes, home.assumed, window, more);
  const silent = silentRows(store, lives.values(), new Set(counts.keys()), context, most);
  nodes.push(...silent);
  nodes.sort(byAddressAndLife);
  const shares = sharesByLife(store, window);
  return {
    nodes: nodes.map((row) => withWhy(row, shares)),
    more,
    ownHeard,
    strangersHeard: heard.length - ownHeard,
    sentence,
    home,
  };
}

function byLife(frames: readonly HeardFrame[]): ReadonlyMap<number, readonly HeardFrame[]> {
  return groupBy(frames, ({ lifeId }) => lifeId);
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

export function nodeContext(
  store: Store,
  window: AskedWindow,
  lives: ReadonlyMap<number, LifeSpan>,
): NodeContext {
  const untilUs = knownUntilUs(window);
  const endUs = knownEndUs(store, window);
  const recorded = readRecordedTime(store, { untilUs });
  const { shown } = cutGateways(store, allGateways(store, untilUs));
  const reaches = shown.map((gateway) => reachOf(store, gateway, window, endUs, recorded));
  const names = labels(store, "node");
  const home = homeNetworksUntil(store, names, untilUs);
  return {
    window,
    endUs,
    outages: siteOutages(reaches, window),
    notRecorded: siteNotRecorded(reaches, window),
    recorded,
    reaches,
    names,
    home,
    over: livesOver(lives, endUs),
    recounting: addressesToRecount(store),
  };
}

/** A second device beside the first ends nothing; a reset or a join before `endUs` does. */
function livesOver(lives: ReadonlyMap<number, LifeSpan>, endUs: number): Set<number> {
  const newest = new Map<number, LifeSpan>();
  for (const life of lives.values()) {
    if (life.isBeside || life.firstAtUs > endUs) continue;
    const known = newest.get(life.devAddr);
    if (known === undefined || life.firstAtUs > known.firstAtUs) newest.set(life.devAddr, life);
  }
  const over = new Set<number>();
  for (const life of lives.values()) {
    const last = newest.get(life.devAddr);
    if (last !== undefined && last.id !== life.id && last.firstAtUs > life.lastAtUs) over.add(life.id);
  }
  return over;
}

export function nodeRow(
  life: Pick<LifeSpan, "id" | "devAddr" | "number" | "lastAtUs">,
  frames: readonly HeardFrame[],
  gateways: readonly string[],
  context: NodeContext,
): NodeRow {
  const { window, names, home } = context;
  const devAddr = formatDevAddr(life.devAddr);
  const label = names.get(devAddr);
  const loss = lossOf(frames, context);
  const levels = levelsOf(frames);
  const firstUs = frames[0]?.atUs ?? life.lastAtUs;
  const lastUs = frames.at(-1)?.atUs ?? life.lastAtUs;
  const silentUs = recordedSilenceUs(lastUs, gateways, context);
  const overdue = !context.over.has(life.id) && isOverdue(loss, silentUs);
  const judgement = judgeNode({
    ...loss,
    marginMedianDb: levels.marginDb.median,
    overdue,
    silentForSeconds: silentUs / 1e6,
    rhythmSeconds: loss.rhythmUs === null ? null : loss.rhythmUs / 1e6,
  });
  return {
    devAddr,
    life: life.number,
    name: label?.name ?? null,
    network: networkOf(devAddr),
    stranger: isStranger(devAddr, label, home),
    heard: loss.heard,
    expected: loss.expected,
    missed: loss.missed,
    missedDuringOutage: loss.missedDuringOutage,
    missedNotRecorded: loss.missedNotRecorded,
    deliveryRatio: loss.deliveryRatio,
    deliveryInterval95: loss.deliveryInterval95,
    frames: frames.length,
    receptions: frames.reduce((sum, frame) => sum + frame.receptions, 0),
    repeats: frames.reduce((sum, frame) => sum + frame.repeat, 0),
    ...levels,
    snrTrend: snrTrend(frames),
    rhythmSeconds: loss.rhythmUs === null ? null : Math.round(loss.rhythmUs / 1e3) / 1e3,
    airtimeSeconds: frames.reduce((sum, frame) => sum + frame.airtimeUs, 0) / 1e6,
    dataRates: dataRatesOf(frames),
    gateways: [...gateways],
    firstHeard: isoTime(firstUs),
    lastHeard: isoTime(lastUs),
    overdue,
    ...(context.recounting.has(life.devAddr) ? { ...RECOUNTING, recounting: true } : judgement),
    strip: stripOf(frames, loss, context, window, STRIP_BINS),
  };
}

/** A silence longer than the node's rhythm allows, at the end of what is known. Never a loss: see the README. */
function isOverdue(loss: Loss, silentUs: number): boolean {
  if (loss.rhythmUs === null || loss.heard < 3) return false;
  const { rhythmUs, slowestUs } = loss;
  return (
    silentUs > Math.max(OVERDUE_LEAST_US, OVERDUE_RHYTHMS * rhythmUs, OVERDUE_SLOWEST * (slowestUs ?? 0))
  );
}

/**
 * For how long the gateways that heard a node (EUIs) were recorded and in reach since a moment. In any other time it
 * may well have sent.
 */
export function recordedSilenceUs(
  sinceUs: number,
  gateways: readonly string[],
  { endUs, outages, recorded, reaches }: NodeContext,
): number {
  if (sinceUs >= endUs) return 0;
  const ids = reaches
    .filter(({ gateway }) => gateways.includes(gateway.eui))
    .map(({ gateway }) => gateway.id);
  return totalUs(subtract(recorded.ranges({ fromUs: sinceUs, toUs: endUs }, ids), outages));
}

/** Trend of the best SNR of each frame; its words say "not enough" where that is so. */
function snrTrend(frames: readonly HeardFrame[]): Trend {
  const points = frames.flatMap(({ atUs, snrTenths }) =>
    snrTenths === null ? [] : [{ tUs: atUs, value: snrTenths / 10 }],
  );
  const { slopePerDay, p, spanDays, significant, reason } = trendOf(points);
  const change = slopePerDay === null ? null : slopePerDay * spanDays;
  return { slopePerDay, change, p, significant, words: reason };
}

function dataRatesOf(frames: readonly HeardFrame[]): { name: string; frames: number }[] {
  const counts = new Map<number, number>();
  for (const { dataRate } of frames) counts.set(dataRate, (counts.get(dataRate) ?? 0) + 1);
  return [...counts]
    .sort((a, b) => b[1] - a[1])
    .map(([code, count]) => ({ name: describeModulation(modulationFromCodes(code, 0)), frames: count }));
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
