/**
 * What becomes of a datagram between gateway and listener? Delay, loss, doubling, overtaking, and outages.
 */

import { type PathLoss, pathLossesOf } from "./effects.ts";
import type { GatewayActor } from "./gateway-actor.ts";
import type { Scenario } from "./scenario.ts";
import { type Agenda, exponential, type Random } from "./time-and-chance.ts";
import type { GatewayDatagram, Passage } from "./transmission.ts";

// Chosen: how far a copy and an overtaken datagram trail behind.
const COPY_DELAY_US = 3_000;
const OVERTAKEN_BY_US = 1_000;
/** Longest time that a datagram waits to be overtaken. */
const HELD_US = 30_000_000;

/** The way from one gateway to the listener. `deliver` is called at the moment of arrival, or of a loss. */
export class Backhaul {
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
