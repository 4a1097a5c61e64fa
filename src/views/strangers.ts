/** What does a neighbour's network do to you? Strangers' airtime by network, its growth by week, its cost in collisions. */

import type {
  StrangerCost,
  StrangerGrowth,
  StrangerNetwork,
  StrangersView,
  StrangerWeek,
} from "../contract/others-on-air.ts";
import {
  costWords,
  growthWords,
  LEAST_GROWTH_WEEKS,
  STRANGERS_CAUTION,
  strangersSentence,
} from "../diagnosis/air-sentences.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { rounded } from "../model/rounding.ts";
import { isoTime, type TimeRange, totalUs } from "../model/time-range.ts";
import { type LoadClass, lossToOthers, thinLevels } from "../radio/collisions.ts";
import { expectedSignalPowerDbm } from "../radio/noise.ts";
import { intervalT } from "../statistics/distributions.ts";
import { DAY_US, median } from "../statistics/robust.ts";
import { trendOf } from "../statistics/trend.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import {
  type AddressDay,
  type AirPacket,
  airPackets,
  airtimeByDay,
  hoursThere,
  newestReceptionsFromUs,
} from "../store/queries/air.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { labels } from "../store/queries/lives.ts";
import type { RecordedTime } from "../store/recorded-time.ts";
import { networkOf } from "../wire/lorawan/device-address.ts";
import { shownCollisions } from "./air-gateways.ts";
import { homeNetworksUntil, isStranger } from "./home-networks.ts";
import { type AskedWindow, knownUntilUs, recordedOf, windowView } from "./window.ts";

/** Receptions looked at one by one, as for a fixed window of the air. */
const MAX_PACKETS = 20_000;
/** Receptions that the weeks are summed from, the newest. Chosen: some seconds at most. */
const MAX_RECEPTIONS = 1_000_000;
const MAX_NETWORKS = 50;
const MAX_NODES = 50;
const WEEKS = 12;
/** Gateways of which the one with the longest record is sought: those that heard most of strangers. Chosen. */
const MAX_CANDIDATES = 8;
const MIN_FRAMES = 10;
/** A day counts from so much of it recorded, a week from so many days. Chosen. */
const DAY_SHARE = 0.75;
const WEEK_DAYS = 4;
/** Growth counts below this chance, as every trend here. */
const MAX_P = 0.01;

interface Owner {
  readonly network: string;
  readonly stranger: boolean;
}

export function strangersView(store: Store, window: AskedWindow): StrangersView {
  const untilUs = knownUntilUs(window);
  const nodeNames = labels(store, "node");
  const gatewayNames = labels(store, "gateway");
  const gateways = new Map(
    allGateways(store, untilUs).map(({ id, eui, firstAtUs }) => [
      id,
      { eui, name: gatewayNames.get(eui)?.name ?? null, firstAtUs },
    ]),
  );
  const home = homeNetworksUntil(store, nodeNames, untilUs);
  const owners = new Map<number, Owner>();
  const ownerOf = (devAddr: number): Owner => {
    let owner = owners.get(devAddr);
    if (owner === undefined) {
      const text = formatDevAddr(devAddr);
      owner = { network: networkOf(text), stranger: isStranger(text, nodeNames.get(text), home) };
      owners.set(devAddr, owner);
    }
    return owner;
  };
  const recorded = recordedOf(store, window);
  const stretch = { fromUs: newestReceptionsFromUs(store, window, MAX_PACKETS), toUs: window.toUs };
  const packets = airPackets(store, stretch);
  const growth = growthOf(store, window.toUs, ownerOf, (gatewayId, range) => {
    const firstUs = gateways.get(gatewayId)?.firstAtUs ?? range.toUs;
    // A service counts a gateway as recorded from its own start on, when the gateway came later.
    return dayShares(store, recorded, gatewayId, { ...range, fromUs: Math.max(range.fromUs, firstUs) });
  });
  const networks = networkRows(packets, ownerOf, growth);
  const recordedUs = (gatewayId: number) => {
    const recordedUs = totalUs(recorded.ranges(stretch, [gatewayId]));
    return recordedUs > 0 ? recordedUs : stretch.toUs - stretch.fromUs;
  };
  const nodes = costs(packets, ownerOf, recordedUs).flatMap(({ devAddr, gatewayId, ...row }) => {
    const gateway = gateways.get(gatewayId);
    if (gateway === undefined) return [];
    const text = formatDevAddr(devAddr);
    const cost: Omit<StrangerCost, "words"> = {
      devAddr: text,
      name: nodeNames.get(text)?.name ?? null,
      gatewayEui: gateway.eui,
      gatewayName: gateway.name,
      ...row,
    };
    return [{ ...cost, words: costWords(cost, gateway.name ?? gateway.eui) }];
  });
  const at = growth.gatewayId === null ? undefined : gateways.get(growth.gatewayId);
  return {
    window: windowView(window),
    detail: {
      from: isoTime(stretch.fromUs),
      to: isoTime(stretch.toUs),
      whole: stretch.fromUs === window.fromUs,
      packets: packets.length,
    },
    sentence: strangersSentence(networks, nodes),
    networks: networks.slice(0, MAX_NETWORKS),
    weeksAt: at === undefined ? null : { gatewayEui: at.eui, gatewayName: at.name },
    nodes: nodes.slice(0, MAX_NODES),
    caution: STRANGERS_CAUTION,
  };
}

function networkRows(
  packets: readonly AirPacket[],
  ownerOf: (devAddr: number) => Owner,
  growth: Growth,
): StrangerNetwork[] {
  const seen = new Set<number>();
  const tallies = new Map<string, { nodes: Set<number>; frames: number; airtimeUs: number }>();
  let allUs = 0;
  for (const { frameId, devAddr, airtimeUs } of packets) {
    if (frameId === null || devAddr === null || seen.has(frameId)) continue;
    seen.add(frameId);
    allUs += airtimeUs;
    const { network, stranger } = ownerOf(devAddr);
    if (!stranger) continue;
    const tally = tallies.get(network) ?? { nodes: new Set<number>(), frames: 0, airtimeUs: 0 };
    tallies.set(network, tally);
    tally.nodes.add(devAddr);
    tally.frames += 1;
    tally.airtimeUs += airtimeUs;
  }
  return [...tallies]
    .map(([network, { nodes, frames, airtimeUs }]) => {
      const days = growth.days(network);
      const weeks = weeksOf(days);
      return {
        network,
        nodes: nodes.size,
        frames,
        airtimeSeconds: airtimeUs / 1e6,
        share: allUs === 0 ? 0 : airtimeUs / allUs,
        weeks,
        growth: judgeGrowth(days, weeks),
      };
    })
    .sort((a, b) => b.airtimeSeconds - a.airtimeSeconds || a.network.localeCompare(b.network));
}

// Growth by week, at one gateway.

interface StrangerDay {
  readonly day: number;
  /** Airtime, put up to a whole day. */
  readonly seconds: number;
}

interface Growth {
  readonly gatewayId: number | null;
  /** Days recorded enough, oldest first; those without a packet of the network count as none. */
  readonly days: (network: string) => readonly StrangerDay[];
}

/** Monday of the week of a day; 1 January 1970 was a Thursday. */
function weekOf(day: number): number {
  return day - ((day + 3) % 7);
}

function growthOf(
  store: Store,
  toUs: number,
  ownerOf: (devAddr: number) => Owner,
  sharesOf: (gatewayId: number, range: TimeRange) => Map<number, number>,
): Growth {
  const fromDay = weekOf(Math.floor((toUs - 1) / DAY_US)) - (WEEKS - 1) * 7;
  const asked = { fromUs: fromDay * DAY_US, toUs };
  const range = { fromUs: newestReceptionsFromUs(store, asked, MAX_RECEPTIONS), toUs };
  const rows = airtimeByDay(store, range, (devAddr) => ownerOf(devAddr).stranger);
  const spent = new Map<number, number>();
  for (const { gatewayId, airtimeUs } of rows) spent.set(gatewayId, (spent.get(gatewayId) ?? 0) + airtimeUs);
  const candidates = [...spent]
    .map(([gatewayId, airtimeUs]) => ({ gatewayId, airtimeUs }))
    .sort((a, b) => b.airtimeUs - a.airtimeUs || a.gatewayId - b.gatewayId)
    .slice(0, MAX_CANDIDATES)
    .map((one) => ({ ...one, shares: sharesOf(one.gatewayId, range) }));
  // The longest record first: a gateway that came later cannot show growth.
  candidates.sort((a, b) => b.shares.size - a.shares.size || b.airtimeUs - a.airtimeUs);
  const [best] = candidates;
  if (best === undefined) return { gatewayId: null, days: () => [] };
  const sums = sumsByNetwork(rows, best.gatewayId, ownerOf);
  return {
    gatewayId: best.gatewayId,
    days: (network) =>
      [...best.shares].map(([day, share]) => ({
        day,
        seconds: (sums.get(network)?.get(day) ?? 0) / 1e6 / share,
      })),
  };
}

function sumsByNetwork(rows: readonly AddressDay[], gatewayId: number, ownerOf: (devAddr: number) => Owner) {
  const sums = new Map<string, Map<number, number>>();
  for (const row of rows) {
    if (row.gatewayId !== gatewayId) continue;
    const { network } = ownerOf(row.devAddr);
    const own = sums.get(network) ?? new Map<number, number>();
    sums.set(network, own.set(row.day, (own.get(row.day) ?? 0) + row.airtimeUs));
  }
  return sums;
}

/** How much of each day was recorded of a gateway, days with too little, or in which it was away, left out. */
function dayShares(
  store: Store,
  recorded: RecordedTime,
  gatewayId: number,
  range: TimeRange,
): Map<number, number> {
  const { fromUs, toUs } = range;
  const there = hoursThere(store, gatewayId, range);
  const shares = new Map<number, number>();
  for (let day = Math.floor(fromUs / DAY_US); day * DAY_US < toUs; day += 1) {
    const within = { fromUs: Math.max(fromUs, day * DAY_US), toUs: Math.min(toUs, (day + 1) * DAY_US) };
    const recordedShare = totalUs(recorded.ranges(within, [gatewayId])) / DAY_US;
    const share = there === null ? recordedShare : Math.min(recordedShare, (there.get(day) ?? 0) / 24);
    if (share >= DAY_SHARE) shares.set(day, share);
  }
  return shares;
}

/** Every week from the first to the last, with those that were recorded too little. */
function weeksOf(days: readonly StrangerDay[]): StrangerWeek[] {
  const [first, last] = [days[0], days.at(-1)];
  if (first === undefined || last === undefined) return [];
  const weeks: StrangerWeek[] = [];
  for (let week = weekOf(first.day); week <= last.day; week += 7) {
    const values = days.filter(({ day }) => weekOf(day) === week).map(({ seconds }) => seconds);
    const enough = values.length >= WEEK_DAYS;
    const mean = values.reduce((sum, value) => sum + value, 0) / Math.max(1, values.length);
    const variance =
      values.reduce((sum, value) => sum + (value - mean) ** 2, 0) / Math.max(1, values.length - 1);
    const half = enough ? intervalT(0.95, values.length - 1) * Math.sqrt(variance / values.length) : 0;
    weeks.push({
      from: isoTime(week * DAY_US),
      days: values.length,
      enough,
      secondsPerDay: enough ? rounded(mean, 3) : null,
      interval95: enough ? [rounded(Math.max(0, mean - half), 3), rounded(mean + half, 3)] : null,
    });
  }
  return weeks;
}

function judgeGrowth(days: readonly StrangerDay[], weeks: readonly StrangerWeek[]): StrangerGrowth {
  const counted = new Set(weeks.flatMap(({ from, enough }) => (enough ? [Date.parse(from)] : [])));
  const own = days.filter(({ day }) => counted.has((weekOf(day) * DAY_US) / 1000));
  const trend = trendOf(own.map(({ day, seconds }) => ({ tUs: day * DAY_US, value: seconds })));
  const { slopePerDay, slopeLow, slopeHigh, p, points, effectivePoints } = trend;
  const nothing = { secondsPerDayPerWeek: null, interval95: null, sharePerWeek: null, p: null };
  if (counted.size < LEAST_GROWTH_WEEKS || slopePerDay === null || slopeLow === null || slopeHigh === null) {
    const growth = { verdict: "not enough" as const, ...nothing };
    return { ...growth, words: growthWords(growth, counted.size) };
  }
  const widened = Math.sqrt(points / Math.max(1, effectivePoints ?? points));
  const at = (edge: number) => 7 * (slopePerDay + widened * (edge - slopePerDay));
  const interval95: [number, number] = [rounded(at(slopeLow), 3), rounded(at(slopeHigh), 3)];
  const middle = median(own.map(({ seconds }) => seconds)) ?? 0;
  const counts = (p ?? 1) < MAX_P && (interval95[0] > 0 || interval95[1] < 0);
  const growth = {
    verdict: counts ? (slopePerDay > 0 ? ("grows" as const) : ("shrinks" as const)) : ("steady" as const),
    secondsPerDayPerWeek: rounded(7 * slopePerDay, 3),
    interval95,
    sharePerWeek: middle > 0 ? rounded((7 * slopePerDay) / middle, 3) : null,
    p,
  };
  return { ...growth, words: growthWords(growth, counted.size) };
}

// What strangers cost each own node, at the gateway that hears it most.

interface Traffic {
  /** By channel: classes of data rate and airtime. */
  readonly channels: Map<number, Map<string, LoadClass & { count: number }>>;
  readonly levels: Map<number, number[]>;
  frames: number;
}

function newTraffic(): Traffic {
  return { channels: new Map(), levels: new Map(), frames: 0 };
}

function addPacket(traffic: Traffic, packet: AirPacket): void {
  const { frequencyHz, dataRate, airtimeUs, rssiTenths, snrTenths } = packet;
  if (frequencyHz === null || airtimeUs <= 0) return;
  traffic.frames += 1;
  const classes = traffic.channels.get(frequencyHz) ?? new Map<string, LoadClass & { count: number }>();
  traffic.channels.set(frequencyHz, classes);
  const key = `${dataRate}/${airtimeUs}`;
  const known = classes.get(key);
  if (known !== undefined) known.count += 1;
  else {
    const modulation = modulationFromCodes(dataRate, 0);
    const isLora = modulation.kind === "lora";
    classes.set(key, {
      dataRate,
      spreadingFactor: isLora ? modulation.spreadingFactor : null,
      bandwidthHz: isLora ? modulation.bandwidthHz : 0,
      airtimeUs,
      count: 1,
    });
  }
  if (rssiTenths === null) return;
  const levels = traffic.levels.get(dataRate) ?? [];
  traffic.levels.set(dataRate, levels);
  const rssiDbm = rssiTenths / 10;
  levels.push(snrTenths === null ? rssiDbm : expectedSignalPowerDbm(rssiDbm, snrTenths / 10));
}

function costs(
  packets: readonly AirPacket[],
  ownerOf: (devAddr: number) => Owner,
  recordedUs: (gatewayId: number) => number,
) {
  const own = new Map<number, Map<number, Traffic>>();
  const foreign = new Map<number, Map<string, Traffic>>();
  for (const packet of packets) {
    const { gatewayId, devAddr } = packet;
    if (devAddr === null) continue;
    const { network, stranger } = ownerOf(devAddr);
    if (stranger)
      addPacket(
        entry(
          entry(foreign, gatewayId, () => new Map()),
          network,
          newTraffic,
        ),
        packet,
      );
    else
      addPacket(
        entry(
          entry(own, devAddr, () => new Map()),
          gatewayId,
          newTraffic,
        ),
        packet,
      );
  }
  const rows = [...own].flatMap(([devAddr, byGateway]) => {
    const [best] = [...byGateway].sort((a, b) => b[1].frames - a[1].frames || a[0] - b[0]);
    if (best === undefined || best[1].frames < MIN_FRAMES) return [];
    const [gatewayId, traffic] = best;
    const there = foreign.get(gatewayId) ?? new Map<string, Traffic>();
    const windowUs = Math.max(1, recordedUs(gatewayId));
    const alone = [...there]
      .map(([network, one]) => ({ network, share: lossOf(traffic, [one], windowUs).aloha }))
      .filter(({ share }) => share > 0)
      .sort((a, b) => b.share - a.share || a.network.localeCompare(b.network));
    return [
      {
        devAddr,
        gatewayId,
        frames: traffic.frames,
        collisions: shownCollisions(lossOf(traffic, [...there.values()], windowUs)),
        worstNetwork: alone[0]?.network ?? null,
        worstShare: alone[0] === undefined ? null : Math.round(alone[0].share * 1e5) / 1e5,
      },
    ];
  });
  return rows.sort((a, b) => b.collisions.aloha - a.collisions.aloha || a.devAddr - b.devAddr);
}

/** Over all channels of the node, each by the frames that it sent there. */
function lossOf(own: Traffic, others: readonly Traffic[], windowUs: number) {
  const together = new Map<number, number[]>();
  for (const { levels } of others)
    for (const [dataRate, list] of levels) entry(together, dataRate, (): number[] => []).push(...list);
  const levels = { own: thinLevels(own.levels), others: thinLevels(together) };
  const shares = [...own.channels].map(([frequencyHz, classes]) => {
    const foreign = others.flatMap(({ channels }) => [...(channels.get(frequencyHz)?.values() ?? [])]);
    const list = [...classes.values()];
    const frames = list.reduce((sum, { count }) => sum + count, 0);
    return { frames, ...lossToOthers(list, foreign, levels, windowUs) };
  });
  const total = shares.reduce((sum, { frames }) => sum + frames, 0);
  const mean = (of: (one: (typeof shares)[number]) => number | null) =>
    shares.reduce<number | null>((sum, one) => {
      const share = of(one);
      return sum === null || share === null ? null : sum + (share * one.frames) / Math.max(1, total);
    }, 0);
  return {
    aloha: mean(({ aloha }) => aloha) ?? 0,
    captureTheory: mean(({ captureTheory }) => captureTheory),
    captureMeasured: mean(({ captureMeasured }) => captureMeasured),
  };
}

function entry<K, V>(map: Map<K, V>, key: K, make: () => V): V {
  const known = map.get(key);
  if (known !== undefined) return known;
  const made = make();
  map.set(key, made);
  return made;
}
