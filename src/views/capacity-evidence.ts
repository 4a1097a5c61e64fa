/**
 * What do the nodes of a site send, and who hears it? Read once for room, data rates and charge: transmissions with
 * their levels, counters expected over usable time, load by block of time.
 */
import { groupBy } from "../model/group-by.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import type { CodingRate } from "../model/modulation.ts";
import { dueBetween, subtract, type TimeRange, totalUs, unite } from "../model/time-range.ts";
import type { HeardSignal } from "../radio/capacity/exposure.ts";
import { linkMarginDb } from "../radio/margin.ts";
import { expectedSignalPowerDbm } from "../radio/noise.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import { heardHours } from "../store/hours/heard-hours.ts";
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
  const packets = airPackets(store, range, heardHours(store, window));
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
