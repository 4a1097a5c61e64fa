/** The page of one node: its counters one by one, its signal at every gateway, its lives and gaps. */

import type { CounterTick, NodeGatewayRow, NodePage, SignalSeries } from "../contract/index.ts";
import { nodeSentence } from "../diagnosis/sentences.ts";
import { formatDevAddr, parseDevAddr } from "../model/identifiers.ts";
import { fromTenths } from "../model/rounding.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { wilsonInterval } from "../statistics/proportions.ts";
import { seriesOfFrames } from "../store/hours/read-frames.ts";
import { keysOfAddress } from "../store/keys.ts";
import type { Store } from "../store/open.ts";
import {
  framesOfLife,
  type HeardFrame,
  keyCounts,
  type LifeReception,
  receptionsOfLife,
} from "../store/queries/frames.ts";
import { allGateways, type GatewayRecord } from "../store/queries/gateways.ts";
import { labels, lifeSpans, livesOf, livesOfDevice } from "../store/queries/lives.ts";
import { sharesByLife, withWhy } from "./gap-why.ts";
import { linkRows } from "./link.ts";
import { linkFramesOf, linkStory, nodeAnswers } from "./node-answers.ts";
import { firstHearings, type Loss, lossOf, missedCounters, type Unheard } from "./node-figures.ts";
import { levelsOf, marginDb, spreadingFactorOf } from "./node-levels.ts";
import { nodeContext, nodeRow } from "./node-row.ts";
import { unheardAt } from "./reachability.ts";
import { placesOf, regionPowers } from "./user-data.ts";
import { type AskedWindow, knownUntilUs, windowView } from "./window.ts";

const MAX_TICKS = 2_000;
const MAX_GAPS = 100;

/** null when there is no such life. A life without a frame in the window has an empty page. */
export function nodePage(store: Store, window: AskedWindow, devAddr: string, life: number): NodePage | null {
  const record = livesOf(store, parseDevAddr(devAddr)).find((one) => one.number === life);
  if (record === undefined) return null;
  const frames = framesOfLife(store, record.id, window);
  const series = seriesOfFrames(frames);
  const receptions = receptionsOfLife(store, record.id, window);
  // Who is a stranger depends on who else was heard.
  const context = nodeContext(store, window, lifeSpans(store, knownUntilUs(window)));
  const gateways = allGateways(store);
  const names = labels(store, "gateway");
  const nameOf = (eui: string) => names.get(eui)?.name ?? null;
  const heardBy = gateways.filter(({ id }) => receptions.some((one) => one.gatewayId === id));
  const euis = heardBy.map(({ eui }) => eui);
  const heard = nodeRow(record, series, euis, context);
  const row = withWhy(heard, sharesByLife(store, window));
  const unheard = context.unheardBy(euis);
  const loss = lossOf(series, unheard);
  const linkFrames = linkFramesOf(store, record, window);
  const { ticks, cut } = ticksOf(frames, loss, unheard, heardBy.length);
  return {
    window: windowView(window),
    sentence: nodeSentence(row, loss.gaps.length),
    row,
    ticks,
    ticksCut: cut,
    series: signalSeries(heardBy, nameOf, receptions, window),
    links: linkRows(store, {
      lifeId: record.id,
      devAddr: formatDevAddr(record.devAddr),
      places: placesOf(store),
      powerOf: regionPowers(store, window, []),
      window,
      frames,
      gaps: loss.gaps,
      gateways: heardBy,
      nameOf,
      unheardAt: (id) => unheardAt(context.reaches, id),
    }),
    gateways: heardBy.map((gateway) =>
      nodeGatewayRow(gateway, nameOf(gateway.eui), receptions, loss.expected),
    ),
    lives: livesOf(store, record.devAddr).map((one) => ({
      life: one.number,
      begunBy: one.begunBy,
      reason: one.reason,
      firstHeard: isoTime(one.firstAtUs),
      lastHeard: isoTime(one.lastAtUs),
      firstCounter: one.firstCounter,
      lastCounter: one.lastCounter,
      heard: one.heard,
      devEui: one.devEui,
      proof: one.proof,
    })),
    gaps: [...loss.gaps]
      .sort((a, b) => b.missed - a.missed || b.fromUs - a.fromUs)
      .slice(0, MAX_GAPS)
      .map(({ fromUs, toUs, firstCounter, missed, missedDuringOutage, missedNotRecorded }) => ({
        from: isoTime(fromUs),
        to: isoTime(toUs),
        firstCounter,
        missed,
        missedDuringOutage,
        missedNotRecorded,
      })),
    ...linkStory(linkFrames),
    keys: { held: keysOfAddress(store, record.devAddr).length > 0, ...keyCounts(store, record.id, window) },
    answers: nodeAnswers(store, record, window, linkFrames.frames),
    ownSaid: saidOf(labels(store, "node").get(devAddr)?.own),
    deviceLives: livesOfDevice(store, record).map((one) => ({
      devAddr: formatDevAddr(one.devAddr),
      life: one.number,
      firstHeard: isoTime(one.firstAtUs),
      lastHeard: isoTime(one.lastAtUs),
      proof: one.proof,
    })),
  };
}

function saidOf(own: number | null | undefined): boolean | null {
  return own == null ? null : own === 1;
}

function ticksOf(
  frames: readonly HeardFrame[],
  { gaps, isPeriodic }: Pick<Loss, "gaps" | "isPeriodic">,
  unheard: Unheard,
  gatewayCount: number,
): { ticks: CounterTick[]; cut: boolean } {
  const repeats = new Map<number, number>();
  const gatewaysOf = new Map<number, number>();
  for (const { counter, repeat, gatewayIds } of frames) {
    if (repeat === 1) repeats.set(counter, (repeats.get(counter) ?? 0) + 1);
    gatewaysOf.set(counter, Math.max(gatewaysOf.get(counter) ?? 0, gatewayIds.length));
  }
  const ticks: CounterTick[] = firstHearings(frames).map(({ counter, atUs, id }) => ({
    counter,
    atMs: atUs / 1000,
    fate: (gatewaysOf.get(counter) ?? 0) < gatewayCount ? "heard-by-some" : "heard",
    repeats: repeats.get(counter) ?? 0,
    frameId: id,
  }));
  for (const gap of gaps) {
    // Only the newest ticks are shown: of a huge gap no more than these are made.
    const skip = Math.max(0, gap.missed - MAX_TICKS);
    for (const { counter, atUs, fate } of missedCounters(gap, unheard, isPeriodic)) {
      if (counter - gap.firstCounter < skip) continue;
      ticks.push({ counter, atMs: atUs / 1000, fate, repeats: 0, frameId: null });
    }
  }
  ticks.sort((a, b) => a.counter - b.counter);
  return { ticks: ticks.slice(-MAX_TICKS), cut: ticks.length > MAX_TICKS };
}

/** Heard by this gateway, of the counters expected at the site. */
export function nodeGatewayRow(
  gateway: GatewayRecord,
  name: string | null,
  receptions: readonly LifeReception[],
  expected: number,
): NodeGatewayRow {
  const own = receptions.filter(({ gatewayId }) => gatewayId === gateway.id);
  const heard = new Set(own.map(({ counter }) => counter)).size;
  const interval = expected < 2 ? null : wilsonInterval(heard, expected);
  return {
    gatewayEui: gateway.eui,
    gatewayName: name,
    heard,
    deliveryRatio: interval === null ? null : interval.ratio,
    deliveryInterval95: interval === null ? null : [interval.low, interval.high],
    ...levelsOf(own),
  };
}

// A node's signal at a gateway over time, as far as a drawing can show it: of a long window each stretch is drawn by its
// weakest, middle and strongest reception, which keep their own times and say for how many they stand.

/** Points of all gateways together. Chosen: some for each pixel of a wide screen, and 40 kB as sent. */
const MAX_POINTS = 4_000;
const POINTS_A_STRETCH = 3;
/** Of one gateway no fewer than these, however many hear the node. */
const MIN_STRETCHES = 60;

/** One series for each gateway that heard it; `receptions` in order of time. */
export function signalSeries(
  gateways: readonly GatewayRecord[],
  nameOf: (eui: string) => string | null,
  receptions: readonly LifeReception[],
  window: TimeRange,
): SignalSeries[] {
  const stretches = Math.max(
    MIN_STRETCHES,
    Math.floor(MAX_POINTS / POINTS_A_STRETCH / Math.max(1, gateways.length)),
  );
  const isCut = receptions.length > MAX_POINTS;
  return gateways.map(({ id, eui }) => {
    const own = receptions.filter(({ gatewayId }) => gatewayId === id);
    const points = isCut ? thinned(own, window, stretches) : own.map((one) => ({ one, count: 1 }));
    return {
      gatewayEui: eui,
      gatewayName: nameOf(eui),
      atMs: points.map(({ one }) => one.atUs / 1000),
      rssiDbm: points.map(({ one }) => fromTenths(one.rssiTenths)),
      snrDb: points.map(({ one }) => fromTenths(one.snrTenths)),
      spreadingFactor: points.map(({ one }) => spreadingFactorOf(one.dataRate)),
      marginDb: points.map(({ one }) => marginDb(one.snrTenths, one.dataRate)),
      receptions: points.map(({ count }) => count),
    };
  });
}

interface Point {
  readonly one: LifeReception;
  /** Receptions that it stands for. */
  readonly count: number;
}

function thinned(own: readonly LifeReception[], { fromUs, toUs }: TimeRange, stretches: number): Point[] {
  const stretchUs = (toUs - fromUs) / stretches;
  const points: Point[] = [];
  for (let from = 0; from < own.length; ) {
    const stretch = Math.floor(((own[from]?.atUs ?? 0) - fromUs) / stretchUs);
    let to = from + 1;
    while (to < own.length && Math.floor(((own[to]?.atUs ?? 0) - fromUs) / stretchUs) === stretch) to += 1;
    points.push(...drawn(own.slice(from, to)));
    from = to;
  }
  return points;
}

/** The weakest, the middle and the strongest, in order of time; all of three or fewer. */
function drawn(stretch: readonly LifeReception[]): Point[] {
  const n = stretch.length;
  if (n <= POINTS_A_STRETCH) return stretch.map((one) => ({ one, count: 1 }));
  const byLevel = [...stretch].sort(
    (a, b) => level(a.snrTenths) - level(b.snrTenths) || level(a.rssiTenths) - level(b.rssiTenths),
  );
  const chosen = [byLevel[0], byLevel[n >> 1], byLevel[n - 1]].flatMap((one) => one ?? []);
  const each = Math.floor(n / POINTS_A_STRETCH);
  return chosen
    .map((one, i) => ({ one, count: i === 1 ? n - 2 * each : each }))
    .sort((a, b) => a.one.atUs - b.one.atUs);
}

/** What was not reported comes first. */
function level(tenths: number | null): number {
  return tenths ?? Number.NEGATIVE_INFINITY;
}
