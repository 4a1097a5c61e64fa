/**
 * What do the nodes of a site send, and who hears it? Read once for room, data rates and charge: transmissions with
 * their levels, counters expected over usable time, load by block of time.
 */
import { groupBy } from "../model/group-by.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import { dueBetween } from "../model/missed-counters.ts";
import type { CodingRate } from "../model/modulation.ts";
import { subtract, type TimeRange, totalUs, unite } from "../model/time-range.ts";
import { type HeardSignal, type Source, Traffic } from "../radio/capacity/exposure.ts";
import type { GrowthEvidence, HeardCounter } from "../radio/capacity/growth.ts";
import { linkMarginDb } from "../radio/margin.ts";
import { expectedSignalPowerDbm } from "../radio/noise.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import type { Store } from "../store/open.ts";
import { type AirPacket, airPackets, newestReceptionsFromUs } from "../store/queries/air.ts";
import { type GatewayTransmission, gatewayTransmissions } from "../store/queries/downlinks.ts";
import { allGateways } from "../store/queries/gateways.ts";
import { allLives, labels } from "../store/queries/lives.ts";
import { homeNetworksUntil, isStranger } from "./home-networks.ts";
import { reachOf, siteNotRecorded, siteOutages } from "./reachability.ts";
import { type AskedWindow, knownEndUs, knownUntilUs } from "./window.ts";

/** Packets of one answer, the newest. Chosen: some tenths of a second. */
const MAX_PACKETS = 40_000;
/** Transmissions compared with each other. */
const MAX_SOURCES = 1_500;
/** Blocks of time: an hour each, twelve at least. Chosen. */
const BLOCK_US = 3_600_000_000;
const MIN_BLOCKS = 12;
const MAX_BLOCKS = 168;

/** A transmission as the gateways heard it. */
export interface Sent extends HeardSignal {
  readonly atUs: number;
  readonly block: number;
  readonly counter: number;
  readonly dataRate: number;
  readonly codingRate: CodingRate | null;
  readonly size: number;
  /** Best margin over the demodulation floor at any gateway, dB. */
  readonly marginDb: number | null;
}

/** One device of one's own. */
export interface NodeTraffic {
  readonly devAddr: string;
  readonly name: string | null;
  /** Number of its newest counter life. */
  readonly life: number;
  /** Heard, in order of time. */
  readonly sent: readonly Sent[];
  /** The transmissions of each counter heard. */
  readonly counters: readonly (readonly Sent[])[];
  /** Counters heard and expected over usable time. */
  readonly heard: number;
  readonly expected: number;
  readonly expectedByBlock: readonly number[];
  /** A counter each, in order: best margin, or null where nobody heard it. */
  readonly outcomes: readonly (number | null)[];
  /** Transmissions of a counter, as heard. */
  readonly repeats: number;
}

export interface SiteTraffic {
  readonly range: TimeRange;
  /** Recorded, with a gateway reachable, microseconds. */
  readonly usableUs: number;
  readonly blocks: number;
  readonly blockUs: number;
  /** When the block began. */
  readonly blockFromUs: readonly number[];
  readonly nodes: readonly NodeTraffic[];
  readonly strangers: readonly Sent[];
  /** Airtime that reached each gateway, whoever sent it, Erlang. */
  readonly erlangByGateway: ReadonlyMap<number, number>;
  /** What each gateway sent itself, by row id. */
  readonly transmitted: ReadonlyMap<number, readonly GatewayTransmission[]>;
}

export function siteTraffic(store: Store, window: AskedWindow): SiteTraffic {
  const untilUs = knownUntilUs(window);
  const endUs = knownEndUs(store, window);
  const asked = { fromUs: window.fromUs, toUs: Math.max(endUs, window.fromUs + 1) };
  const range = { fromUs: newestReceptionsFromUs(store, asked, MAX_PACKETS), toUs: asked.toUs };
  const gateways = allGateways(store, untilUs);
  const reaches = gateways.map((gateway) => reachOf(store, gateway, range, endUs));
  const usable = subtract(
    [range],
    unite([...siteOutages(reaches, range), ...siteNotRecorded(reaches, range)]),
  );
  const usableUs = Math.max(1, totalUs(usable));
  const clock = new BlockClock(usable);
  const packets = airPackets(store, range);
  const erlangByGateway = new Map<number, number>();
  for (const { gatewayId, airtimeUs } of packets)
    erlangByGateway.set(gatewayId, (erlangByGateway.get(gatewayId) ?? 0) + airtimeUs / usableUs);
  const nodeNames = labels(store, "node");
  const home = homeNetworksUntil(store, nodeNames, untilUs);
  const lives = new Map(allLives(store, untilUs).map((life) => [life.id, life]));
  const strangers: Sent[] = [];
  const devices = new Map<string, { devAddr: string; life: number; lives: Map<number, Sent[]> }>();
  for (const { sent, lifeId, devAddr } of transmissions(packets, clock)) {
    const address = devAddr === null ? null : formatDevAddr(devAddr);
    if (address === null || lifeId === null || isStranger(address, nodeNames.get(address), home)) {
      strangers.push(sent);
      continue;
    }
    const key = lives.get(lifeId)?.devEui ?? address;
    let device = devices.get(key);
    if (device === undefined) {
      device = { devAddr: address, life: 1, lives: new Map() };
      devices.set(key, device);
    }
    // After a join the newest address stands for the device.
    device.devAddr = address;
    device.life = lives.get(lifeId)?.number ?? 1;
    const own = device.lives.get(lifeId);
    if (own === undefined) device.lives.set(lifeId, [sent]);
    else own.push(sent);
  }
  const nodes = [...devices.values()]
    .map((device) => {
      const name = nodeNames.get(device.devAddr)?.name ?? null;
      return nodeTraffic({ ...device, name }, usable, clock);
    })
    .filter(({ expected }) => expected > 0);
  return {
    range,
    usableUs,
    blocks: clock.count,
    blockUs: clock.lengthUs,
    blockFromUs: clock.beginsUs(),
    nodes,
    strangers,
    erlangByGateway,
    transmitted: new Map(gateways.map(({ id }) => [id, gatewayTransmissions(store, id, range)])),
  };
}

/** Blocks of equal length over usable time. */
class BlockClock {
  readonly count: number;
  readonly lengthUs: number;
  readonly #usable: readonly TimeRange[];

  constructor(usable: readonly TimeRange[]) {
    const allUs = totalUs(usable);
    this.#usable = usable;
    this.count = Math.min(MAX_BLOCKS, Math.max(MIN_BLOCKS, Math.floor(allUs / BLOCK_US)));
    this.lengthUs = Math.max(1, allUs / this.count);
  }

  /** null: not usable. */
  blockOf(atUs: number): number | null {
    let beforeUs = 0;
    for (const { fromUs, toUs } of this.#usable) {
      if (atUs < fromUs) return null;
      if (atUs < toUs)
        return Math.min(this.count - 1, Math.floor((beforeUs + atUs - fromUs) / this.lengthUs));
      beforeUs += toUs - fromUs;
    }
    return null;
  }

  beginsUs(): number[] {
    const begins: number[] = [];
    let beforeUs = 0;
    for (const { fromUs, toUs } of this.#usable) {
      while (begins.length < this.count && begins.length * this.lengthUs < beforeUs + toUs - fromUs)
        begins.push(fromUs + begins.length * this.lengthUs - beforeUs);
      beforeUs += toUs - fromUs;
    }
    return begins;
  }
}

interface Heard {
  readonly sent: Sent;
  readonly lifeId: number | null;
  readonly devAddr: number | null;
}

/** One a transmission of LoRa, with the level at every gateway that read it. */
function transmissions(packets: readonly AirPacket[], clock: BlockClock): Heard[] {
  const byFrame = new Map<number, Heard & { readonly levels: Map<number, number> }>();
  const heard: Heard[] = [];
  for (const packet of packets) {
    const { frameId, crc, frequencyHz, airtimeUs, dataRate, codingRate, size, atUs, counter } = packet;
    const modulation = modulationFromCodes(dataRate, codingRate);
    if (frameId === null || crc === 1 || frequencyHz === null || airtimeUs <= 0) continue;
    if (modulation.kind !== "lora") continue;
    const { spreadingFactor, bandwidthHz } = modulation;
    const snrDb = packet.snrTenths === null ? null : packet.snrTenths / 10;
    const rssiDbm = packet.rssiTenths === null ? null : packet.rssiTenths / 10;
    const levelDbm =
      rssiDbm === null ? null : snrDb === null ? rssiDbm : expectedSignalPowerDbm(rssiDbm, snrDb);
    const marginDb = linkMarginDb(snrDb, spreadingFactor);
    const known = byFrame.get(frameId);
    if (known !== undefined) {
      if (levelDbm !== null) known.levels.set(packet.gatewayId, levelDbm);
      if (marginDb !== null && marginDb > (known.sent.marginDb ?? Number.NEGATIVE_INFINITY))
        Object.assign(known.sent, { marginDb });
      continue;
    }
    const block = clock.blockOf(atUs);
    if (block === null) continue;
    const levels = new Map<number, number>();
    if (levelDbm !== null) levels.set(packet.gatewayId, levelDbm);
    const sent: Sent = {
      atUs,
      block,
      counter: counter ?? 0,
      frequencyHz,
      dataRate,
      codingRate: modulation.codingRate,
      size,
      airtimeUs,
      spreadingFactor,
      bandwidthHz,
      levelsDbm: levels,
      marginDb,
    };
    const one = { sent, lifeId: counter === null ? null : packet.lifeId, devAddr: packet.devAddr, levels };
    byFrame.set(frameId, one);
    heard.push(one);
  }
  return heard;
}

function nodeTraffic(
  device: {
    readonly devAddr: string;
    readonly name: string | null;
    readonly life: number;
    readonly lives: ReadonlyMap<number, readonly Sent[]>;
  },
  usable: readonly TimeRange[],
  clock: BlockClock,
): NodeTraffic {
  const { devAddr, name, life: newestLife } = device;
  const lives = [...device.lives.values()];
  const expectedByBlock = Array<number>(clock.count).fill(0);
  const count = (block: number | null) => {
    if (block !== null) expectedByBlock[block] = (expectedByBlock[block] ?? 0) + 1;
  };
  const outcomes: (number | null)[] = [];
  const counters: Sent[][] = [];
  let missed = 0;
  for (const life of lives) {
    let before: Sent | null = null;
    for (const frames of countersOf(life)) {
      const [first] = frames;
      if (first === undefined) continue;
      if (before !== null)
        for (const atUs of dueBetween(before, first, usable)) {
          count(clock.blockOf(atUs));
          outcomes.push(null);
          missed += 1;
        }
      count(first.block);
      counters.push(frames);
      const margins = frames.flatMap(({ marginDb }) => (marginDb === null ? [] : [marginDb]));
      if (margins.length > 0) outcomes.push(Math.max(...margins));
      before = first;
    }
  }
  const sent = lives.flat().sort((a, b) => a.atUs - b.atUs);
  const heard = counters.length;
  return {
    devAddr,
    name,
    life: newestLife,
    sent,
    counters,
    heard,
    expected: heard + missed,
    expectedByBlock,
    outcomes,
    repeats: heard === 0 ? 1 : sent.length / heard,
  };
}

/** The transmissions of each counter of a life, in order of counters. */
function countersOf(life: readonly Sent[]): Sent[][] {
  const counters = groupBy(life, (frame) => frame.counter);
  return [...counters].sort(([a], [b]) => a - b).map(([, frames]) => frames);
}

/** Transmissions sent, whether heard or not: so many for each one heard. */
export function sentForHeard({ expected, heard }: NodeTraffic): number {
  return heard === 0 ? 1 : expected / heard;
}

/** The traffic of nodes as it goes on, and whose it is; evenly thinned where it is much. */
export function sourcesOf({ nodes, usableUs }: SiteTraffic): Source[] {
  return thinned(
    nodes.flatMap((node) => {
      const ratePerUs = sentForHeard(node) / usableUs;
      return node.sent.map((sent) => ({ sent, ratePerUs, sender: node }));
    }),
  );
}

/** Strangers' traffic as it was heard. */
export function strangerSources({ strangers, usableUs }: SiteTraffic): Source[] {
  return thinned(strangers.map((sent) => ({ sent, ratePerUs: 1 / usableUs })));
}

function thinned(all: readonly (Pick<Source, "ratePerUs" | "sender"> & { readonly sent: Sent })[]): Source[] {
  const stride = Math.max(1, Math.ceil(all.length / MAX_SOURCES));
  return all
    .filter((_, i) => i % stride === 0)
    .map(({ sent, ratePerUs, ...whose }) => ({ ...sent, ...whose, ratePerUs: ratePerUs * stride }));
}

export function growthEvidence(site: SiteTraffic): GrowthEvidence {
  const { nodes, blocks, usableUs } = site;
  const traffic = new Traffic(sourcesOf(site));
  const airtimeOfBlock = Array<number>(blocks).fill(0);
  const airtimeOfNode = nodes.map((node) => {
    const up = sentForHeard(node);
    let sum = 0;
    for (const { block, airtimeUs } of node.sent) {
      airtimeOfBlock[block] = (airtimeOfBlock[block] ?? 0) + up * airtimeUs;
      sum += up * airtimeUs;
    }
    return sum;
  });
  const totalAirtimeUs = airtimeOfNode.reduce((sum, one) => sum + one, 0);
  const counters = nodes.flatMap((node, i) => node.counters.map((frames) => ({ node: i, frames })));
  const stride = Math.max(1, Math.ceil(counters.length / MAX_SOURCES));
  const own = new Map<number, number>();
  for (const node of nodes) {
    const up = sentForHeard(node) / usableUs;
    for (const { levelsDbm, airtimeUs } of node.sent)
      for (const gateway of levelsDbm.keys()) own.set(gateway, (own.get(gateway) ?? 0) + up * airtimeUs);
  }
  return {
    nodes: nodes.length,
    blocks,
    expected: nodes.map(({ expectedByBlock }) => expectedByBlock),
    heardOf: nodes.map(({ counters: own }) => {
      const heardByBlock = Array<number>(blocks).fill(0);
      for (const [first] of own)
        if (first !== undefined) heardByBlock[first.block] = (heardByBlock[first.block] ?? 0) + 1;
      return heardByBlock;
    }),
    loadOfBlock: airtimeOfBlock.map((sum) => (totalAirtimeUs === 0 ? 1 : (sum * blocks) / totalAirtimeUs)),
    loadOfNode: airtimeOfNode.map((sum) => (totalAirtimeUs === 0 ? 1 / nodes.length : sum / totalAirtimeUs)),
    heard: counters
      .filter((_, i) => i % stride === 0)
      .map(({ node, frames }) => heardCounter(site, traffic, node, frames)),
    erlang: new Map(
      [...site.erlangByGateway].map(([gateway, all]) => {
        const ownErlang = own.get(gateway) ?? 0;
        return [gateway, { all: Math.max(all, ownErlang), own: ownErlang }];
      }),
    ),
  };
}

function heardCounter(
  site: SiteTraffic,
  traffic: Traffic,
  node: number,
  frames: readonly Sent[],
): HeardCounter {
  return {
    node,
    block: frames[0]?.block ?? 0,
    transmissions: frames.map((frame) => {
      const { least = 0, theory = 0, most = 0 } = traffic.exposuresOf(frame)[0] ?? {};
      const transmitting = transmittingOver(site, frame);
      return {
        exposure: {
          least: least + transmitting,
          theory: theory + transmitting,
          most: most + transmitting,
        },
        gateways: [...frame.levelsDbm.keys()],
      };
    }),
  };
}

/** Transmissions of the only gateway that hears a frame, expected over it; another one would hear it meanwhile. */
function transmittingOver({ transmitted, usableUs }: SiteTraffic, { levelsDbm, airtimeUs }: Sent): number {
  const [gateway] = levelsDbm.keys();
  if (levelsDbm.size !== 1 || gateway === undefined) return 0;
  const own = transmitted.get(gateway) ?? [];
  return own.reduce((sum, one) => sum + one.airtimeUs + airtimeUs, 0) / usableUs;
}
