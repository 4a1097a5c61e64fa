/**
 * What does a synthetic site send, and when? Plays a scenario from its start to its end and yields each datagram at
 * the moment at which it reaches the listener or is lost. Reads no clock, opens no socket; everything follows from
 * scenario, chance and clock handed in.
 */
import { Agenda } from "./agenda.ts";
import { Air, type AntennaReception, type NodeChance } from "./air.ts";
import { Backhaul } from "./backhaul.ts";
import { extrasOf } from "./extras.ts";
import { GatewayActor } from "./gateway-actor.ts";
import { Link } from "./link.ts";
import { NodeActor } from "./node-actor.ts";
import { below, type Random } from "./random.ts";
import type { Scenario } from "./scenario.ts";
import type { ScenarioClock } from "./scenario-time.ts";
import type { Life, Passage, Transmission } from "./transmission.ts";
import { TruthLedger } from "./truth.ts";

export interface Play {
  /** In order of `atUs`. Whoever sends them tells the truth of each: `truth.passed(passage)`. */
  readonly passages: Generator<Passage, void>;
  readonly truth: TruthLedger;
}

/** Sets up a run; nothing happens before the first passage is asked for. */
export function playSite(scenario: Scenario, random: Random, clock: ScenarioClock): Play {
  const agenda = new Agenda<() => void>();
  const arrived: Passage[] = [];
  const backhauls = new Map<GatewayActor, Backhaul>();
  const gateways = scenario.gateways.map(
    (config) =>
      new GatewayActor(config, {
        scenario,
        clock,
        agenda,
        random: random.fork(`gateway ${config.eui}`),
        send: (gateway, datagram, atUs) => {
          if (atUs < scenario.duration) backhauls.get(gateway)?.send(datagram, atUs);
        },
      }),
  );
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
  const actors = people.map(({ node, isStranger, active }) => {
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
      transmit,
      spend: (life: Life, counter: number, atUs: number) => {
        if (atUs < scenario.duration) truth.spent(life, actor.keys, counter, atUs);
      },
    };
    const actor: NodeActor = new NodeActor(node, isStranger, world, active);
    return actor;
  });
  return { passages: run(), truth };

  function* run(): Generator<Passage, void> {
    for (const gateway of gateways) gateway.start();
    for (const actor of actors) actor.start();
    for (let next = agenda.take(); next !== null; next = agenda.take()) {
      // What was sent in time still arrives; nothing new begins.
      if (next.atUs >= scenario.duration + DRAIN_US) return;
      next.what();
      yield* arrived.splice(0);
    }
  }
}

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
