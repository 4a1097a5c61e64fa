/**
 * What was on the air, packet by packet, put together in one walk: by channel, by gateway, by transmission. Bounded: the
 * newest packets of a long window, and it is said where they begin.
 */

import { formatDevAddr } from "../model/identifiers.ts";
import type { TimeRange } from "../model/time-range.ts";
import type { LoadClass } from "../radio/collisions.ts";
import { demodulationFloorDb } from "../radio/margin.ts";
import { expectedSignalPowerDbm, noiseSample, type TimedNoise } from "../radio/noise.ts";
import { modulationFromCodes } from "../store/data-rate-code.ts";
import { heardHours } from "../store/hours/heard-hours.ts";
import type { Store } from "../store/open.ts";
import { type AirPacket, airPackets, newestReceptionsFromUs } from "../store/queries/air.ts";
import { networkOf } from "../wire/lorawan/device-address.ts";
import { type AskedWindow, rowsPart } from "./window.ts";

export interface Burst {
  readonly endUs: number;
  readonly airtimeUs: number;
  readonly stranger: boolean;
}

export interface ChannelEvidence {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  /** Frames by data rate and airtime. */
  readonly classes: Map<number, Map<number, LoadClass & { count: number }>>;
  /** Frames of LoRaWAN with a right CRC, by data rate: what a plan is recognised by. */
  readonly heard: Map<number, HeardGroup>;
  /** In order of time. */
  readonly noise: TimedNoise[];
  /** Of each packet with a right CRC, the noise that would have drowned it. */
  readonly drowning: { readonly atUs: number; readonly dbm: number }[];
  /** Packets of known nodes. */
  readonly bursts: Burst[];
}

export interface Tally {
  receptions: number;
  frames: number;
  airtimeUs: number;
}

export interface NetworkTally extends Tally {
  /** null: packets that name no node. */
  readonly network: string | null;
  readonly stranger: boolean | null;
  readonly nodes: Set<number>;
}

export interface HeardGroup {
  readonly frequencyHz: number;
  readonly dataRate: number;
  codingRate: number;
  size: number;
  count: number;
}

/** What one gateway heard, or (for the site) all of them: there a frame counts once. */
export interface Tallies {
  readonly dataRates: Map<number, Tally>;
  readonly networks: Map<string, NetworkTally>;
}

export interface GatewayEvidence extends Tallies {
  firstUs: number | null;
  readonly channels: Map<number, ChannelEvidence>;
  /** Signal power by data rate, of all channels: a node changes its channel from frame to frame. */
  readonly levelsDbm: Map<number, number[]>;
}

/** A transmission by a node, as its first hearing tells it. */
export interface SentFrame {
  readonly gatewayId: number;
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  readonly startUs: number;
  readonly airtimeUs: number;
  readonly lifeId: number;
  readonly counter: number | null;
}

export interface AirEvidence {
  readonly stretch: TimeRange;
  /** False: the window holds more than is looked at one by one. */
  readonly whole: boolean;
  readonly packets: number;
  readonly gateways: ReadonlyMap<number, GatewayEvidence>;
  readonly site: Tallies;
  /** Data frames by device address. */
  readonly sent: ReadonlyMap<number, readonly SentFrame[]>;
}

export function airEvidence(
  store: Store,
  window: AskedWindow,
  isStranger: (devAddr: string) => boolean,
  most: number,
): AirEvidence {
  const fromUs = newestReceptionsFromUs(store, rowsPart(window), most);
  const stretch = { fromUs, toUs: window.toUs };
  const packets = airPackets(store, stretch, heardHours(store, window));
  const gateways = new Map<number, GatewayEvidence>();
  const site: Tallies = { dataRates: new Map(), networks: new Map() };
  const sent = new Map<number, SentFrame[]>();
  const frames = new Set<number>();
  const owners = new Map<number, Owner>();
  for (const packet of packets) {
    const { gatewayId, frequencyHz, atUs, airtimeUs, dataRate, frameId, devAddr, lifeId, counter } = packet;
    let owner = devAddr === null ? null : owners.get(devAddr);
    if (owner === undefined && devAddr !== null) {
      const text = formatDevAddr(devAddr);
      const network = networkOf(text);
      const stranger = isStranger(text);
      // Of one network some may be one's own and some called strangers by a person: two tallies.
      owner = { network, stranger, key: `${network}/${stranger}` };
      owners.set(devAddr, owner);
    }
    const isNewFrame = frameId !== null && !frames.has(frameId);
    if (frameId !== null) frames.add(frameId);
    const gateway = gatewayOf(gateways, gatewayId);
    gateway.firstUs ??= atUs;
    tally(gateway, packet, owner ?? null, frameId !== null);
    tally(site, packet, owner ?? null, isNewFrame);
    if (isNewFrame && devAddr !== null && lifeId !== null) {
      const list = sent.get(devAddr) ?? [];
      if (list.length === 0) sent.set(devAddr, list);
      list.push({ gatewayId, frequencyHz, dataRate, startUs: atUs - airtimeUs, airtimeUs, lifeId, counter });
    }
    if (frequencyHz === null) continue;
    const channel = channelOf(gateway, gatewayId, frequencyHz);
    addLoad(channel, dataRate, airtimeUs);
    if (owner) channel.bursts.push({ endUs: atUs, airtimeUs, stranger: owner.stranger });
    if (packet.crc !== 0) continue;
    addLevels(gateway, channel, packet);
    if (frameId !== null) addHeard(channel, packet);
  }
  return {
    stretch,
    whole: fromUs === window.fromUs,
    packets: packets.length,
    gateways,
    site,
    sent,
  };
}

function gatewayOf(gateways: Map<number, GatewayEvidence>, id: number): GatewayEvidence {
  let gateway = gateways.get(id);
  if (gateway === undefined) {
    gateway = {
      firstUs: null,
      channels: new Map(),
      levelsDbm: new Map(),
      dataRates: new Map(),
      networks: new Map(),
    };
    gateways.set(id, gateway);
  }
  return gateway;
}

function channelOf(gateway: GatewayEvidence, gatewayId: number, frequencyHz: number): ChannelEvidence {
  let channel = gateway.channels.get(frequencyHz);
  if (channel === undefined) {
    channel = {
      gatewayId,
      frequencyHz,
      classes: new Map(),
      heard: new Map(),
      noise: [],
      drowning: [],
      bursts: [],
    };
    gateway.channels.set(frequencyHz, channel);
  }
  return channel;
}

interface Owner {
  readonly network: string;
  readonly stranger: boolean;
  readonly key: string;
}

function tally(
  { dataRates, networks }: Tallies,
  packet: AirPacket,
  owner: Owner | null,
  isFrame: boolean,
): void {
  const { airtimeUs, dataRate, devAddr } = packet;
  let rate = dataRates.get(dataRate);
  if (rate === undefined) {
    rate = { receptions: 0, frames: 0, airtimeUs: 0 };
    dataRates.set(dataRate, rate);
  }
  const key = owner === null ? "" : owner.key;
  let network = networks.get(key);
  if (network === undefined) {
    network = {
      network: owner?.network ?? null,
      stranger: owner?.stranger ?? null,
      nodes: new Set(),
      receptions: 0,
      frames: 0,
      airtimeUs: 0,
    };
    networks.set(key, network);
  }
  rate.receptions += 1;
  rate.airtimeUs += airtimeUs;
  network.receptions += 1;
  network.airtimeUs += airtimeUs;
  if (isFrame) {
    rate.frames += 1;
    network.frames += 1;
  }
  if (devAddr !== null) network.nodes.add(devAddr);
}

function addLoad(channel: ChannelEvidence, dataRate: number, airtimeUs: number): void {
  if (airtimeUs <= 0) return;
  let lengths = channel.classes.get(dataRate);
  if (lengths === undefined) {
    lengths = new Map();
    channel.classes.set(dataRate, lengths);
  }
  const known = lengths.get(airtimeUs);
  if (known !== undefined) {
    known.count += 1;
    return;
  }
  const modulation = modulationFromCodes(dataRate, 0);
  const isLora = modulation.kind === "lora";
  lengths.set(airtimeUs, {
    dataRate,
    spreadingFactor: isLora ? modulation.spreadingFactor : null,
    bandwidthHz: isLora ? modulation.bandwidthHz : 0,
    airtimeUs,
    count: 1,
  });
}

function addLevels(gateway: GatewayEvidence, channel: ChannelEvidence, packet: AirPacket): void {
  const { dataRate, atUs, rssiTenths, snrTenths } = packet;
  if (rssiTenths === null) return;
  const rssiDbm = rssiTenths / 10;
  const snrDb = snrTenths === null ? null : snrTenths / 10;
  const sample = noiseSample(rssiDbm, snrDb);
  if (sample !== null) channel.noise.push({ atUs, ...sample });
  let levels = gateway.levelsDbm.get(dataRate);
  if (levels === undefined) {
    levels = [];
    gateway.levelsDbm.set(dataRate, levels);
  }
  const signalDbm = snrDb === null ? rssiDbm : expectedSignalPowerDbm(rssiDbm, snrDb);
  levels.push(signalDbm);
  const modulation = modulationFromCodes(dataRate, 0);
  const floorDb = modulation.kind === "lora" ? demodulationFloorDb(modulation.spreadingFactor) : null;
  if (floorDb !== null) channel.drowning.push({ atUs, dbm: signalDbm - floorDb });
}

function addHeard(channel: ChannelEvidence, packet: AirPacket): void {
  const { dataRate, codingRate, size } = packet;
  const group = channel.heard.get(dataRate);
  if (group === undefined) {
    channel.heard.set(dataRate, { frequencyHz: channel.frequencyHz, dataRate, codingRate, size, count: 1 });
    return;
  }
  group.count += 1;
  group.size = Math.max(group.size, size);
  group.codingRate = Math.min(group.codingRate, codingRate);
}

/** The frames of a channel by data rate and length. */
export function loadClasses(channel: ChannelEvidence): LoadClass[] {
  return [...channel.classes.values()].flatMap((lengths) => [...lengths.values()]);
}
