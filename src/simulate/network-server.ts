/**
 * What does the network of a synthetic site send down? Acknowledgements, join-accepts, commands for data rate and power, and
 * whatever an event has its gateways transmit. It stands where the listener stands, and asks gateways by PULL_RESP.
 */

import type { Eui } from "../model/identifiers.ts";
import type { LoraModulation } from "../model/modulation.ts";
import { demodulationFloorDb } from "../radio/margin.ts";
import { type RegionPlan, regionPlan } from "../radio/regions/region-plan.ts";
import type { Transmission as TransmitRequest } from "../wire/forwarder/downstream.ts";
import { encodeMacCommands } from "../wire/lorawan/mac-commands.ts";
import { eventsOf } from "./events.ts";
import { downlinkOctets, joinAnswer } from "./frame-octets.ts";
import { COUNTER_MODULUS } from "./gateway-output.ts";
import type { Downlink, NodeActor } from "./node-actor.ts";
import type { Scenario } from "./scenario.ts";
import { linkCommand } from "./site-region.ts";
import { type Agenda, below, type Random, randomOctets } from "./time-and-chance.ts";
import { downlinkAirtimeUs, type Life, type Passage, type Transmission } from "./transmission.ts";

// On which channel and with which data rate may the network answer an uplink? First and second receive window of each
// region, from the regional parameters.

interface DownlinkWindow {
  readonly frequencyHz: number;
  readonly modulation: LoraModulation;
  /** From the end of the uplink. */
  readonly afterUs: number;
}

// LoRaWAN regional defaults (LoRaMac-node RegionCommon.h): 1 s and 2 s after data, 5 s and 6 s after a join-request.
const DATA_WINDOWS_US = [1_000_000, 2_000_000] as const;
const JOIN_WINDOWS_US = [5_000_000, 6_000_000] as const;

// RP002, RX2 defaults; AS923 follows its group's first default channel. CN470: LoRaMac-node (from memory).
const RX2: Readonly<Record<string, readonly [hz: number, sf: number, bwHz: number]>> = {
  EU868: [869_525_000, 12, 125_000],
  US915: [923_300_000, 12, 500_000],
  AU915: [923_300_000, 12, 500_000],
  "AS923-1": [923_200_000, 10, 125_000],
  "AS923-2": [921_400_000, 10, 125_000],
  "AS923-3": [916_600_000, 10, 125_000],
  "AS923-4": [917_300_000, 10, 125_000],
  CN470: [505_300_000, 12, 125_000],
  CN779: [786_000_000, 12, 125_000],
  EU433: [434_665_000, 12, 125_000],
  IN865: [866_550_000, 10, 125_000],
  KR920: [921_900_000, 12, 125_000],
  RU864: [869_100_000, 12, 125_000],
};

/** Both windows after an uplink: the first on (or paired with) its channel, the second on the region's own. */
function downlinkWindows(region: string, uplink: Transmission): readonly DownlinkWindow[] {
  const [first, second] = uplink.counter === null ? JOIN_WINDOWS_US : DATA_WINDOWS_US;
  return [
    { ...firstWindow(regionPlan(region), uplink), afterUs: first },
    { ...rx2Window({ region, channelsHz: [uplink.frequencyHz] }), afterUs: second },
  ];
}

/** The region's own channel and data rate for the second window; without a region the site's first channel. */
function rx2Window({
  region,
  channelsHz,
}: {
  readonly region: string;
  readonly channelsHz: readonly number[];
}): Omit<DownlinkWindow, "afterUs"> {
  const [frequencyHz, spreadingFactor, bandwidthHz] = RX2[region] ?? [channelsHz[0] ?? 0, 12, 125_000];
  return { frequencyHz, modulation: lora(spreadingFactor, bandwidthHz) };
}

/**
 * Dynamic plans answer on the uplink's own channel and data rate. US915 and AU915 answer on channel number modulo 8,
 * 500 kHz, same spreading factor at offset 0; CN470 on its paired downlink channel.
 */
function firstWindow(
  plan: RegionPlan | null,
  { frequencyHz, modulation }: Transmission,
): Omit<DownlinkWindow, "afterUs"> {
  if (plan === null || plan.kind === "dynamic") return { frequencyHz, modulation };
  const [variant] = plan.variants.filter(({ channels }) =>
    channels.some((c) => c.frequencyHz === frequencyHz),
  );
  const channel = variant?.channels.find((c) => c.frequencyHz === frequencyHz);
  const downlinks = variant?.downlinkHz ?? [];
  const downlinkHz = channel === undefined ? undefined : downlinks[channel.index % downlinks.length];
  return {
    frequencyHz: downlinkHz ?? frequencyHz,
    modulation: lora(modulation.spreadingFactor, plan.name === "CN470" ? 125_000 : 500_000),
  };
}

function lora(spreadingFactor: number, bandwidthHz: number): LoraModulation {
  return { kind: "lora", spreadingFactor, bandwidthHz, codingRate: "4/5" };
}

/** What the server needs of the world. */
export interface ServerWorld {
  readonly scenario: Scenario;
  readonly agenda: Agenda<() => void>;
  readonly random: Random;
  actor(name: string): NodeActor | undefined;
  /** Sends a PULL_RESP on its way. */
  ask(gatewayEui: Eui, request: TransmitRequest, token: number, atUs: number): void;
}

/** Who hears a transmission when it is over, and what it says. */
export interface Addressed {
  readonly actor: NodeActor;
  readonly message: Downlink;
}

interface Heard {
  eui: Eui;
  snrDb: number;
  tmstUs: number;
}

interface Session {
  downCounter: number;
  /** Best SNR of each frame since the last command. */
  snrsDb: number[];
}

const JOIN_NONCES = 0x100_0000;

export class NetworkServer {
  readonly #world: ServerWorld;
  readonly #chance: Random;
  readonly #heard = new Map<Transmission, Heard>();
  readonly #sessions = new Map<Life, Session>();
  readonly #addressed = new Map<TransmitRequest, Addressed>();
  #joinNonce: number;

  constructor(world: ServerWorld) {
    this.#world = world;
    this.#chance = world.random.fork("server");
    this.#joinNonce = below(this.#chance, JOIN_NONCES / 2);
  }

  start(): void {
    for (const event of eventsOf(this.#world.scenario.events, "gateway-transmitting"))
      this.#keepBusy(event.from, event, this.#chance.fork(`busy ${event.gateway} ${event.from}`));
  }

  /** A PUSH_DATA has reached the network: its frames are answered once copies through other gateways had their time. */
  heard({ datagram, gatewayEui, atUs }: Passage): void {
    const { server } = this.#world.scenario;
    if (server === undefined || datagram.kind !== "push-data") return;
    for (const { packet, transmission, isGhost } of datagram.packets) {
      if (packet.crc !== "ok" || isGhost || transmission.isStranger || packet.tmstUs === null) continue;
      const snrDb = Math.max(...packet.signals.map((signal) => signal.snrDb ?? -99));
      const known = this.#heard.get(transmission);
      if (known !== undefined) {
        if (snrDb > known.snrDb) Object.assign(known, { eui: gatewayEui, snrDb, tmstUs: packet.tmstUs });
        continue;
      }
      this.#heard.set(transmission, { eui: gatewayEui, snrDb, tmstUs: packet.tmstUs });
      const answerUs = atUs + Math.round(server.delayMs * 1000);
      this.#world.agenda.add(answerUs, () => this.#answer(transmission, answerUs));
    }
  }

  /** Whom a transmission that is over was meant for; null: nobody that is followed. */
  addressee(request: TransmitRequest): Addressed | null {
    const addressed = this.#addressed.get(request) ?? null;
    this.#addressed.delete(request);
    return addressed;
  }

  #answer(transmission: Transmission, nowUs: number): void {
    const heard = this.#heard.get(transmission);
    const actor = this.#world.actor(transmission.nodeName);
    this.#heard.delete(transmission);
    if (heard === undefined || actor === undefined) return;
    const answer =
      transmission.life === null ? this.#joinAnswer(actor) : this.#dataAnswer(transmission, heard, actor);
    if (answer === null) return;
    const { region, server } = this.#world.scenario;
    const [rx1, rx2] = downlinkWindows(region, transmission);
    const window = server?.window === "rx2" ? rx2 : rx1;
    if (window === undefined) return;
    const tmstUs = (heard.tmstUs + window.afterUs) % COUNTER_MODULUS;
    const request = this.#request(window, { kind: "counter", tmstUs }, answer.payload);
    this.#addressed.set(request, { actor, message: answer.message });
    this.#world.ask(heard.eui, request, below(this.#chance, 65_536), nowUs);
  }

  #joinAnswer(actor: NodeActor): { payload: Uint8Array; message: Downlink } | null {
    const asked = actor.joinAsked;
    if (asked === null || this.#world.scenario.server?.answersJoins !== true) return null;
    this.#joinNonce = (this.#joinNonce + 1) % JOIN_NONCES;
    const joinNonce = this.#joinNonce.toString(16).toUpperCase().padStart(6, "0");
    const { payload, keys } = joinAnswer(asked.root, asked.devAddr, { joinNonce, devNonce: asked.devNonce });
    return { payload, message: { kind: "session", keys } };
  }

  #dataAnswer(
    transmission: Transmission,
    { snrDb }: Heard,
    actor: NodeActor,
  ): { payload: Uint8Array; message: Downlink } | null {
    const { life, counter, payload } = transmission;
    const { server } = this.#world.scenario;
    if (life === null || counter === null || server === undefined) return null;
    const session = this.#sessions.get(life) ?? { downCounter: 0, snrsDb: [] };
    this.#sessions.set(life, session);
    session.snrsDb.push(snrDb);
    const link = this.#betterLink(transmission, actor, session);
    const ack = actor.node.confirmed && server.acknowledges;
    const asksForAnswer = ((payload[5] ?? 0) & 0x40) !== 0;
    if (!ack && !asksForAnswer && link === null) return null;
    const commands = link === null ? [] : [linkCommand(this.#world.scenario.region, actor.node, link)];
    const fOpts = encodeMacCommands(commands, "down");
    const octets = downlinkOctets(life.devAddr, session.downCounter, actor.keys, { ack, fOpts });
    session.downCounter += 1;
    return { payload: octets, message: { kind: "answer", life, counter, link } };
  }

  /**
   * Data rate and power that the best of the last frames allows, in steps of 3 dB; null when nothing changes. Common practice, no
   * source: the margin over the floor of the best of 20 frames, less an allowance.
   */
  #betterLink(
    { modulation, powerDbm }: Transmission,
    { node }: NodeActor,
    session: Session,
  ): { spreadingFactor: number; powerDbm: number } | null {
    const adr = this.#world.scenario.server?.adr;
    if (adr === undefined || !node.adr || modulation.bandwidthHz !== 125_000) return null;
    if (session.snrsDb.length < adr.afterFrames) return null;
    const best = Math.max(...session.snrsDb.splice(0));
    const floor = demodulationFloorDb(modulation.spreadingFactor) ?? 0;
    let steps = Math.trunc((best - floor - adr.marginDb) / 3);
    let { spreadingFactor } = modulation;
    let power = powerDbm;
    for (; steps > 0 && spreadingFactor > 7; steps--) spreadingFactor -= 1;
    for (; steps > 0 && power > node.transmitPowerDbm - MAX_POWER_CUT_DB; steps--) power -= 2;
    for (; steps < 0 && power < node.transmitPowerDbm; steps++) power += 2;
    if (spreadingFactor === modulation.spreadingFactor && power === powerDbm) return null;
    return { spreadingFactor, powerDbm: power };
  }

  /** Packet after packet, at once, so that the gateway transmits for the share asked. */
  #keepBusy(
    atUs: number,
    event: { gateway: Eui; to: number; share: number; spreadingFactor: number; payloadBytes: number },
    chance: Random,
  ): void {
    if (atUs >= event.to) return;
    this.#world.agenda.add(atUs, () => {
      const window = rx2Window(this.#world.scenario);
      const modulation = { ...window.modulation, spreadingFactor: event.spreadingFactor };
      // MHDR of a proprietary frame: nobody decodes it.
      const payload = randomOctets(chance, event.payloadBytes);
      payload[0] = 0xe0;
      const request = this.#request({ ...window, modulation }, { kind: "immediate" }, payload);
      this.#world.ask(event.gateway, request, below(chance, 65_536), atUs);
      const everyUs = (downlinkAirtimeUs(request) ?? 1e6) / event.share;
      this.#keepBusy(atUs + Math.round(everyUs * (0.8 + 0.4 * chance.uniform())), event, chance);
    });
  }

  #request(
    { frequencyHz, modulation }: Pick<DownlinkWindow, "frequencyHz" | "modulation">,
    moment: TransmitRequest["moment"],
    payload: Uint8Array,
  ): TransmitRequest {
    return {
      moment,
      frequencyHz,
      rfChain: 0,
      powerDbm: this.#world.scenario.server?.powerDbm ?? 14,
      modulation,
      frequencyDeviationHz: null,
      invertedPolarity: true,
      preamble: 8,
      payload,
      withoutCrc: true,
      implicitHeader: false,
    };
  }
}

const MAX_POWER_CUT_DB = 10;
