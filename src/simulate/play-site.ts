/**
 * What does a synthetic site send, and when? Plays a scenario from its start to its end and yields each datagram at
 * the moment at which it reaches the listener or is lost. Reads no clock, opens no socket; everything follows from
 * scenario, chance and clock handed in.
 */
import type { Eui } from "../model/identifiers.ts";
import { thermalNoiseDbm } from "../radio/noise.ts";
import { regionPlan } from "../radio/regions/region-plan.ts";
import type { Transmission as TransmitRequest } from "../wire/forwarder/downstream.ts";
import { Air, type NodeChance } from "./air.ts";
import { extrasOf } from "./background-nodes.ts";
import { type PathLoss, pathLossesOf } from "./effects.ts";
import { GatewayActor } from "./gateway-actor.ts";
import { NetworkServer } from "./network-server.ts";
import { NodeActor } from "./node-actor.ts";
import { deliveryProbability, Link, marginDb } from "./radio-link.ts";
import type { Scenario } from "./scenario.ts";
import { slowestFactor } from "./site-region.ts";
import { Agenda, below, exponential, type Random, type ScenarioClock } from "./time-and-chance.ts";
import {
  type AntennaReception,
  downlinkAirtimeUs,
  type GatewayDatagram,
  type Life,
  type Passage,
  type Transmission,
} from "./transmission.ts";
import { TruthLedger } from "./truth.ts";

export interface Play {
  /** In order of `atUs`. Whoever sends them tells the truth of each: `truth.passed(passage)`. */
  readonly passages: Generator<Passage, void>;
  readonly truth: TruthLedger;
  /**
   * A PULL_RESP of a real server reaches a gateway at a moment of the run: its outcome, for a TX_ACK; null when the gateway is off or
   * unreachable. It then transmits and is deaf; a frame that was heard before and is on its way is not called back.
   */
  ask(gatewayEui: Eui, request: TransmitRequest, atUs: number): Outcome | null;
}

export type Outcome = NonNullable<ReturnType<GatewayActor["ask"]>>;

/** Sets up a run; nothing happens before the first passage is asked for. */
export function playSite(scenario: Scenario, random: Random, clock: ScenarioClock): Play {
  const agenda = new Agenda<() => void>();
  const arrived: Passage[] = [];
  const backhauls = new Map<GatewayActor, Backhaul>();
  const plan = regionPlan(scenario.region);
  const inBand = (hz: number | null): boolean =>
    hz !== null && (plan === null || (hz >= plan.fromHz && hz <= plan.toHz));
  const gateways: GatewayActor[] = scenario.gateways.map(
    (config) =>
      new GatewayActor(config, {
        inBand,
        sent: (gateway, request, { fromUs }) => hearDownlink(gateway, request, fromUs),
        scenario,
        clock,
        agenda,
        random: random.fork(`gateway ${config.eui}`),
        send: (gateway, datagram, atUs) => {
          if (atUs < scenario.duration) backhauls.get(gateway)?.send(datagram, atUs);
        },
      }),
  );
  const byEui = new Map(gateways.map((gateway) => [gateway.config.eui, gateway]));
  for (const gateway of gateways) {
    const way = random.fork(`backhaul ${gateway.config.eui}`);
    backhauls.set(gateway, new Backhaul(gateway, scenario, agenda, way, (passage) => arrived.push(passage)));
  }
  const links = new Map<string, readonly Link[]>();
  const chances = new Map<string, NodeChance>();
  const air = new Air(gateways, links, scenario, chances, random);
  const extras = extrasOf(scenario, random.fork("extras"));
  const people = [
    ...scenario.nodes.map((node) => ({ node, isStranger: false, active: null })),
    ...scenario.strangers.map((node) => ({ node, isStranger: true, active: null })),
    ...extras,
  ];
  const truth = new TruthLedger(scenario, clock, gateways, extras);
  const server = new NetworkServer({
    scenario,
    agenda,
    random,
    actor: (name) => byName.get(name),
    ask: (eui, request, token, atUs) => {
      const gateway = byEui.get(eui);
      if (gateway === undefined || atUs >= scenario.duration) return;
      const datagram = {
        kind: "pull-response",
        version: gateway.config.protocolVersion,
        token,
        request,
      } as const;
      backhauls
        .get(gateway)
        ?.sendDown(datagram, atUs, (thenUs) => gateway.askAndAnswer(request, token, thenUs));
    },
  });
  const down = random.fork("down");
  const slowest = slowestFactor(scenario.region);
  const actors: NodeActor[] = people.map(({ node, isStranger, active }) => {
    const own = random.fork(`node ${node.name}`);
    links.set(
      node.name,
      gateways.map(({ config }) => new Link(node, config, scenario.events, own.fork(`link ${config.eui}`))),
    );
    const damage = own.fork("damage");
    chances.set(node.name, { luck: own.fork("luck"), scatter: own.fork("scatter") });
    const transmit = (transmission: Transmission): void => {
      if (transmission.startUs >= scenario.duration) return;
      air.begin(transmission);
      agenda.add(transmission.endUs, () => {
        const hearings = air.end(transmission);
        truth.transmitted(transmission, hearings);
        for (const { gateway, receptions } of hearings) {
          if (receptions.length === 0) continue;
          gateway.hear(transmission, receptions, octetsRead(transmission, receptions, damage));
        }
      });
    };
    const world = {
      scenario,
      agenda,
      random: own,
      slowestFactor: slowest,
      transmit,
      spend: (life: Life, counter: number, atUs: number) => {
        if (atUs < scenario.duration) truth.spent(life, actor.keys, counter, atUs);
      },
    };
    const actor: NodeActor = new NodeActor(node, isStranger, world, active);
    return actor;
  });
  const byName = new Map(actors.map((actor) => [actor.node.name, actor]));
  return {
    passages: run(),
    truth,
    ask: (eui, request, atUs) => {
      const gateway = byEui.get(eui);
      return gateway?.isReachable(atUs) === true ? gateway.ask(request, atUs) : null;
    },
  };

  /** A transmission is over: the node that it was meant for hears it, or does not. */
  function hearDownlink(gateway: GatewayActor, request: TransmitRequest, startUs: number): void {
    const addressed = server.addressee(request);
    if (addressed === null || request.modulation.kind !== "lora") return;
    const { actor, message } = addressed;
    const link = links.get(actor.node.name)?.[gateways.indexOf(gateway)];
    const powerDbm = link?.downlinkDbm(startUs, request.powerDbm ?? 0) ?? null;
    const { spreadingFactor, bandwidthHz } = request.modulation;
    const noiseDbm = thermalNoiseDbm(bandwidthHz, NODE_NOISE_FIGURE_DB);
    const margin =
      powerDbm === null ? Number.NEGATIVE_INFINITY : marginDb(powerDbm - noiseDbm, spreadingFactor);
    const airtimeUs = downlinkAirtimeUs(request) ?? 0;
    if (down.uniform() < deliveryProbability(margin, scenario.physics.kneeWidthDb))
      actor.receive(message, startUs + airtimeUs);
  }

  function* run(): Generator<Passage, void> {
    for (const gateway of gateways) gateway.start();
    for (const actor of actors) actor.start();
    server.start();
    for (let next = agenda.take(); next !== null; next = agenda.take()) {
      // What was sent in time still arrives; nothing new begins.
      if (next.atUs >= scenario.duration + DRAIN_US) return;
      next.what();
      for (const passage of arrived.splice(0)) {
        if (passage.fate === "arrives" && !passage.isCopy) server.heard(passage);
        yield passage;
      }
    }
  }
}

// SX1276 data sheet, table 10 (from memory): noise figure of the receiver at highest gain.
const NODE_NOISE_FIGURE_DB = 7;

/** Longest time for which what was sent before the end may still be on its way: a late datagram's ten minutes. */
const DRAIN_US = 660_000_000;

/** The payload as the gateway read it: with a wrong CRC, one to four octets differ. */
function octetsRead(
  { payload }: Transmission,
  receptions: readonly AntennaReception[],
  damage: Random,
): Uint8Array {
  if (receptions.some(({ crc }) => crc === "ok")) return payload;
  const damaged = Uint8Array.from(payload);
  for (let count = 1 + below(damage, 4); count > 0; count--) {
    const at = below(damage, damaged.length);
    damaged[at] = (damaged[at] ?? 0) ^ (1 + below(damage, 255));
  }
  return damaged;
}

// What becomes of a datagram between gateway and listener? Delay, loss, doubling, overtaking, and outages.

// Chosen: how far a copy and an overtaken datagram trail behind.
const COPY_DELAY_US = 3_000;
const OVERTAKEN_BY_US = 1_000;
/** Longest time that a datagram waits to be overtaken. */
const HELD_US = 30_000_000;

/** The way from one gateway to the listener. `deliver` is called at the moment of arrival, or of a loss. */
class Backhaul {
  readonly #gateway: GatewayActor;
  readonly #network: Scenario["network"];
  readonly #agenda: Agenda<() => void>;
  readonly #random: Random;
  readonly #deliver: (passage: Passage) => void;
  readonly #losses: readonly PathLoss[];
  readonly #lossChance: Random;
  readonly #down: Random;
  /** Whether the path is in a burst of losses, and until when that holds. */
  #burst = { lost: false, untilUs: Number.NEGATIVE_INFINITY };
  /** A datagram that waits for its successor. */
  #held: ((whenUs: number) => void) | null = null;

  constructor(
    gateway: GatewayActor,
    scenario: Scenario,
    agenda: Agenda<() => void>,
    random: Random,
    deliver: (passage: Passage) => void,
  ) {
    this.#gateway = gateway;
    this.#network = gateway.config.network ?? scenario.network;
    this.#losses = pathLossesOf(scenario.events, gateway.config.eui);
    this.#lossChance = random.fork("losses");
    this.#down = random.fork("down");
    this.#agenda = agenda;
    this.#random = random;
    this.#deliver = deliver;
  }

  send(datagram: GatewayDatagram, sentUs: number): void {
    const network = this.#network;
    // All draws are taken for every datagram, so that an outage shifts none of them.
    const isLost = this.#random.uniform() < network.lossShare;
    const isDoubled = this.#random.uniform() < network.duplicateShare;
    const isOvertaken = this.#random.uniform() < network.reorderShare;
    const isLate = this.#random.uniform() < network.lateShare;
    const delayUs = Math.round((network.latencyMs + exponential(this.#random, network.jitterMs)) * 1000);
    const passage = { gatewayEui: this.#gateway.config.eui, datagram, sentUs, isCopy: false };
    if (!this.#gateway.isReachable(sentUs)) {
      this.#deliver({ ...passage, atUs: sentUs, fate: "backhaul-outage" });
      return;
    }
    if (isLost || this.#isLostInEvent(sentUs)) {
      this.#deliver({ ...passage, atUs: sentUs, fate: "lost" });
      return;
    }
    const atUs = sentUs + delayUs + (isLate ? Math.round(network.lateSeconds * 1e6) : 0);
    if (datagram.kind === "push-data" && isOvertaken && this.#held === null) {
      this.#hold(atUs, (whenUs) => this.#arriveAll(passage, whenUs, isDoubled));
      return;
    }
    this.#arriveAll(passage, atUs, isDoubled);
    if (datagram.kind === "push-data") this.#release(atUs);
  }

  #arriveAll(sent: Omit<Passage, "atUs" | "fate">, whenUs: number, isDoubled: boolean): void {
    this.#arrive(sent, whenUs, false);
    if (isDoubled) this.#arrive(sent, whenUs + COPY_DELAY_US, true);
  }

  #arrive(
    { gatewayEui, datagram, sentUs }: Omit<Passage, "atUs" | "fate">,
    atUs: number,
    isCopy: boolean,
  ): void {
    this.#agenda.add(atUs, () =>
      this.#deliver({ gatewayEui, datagram, sentUs, atUs, fate: "arrives", isCopy }),
    );
  }

  /** A PULL_RESP from the network: seen as it leaves there, and perhaps reaching the gateway, which then hears of it. */
  sendDown(datagram: GatewayDatagram, sentUs: number, arrive: (atUs: number) => void): void {
    const { lossShare, latencyMs, jitterMs } = this.#network;
    const isLost = this.#down.uniform() < lossShare;
    const delayUs = Math.round((latencyMs + exponential(this.#down, jitterMs)) * 1000);
    const { eui } = this.#gateway.config;
    this.#deliver({ gatewayEui: eui, datagram, sentUs, atUs: sentUs, fate: "arrives", isCopy: false });
    if (isLost || !this.#gateway.isReachable(sentUs) || this.#isLostInEvent(sentUs)) return;
    this.#agenda.add(sentUs + delayUs, () => arrive(sentUs + delayUs));
  }

  /** Each datagram by itself, or two states with exponential lengths (Gilbert 1960) whose shares give the loss. */
  #isLostInEvent(sentUs: number): boolean {
    const loss = this.#losses.find(({ fromUs, toUs }) => sentUs >= fromUs && sentUs < toUs);
    if (loss === undefined) return false;
    if (loss.burstUs === 0) return this.#lossChance.uniform() < loss.lossShare;
    if (this.#burst.untilUs < loss.fromUs)
      this.#burst = { lost: this.#lossChance.uniform() < loss.lossShare, untilUs: loss.fromUs };
    while (this.#burst.untilUs <= sentUs) {
      const lost = !this.#burst.lost;
      const meanUs = lost ? loss.burstUs : (loss.burstUs * (1 - loss.lossShare)) / loss.lossShare;
      this.#burst = { lost, untilUs: this.#burst.untilUs + exponential(this.#lossChance, meanUs) + 1 };
    }
    return this.#burst.lost;
  }

  #release(overtakenAtUs: number): void {
    const arriveAll = this.#held;
    this.#held = null;
    arriveAll?.(overtakenAtUs + OVERTAKEN_BY_US);
  }

  /** Lets the next PUSH_DATA pass; goes on by itself when none comes in time. */
  #hold(atUs: number, arriveAll: (whenUs: number) => void): void {
    this.#held = arriveAll;
    this.#agenda.add(atUs + HELD_US, () => {
      if (this.#held !== arriveAll) return;
      this.#held = null;
      arriveAll(atUs + HELD_US);
    });
  }
}
