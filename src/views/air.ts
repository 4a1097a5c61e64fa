/**
 * The air: how long each channel was busy at each gateway, what was broken, how loud the noise is, who talked, and
 * whether anyone talks too much. Sums and maps come from roll-ups, whatever the window; what they do not hold rests on
 * the newest packets, one by one (air-evidence.ts), and the answer says since when.
 */
import type { AirGateway, AirMap, AirView, ChannelRow } from "../contract/index.ts";
import { airSentence, noiseWords } from "../diagnosis/air-sentences.ts";

import { groupBy } from "../model/group-by.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { rounded } from "../model/rounding.ts";
import { isoTime, subtract, type TimeRange, totalUs } from "../model/time-range.ts";
import { type CollisionExpectation, channelCollisions, thinLevels } from "../radio/collisions.ts";
import { NOISE_TREND_RULE, type NoiseTrend, noiseFloorOf } from "../radio/noise.ts";
import { loudNoise } from "../radio/noise-pulse.ts";
import { peakHour } from "../radio/occupancy.ts";
import { recogniseRegion } from "../radio/regions/recognise-region.ts";
import { type RegionPlan, regionPlan } from "../radio/regions/region-plan.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { downlinksOf, reportedTransmissions } from "../store/queries/air.ts";
import { channelCells } from "../store/queries/channels.ts";
import { allGateways, type GatewayRecord } from "../store/queries/gateways.ts";
import { labels, storedSpanUs } from "../store/queries/lives.ts";
import { networkOf } from "../wire/lorawan/device-address.ts";
import { airtimeRows, limitTables, type NodeSent } from "./air-airtime.ts";
import { airEvidence, type ChannelEvidence, type GatewayEvidence } from "./air-evidence.ts";
import { airGateway, collisionsOf, dataRateRows, networkRows, shownCollisions } from "./air-gateways.ts";
import {
  airMap,
  type ChannelSum,
  cellLengths,
  gridOf,
  NO_NOISE,
  noiseByChannel,
  sumChannels,
} from "./air-maps.ts";
import { homeNetworksUntil, isStranger } from "./home-networks.ts";
import { noiseSources } from "./noise-sources.ts";
import { cutGateways } from "./reachability.ts";
import { loudRow } from "./site-score.ts";
import { placesOf } from "./user-data.ts";
import { type AskedWindow, knownUntilUs, recordedOf, windowView } from "./window.ts";

const MAX_TALKERS = 20;
const MAX_DOWNLINKS = 20_000;
/** Receptions looked at one by one. Chosen: a moving window is asked for again and again, a fixed one once. */
const MAX_LIVE = 6_000;
const MAX_FIXED = 20_000;
const CAUTION =
  "Heard airtime is a lower bound of what was sent. Limits on duty cycle and dwell time are an indication from public tables, not a statement of conformity: local rules and newer editions prevail.";

/** `gatewayEuis` narrow channels, maps and gateways to these; `ownPlans`: channel plans of the user's own. */
export function airView(
  store: Store,
  window: AskedWindow,
  gatewayEuis?: readonly string[],
  ownPlans: readonly RegionPlan[] = [],
): AirView {
  const untilUs = knownUntilUs(window);
  const asked = allGateways(store, untilUs).filter(
    ({ eui }) => gatewayEuis === undefined || gatewayEuis.includes(eui),
  );
  const { shown: gateways, more } = cutGateways(store, asked);
  const shownIds = gateways.map(({ id }) => id);
  const gatewayNames = labels(store, "gateway");
  const nodeNames = labels(store, "node");
  const home = homeNetworksUntil(store, nodeNames, untilUs);
  const stranger = (devAddr: string) => isStranger(devAddr, nodeNames.get(devAddr), home);
  const evidence = airEvidence(store, window, stranger, window.live ? MAX_LIVE : MAX_FIXED);
  // In a moving window the air is silent up to now; a fixed one ends where the stored ends.
  const storedToUs = storedSpanUs(store, untilUs)?.toUs ?? window.toUs;
  const knownToUs = window.live ? window.toUs : Math.max(window.toUs, storedToUs + 1);
  const heardToUs = window.live ? window.toUs : Math.min(window.toUs, storedToUs + 1);
  const plans = new Map(gateways.map(({ id }) => [id, planOf(evidence.gateways.get(id), ownPlans)]));
  const grid = gridOf(window);
  const cellUs = cellLengths(grid, knownToUs);
  const byGateway = <T extends { readonly gatewayId: number }>(all: readonly T[]) =>
    groupBy(all, ({ gatewayId }) => gatewayId);
  const { fromMinute, toMinute, minutesACell } = grid;
  const records = byGateway(channelCells(store, fromMinute, toMinute, minutesACell, shownIds));
  const downlinks = byGateway(downlinksOf(store, evidence.stretch, MAX_DOWNLINKS));
  const reported = reportedTransmissions(store, evidence.stretch);
  const channels: ChannelRow[] = [];
  const maps: AirMap[] = [];
  const rows: AirGateway[] = [];
  const sums = byGateway(sumChannels(store, window, shownIds));
  const recorded = recordedOf(store, window);
  for (const gateway of gateways) {
    const name = gatewayNames.get(gateway.eui)?.name ?? null;
    const who = { gatewayId: gateway.id, gatewayEui: gateway.eui, gatewayName: name };
    const over = presenceOf(gateway, evidence.stretch, heardToUs);
    const own = evidence.gateways.get(gateway.id);
    const heard = [...(own?.channels.values() ?? [])];
    const noise = noiseByChannel(heard, window);
    const levels = thinLevels(own?.levelsDbm ?? new Map());
    const collisions = new Map(
      heard.map((channel) => [channel.frequencyHz, collisionsOf(channel, levels, over.toUs - over.fromUs)]),
    );
    for (const sum of sums.get(gateway.id) ?? []) {
      channels.push({
        gatewayEui: gateway.eui,
        gatewayName: name,
        ...channelFigures(sum, window, recorded.ranges(window, [gateway.id])),
        ...channelDetail(
          own?.channels.get(sum.frequencyHz),
          noise.get(sum.frequencyHz)?.trend ?? NO_NOISE,
          collisions.get(sum.frequencyHz) ?? null,
        ),
      });
    }
    const known = { fromUs: window.fromUs, toUs: Math.min(window.toUs, knownToUs) };
    const notRecorded = subtract([known], recorded.ranges(window, [gateway.id]));
    const parts = { ...who, grid, cellUs, window, evidence, noise, notRecorded };
    const map = airMap(parts, records.get(gateway.id) ?? []);
    if (map !== null) maps.push(map);
    if (map === null && own === undefined) continue;
    rows.push(
      airGateway({
        eui: gateway.eui,
        name,
        region: plans.get(gateway.id)?.name ?? null,
        evidence: own,
        collisions,
        map,
        over,
        downlinks: downlinks.get(gateway.id) ?? [],
        reportedSent: reported.get(gateway.id)?.sent ?? null,
      }),
    );
  }
  channels.sort((a, b) => a.gatewayEui.localeCompare(b.gatewayEui) || a.frequencyHz - b.frequencyHz);
  const nodes: NodeSent[] = [...evidence.sent].map(([address, frames]) => {
    const devAddr = formatDevAddr(address);
    const named = nodeNames.get(devAddr)?.name ?? null;
    return {
      devAddr: address,
      name: named,
      network: networkOf(devAddr),
      stranger: stranger(devAddr),
      frames,
    };
  });
  const talkers = talkersOf(nodes);
  const over = { fromUs: evidence.stretch.fromUs, toUs: heardToUs };
  const airtime = airtimeRows(nodes, limitTables(plans), over);
  return {
    window: windowView(window),
    detail: {
      from: isoTime(evidence.stretch.fromUs),
      to: isoTime(evidence.stretch.toUs),
      whole: evidence.whole,
      packets: evidence.packets,
    },
    sentence: airSentence(channels, strangersShare(nodes), airtime),
    channels,
    maps,
    gateways: rows,
    moreGateways: more,
    dataRates: dataRateRows(evidence.site),
    noiseSources: noiseSources(
      gateways.flatMap(({ id, eui }) => {
        const own = evidence.gateways.get(id);
        return own === undefined ? [] : [{ eui, name: gatewayNames.get(eui)?.name ?? null, evidence: own }];
      }),
      { fromUs: evidence.stretch.fromUs, toUs: heardToUs },
      placesOf(store),
    ),
    networks: networkRows(evidence.site),
    talkers,
    airtime,
    caution: CAUTION,
  };
}

/** The part of a stretch in which a gateway was there at all. */
function presenceOf(gateway: GatewayRecord, stretch: TimeRange, heardToUs: number): TimeRange {
  const fromUs = Math.max(stretch.fromUs, Math.min(gateway.firstAtUs, stretch.toUs - 1));
  return { fromUs, toUs: Math.max(heardToUs, fromUs + 1) };
}

function planOf(evidence: GatewayEvidence | undefined, ownPlans: readonly RegionPlan[]): RegionPlan | null {
  if (evidence === undefined) return null;
  const groups = [...evidence.channels.values()].flatMap((channel) => [...channel.heard.values()]);
  const heard = groups.map(({ frequencyHz, dataRate, codingRate, size, count }) => ({
    frequencyHz,
    modulation: modulationFromCodes(dataRate, codingRate),
    payloadBytes: size,
    count,
  }));
  const { name } = recogniseRegion(heard, ownPlans);
  return name === null ? null : (ownPlans.find((plan) => plan.name === name) ?? regionPlan(name));
}

/**
 * Load and utilisation of a channel over the recorded time of the window: nobody knows what was on the air else. A store
 * from before recorded time was kept knows none: then all of the window counts.
 */
export function channelFigures(sum: ChannelSum, window: TimeRange, recorded: readonly TimeRange[]) {
  const windowUs = Math.max(1, recorded.length === 0 ? window.toUs - window.fromUs : totalUs(recorded));
  return {
    frequencyHz: sum.frequencyHz,
    receptions: sum.receptions,
    airtimeSeconds: sum.airtimeUs / 1e6,
    busySeconds: sum.busyUs / 1e6,
    offeredLoad: sum.airtimeUs / windowUs,
    utilisation: Math.min(1, sum.busyUs / windowUs),
    crcBad: sum.crcBad,
    crcBadRatio: sum.receptions === 0 ? null : sum.crcBad / sum.receptions,
  };
}

/** What only single packets tell of a channel. */
function channelDetail(
  channel: ChannelEvidence | undefined,
  trend: NoiseTrend,
  collisions: readonly CollisionExpectation[] | null,
) {
  const floor = noiseFloorOf(channel?.noise ?? []);
  const bursts = channel?.bursts ?? [];
  const ofStrangers = bursts.filter(({ stranger }) => stranger);
  const shares = collisions === null ? null : channelCollisions(collisions);
  const seconds = (list: typeof bursts) => list.reduce((sum, one) => sum + one.airtimeUs, 0) / 1e6;
  return {
    noiseFloorDbm: rounded(floor.noiseDbm, 1),
    noiseSamples: floor.sampleCount,
    noiseTrust: floor.trust,
    noiseTrend: trendRow(trend, channel),
    ownAirtimeSeconds: seconds(bursts.filter(({ stranger }) => !stranger)),
    strangerAirtimeSeconds: seconds(ofStrangers),
    strangerReceptions: ofStrangers.length,
    collisions: shares === null ? null : shownCollisions(shares),
  };
}

function trendRow(trend: NoiseTrend, channel: ChannelEvidence | undefined): ChannelRow["noiseTrend"] {
  const { verdict, slopeLow, slopeHigh, p } = trend;
  const found = loudNoise(channel?.noise ?? []);
  const loud = found === null ? null : loudRow(found);
  const interval: [number, number] | null =
    slopeLow === null || slopeHigh === null ? null : [rounded(slopeLow, 3), rounded(slopeHigh, 3)];
  return {
    verdict,
    words: noiseWords({ ...trend, loud, needed: NOISE_TREND_RULE.leastStretches }),
    slopeDbPerHour: rounded(trend.slopeDbPerHour, 3),
    slopeInterval95: interval,
    changeDb: rounded(trend.changeDb, 2),
    loudestDb: rounded(trend.loudestDb, 1),
    p,
    values: trend.filled,
    loud,
  };
}

/** Part of the airtime of all nodes that strangers' frames took, each frame once; null: no airtime. */
function strangersShare(nodes: readonly NodeSent[]): number | null {
  const spentUs = (some: readonly NodeSent[]) =>
    some.reduce((sum, { frames }) => frames.reduce((own, { airtimeUs }) => own + airtimeUs, sum), 0);
  const allUs = spentUs(nodes);
  return allUs === 0 ? null : spentUs(nodes.filter(({ stranger }) => stranger)) / allUs;
}

/** Who spent most airtime; each with its fullest sliding hour over all bands: a lower bound, for what went unheard. */
function talkersOf(nodes: readonly NodeSent[]): AirView["talkers"] {
  const spent = nodes.map((node) => ({
    node,
    airtimeUs: node.frames.reduce((sum, one) => sum + one.airtimeUs, 0),
  }));
  const totalUs = spent.reduce((sum, one) => sum + one.airtimeUs, 0);
  return spent
    .sort((a, b) => b.airtimeUs - a.airtimeUs || a.node.devAddr - b.node.devAddr)
    .slice(0, MAX_TALKERS)
    .map(({ node: { devAddr, name, network, stranger, frames }, airtimeUs }) => ({
      devAddr: formatDevAddr(devAddr),
      name,
      network,
      stranger,
      frames: frames.length,
      airtimeSeconds: airtimeUs / 1e6,
      share: totalUs === 0 ? 0 : airtimeUs / totalUs,
      busiestHourDuty: (peakHour(frames)?.airtimeUs ?? 0) / 3.6e9,
    }));
}
