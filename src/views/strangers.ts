/** What does a neighbour's network do to you? Strangers' airtime by network, its growth by week, its cost in collisions. */
import type { StrangerCost, StrangerNetwork, StrangersView } from "../contract/others-on-air.ts";
import { costWords, STRANGERS_CAUTION, strangersSentence } from "../diagnosis/others-sentences.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { isoTime, totalUs } from "../model/time-range.ts";
import { type LoadClass, lossToOthers, thinLevels } from "../radio/collisions.ts";
import { expectedSignalPowerDbm } from "../radio/noise.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import { heardHours } from "../store/hours/heard-hours.ts";
import type { Store } from "../store/open.ts";
import { type AirPacket, airPackets, newestReceptionsFromUs } from "../store/queries/air.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { labels } from "../store/queries/lives.ts";
import { networkOf } from "../wire/lorawan/device-address.ts";
import { shownCollisions } from "./air-gateways.ts";
import { homeNetworksUntil, isStranger } from "./home-networks.ts";
import { dayShares, type Growth, growthOf, judgeGrowth, type Owner, weeksOf } from "./stranger-growth.ts";
import { type AskedWindow, knownUntilUs, recordedOf, windowView } from "./window.ts";

/** Receptions looked at one by one, as for a fixed window of the air. */
const MAX_PACKETS = 20_000;
const MAX_NETWORKS = 50;
const MAX_NODES = 50;
const MIN_FRAMES = 10;

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
  const packets = airPackets(store, stretch, heardHours(store, window));
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
