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
import { Backhaul } from "./backhaul.ts";
import { GatewayActor } from "./gateway-actor.ts";
import { NetworkServer } from "./network-server.ts";
import { NodeActor } from "./node-actor.ts";
import { deliveryProbability, Link, marginDb } from "./radio-link.ts";
import type { Scenario } from "./scenario.ts";
import { slowestFactor } from "./site-region.ts";
import { Agenda, below, type Random, type ScenarioClock } from "./time-and-chance.ts";
import {
  type AntennaReception,
  downlinkAirtimeUs,
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
