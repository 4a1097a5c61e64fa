/**
 * When does a synthetic node send, and what? Its rhythm, its counter, its repeats, its joins and restarts.
 */
import type { DevAddr } from "../model/identifiers.ts";
import type { LoraModulation } from "../model/modulation.ts";
import { airtimeOfReception } from "../radio/airtime.ts";
import { encodeMacCommands, type MacCommand } from "../wire/lorawan/mac-commands.ts";
import type { Agenda } from "./agenda.ts";
import { dataFrameOctets, joinRequestOctets, type NodeKeys, nodeKeys } from "./frame-octets.ts";
import { below, type Random, randomOctets } from "./random.ts";
import type { Node, Scenario } from "./scenario.ts";
import { eventsOf } from "./scenario-events.ts";
import { isWithin, type Stretch } from "./scenario-time.ts";
import type { Life, Transmission } from "./transmission.ts";

// LoRaWAN regional defaults (LoRaMac-node RegionCommon.h): a join-accept comes 5 s after the request, or 6 s.
const JOIN_ACCEPT_SECONDS = 6;
// Chosen: a node that was not answered asks again after 8 s and up to 4 s more.
const JOIN_RETRY_SECONDS = 8;

/** What a node needs of the world. */
export interface NodeWorld {
  readonly scenario: Scenario;
  readonly agenda: Agenda<() => void>;
  readonly random: Random;
  /** Called at the moment at which a transmission begins. */
  transmit(transmission: Transmission): void;
  /** Called when a counter is spent on a frame: the frame's first transmission begins at that moment. */
  spend(life: Life, counter: number, atUs: number): void;
}

/** One node. `start` enters its first action; everything else follows. */
export class NodeActor {
  readonly node: Node;
  readonly isStranger: boolean;
  readonly #world: NodeWorld;
  readonly #rhythm: Random;
  readonly #choice: Random;
  readonly #channelsHz: readonly number[];
  readonly #silences: readonly Stretch[];
  #modulation: LoraModulation;
  /** Answers to MAC commands that ride in the next frame. */
  readonly #answers: MacCommand[] = [];
  readonly #crystalPpm: number;
  #life: Life;
  #counter: number;
  #keys: NodeKeys;
  #joins = 0;
  #devNonce: number;
  /** Raised at every restart: what was planned before is then void. */
  #plan = 0;

  constructor(node: Node, isStranger: boolean, world: NodeWorld) {
    this.node = node;
    this.isStranger = isStranger;
    this.#world = world;
    this.#rhythm = world.random.fork("rhythm");
    this.#choice = world.random.fork("choice");
    this.#channelsHz = node.channelsHz ?? world.scenario.channelsHz;
    this.#silences = eventsOf(world.scenario.events, "node-silent")
      .filter((event) => event.node === node.name)
      .map(({ from, to }) => ({ fromUs: from, toUs: to }));
    this.#modulation = {
      kind: "lora",
      spreadingFactor: node.spreadingFactor,
      bandwidthHz: node.bandwidthHz,
      codingRate: "4/5",
    };
    const nature = world.random.fork("nature");
    this.#crystalPpm = node.crystalPpm ?? 10 * nature.uniform() - 5;
    this.#devNonce = below(nature, 60_000);
    this.#keys = nodeKeys(world.random);
    this.#life = this.#newLife(node.devAddr, "start");
    this.#counter = node.startCounter;
  }

  /** The keys of the newest session, for the truth. */
  get keys(): NodeKeys {
    return this.#keys;
  }

  start(): void {
    const { agenda, scenario } = this.#world;
    const windowSeconds = scenario.firstFrameWithinSeconds ?? this.node.rhythmSeconds;
    const firstUs = seconds(windowSeconds * this.#rhythm.uniform());
    if (this.node.activation === "otaa") this.#join(firstUs, this.node.devAddr, 1);
    else this.#sendAt(firstUs);
    for (const event of eventsOf(scenario.events, "node-reset")) {
      if (event.node === this.node.name) agenda.add(event.at, () => this.#reset(event.at));
    }
    for (const event of eventsOf(scenario.events, "node-rejoin")) {
      if (event.node !== this.node.name) continue;
      const devAddr = event.devAddr ?? this.node.devAddr;
      agenda.add(event.at, () => this.#join(event.at, devAddr, event.joinRequests));
    }
    this.#enterCommands();
  }

  /** LoRaWAN L2 1.0.4, sections 5.3 and 5.6 (numbers from memory): LinkADRAns and DevStatusAns in the next uplink. */
  #enterCommands(): void {
    const { agenda, scenario } = this.#world;
    for (const { node, at, spreadingFactor } of eventsOf(scenario.events, "node-link-adr")) {
      if (node !== this.node.name) continue;
      agenda.add(at, () => {
        this.#answers.push({
          cid: 0x03,
          name: "LinkADRAns",
          powerAck: true,
          dataRateAck: true,
          channelMaskAck: true,
        });
        this.#modulation = { ...this.#modulation, spreadingFactor };
      });
    }
    for (const { node, at, battery, marginDb } of eventsOf(scenario.events, "node-status")) {
      if (node !== this.node.name) continue;
      agenda.add(at, () => this.#answers.push({ cid: 0x06, name: "DevStatusAns", battery, marginDb }));
    }
  }

  #sendAt(atUs: number): void {
    const plan = this.#plan;
    this.#world.agenda.add(atUs, () => {
      if (plan === this.#plan) this.#sendFrame(atUs);
    });
  }

  /** Starts again at counter 0 within 4 s, same address, same keys: what persists nothing does. */
  #reset(atUs: number): void {
    this.#plan += 1;
    this.#life = this.#newLife(this.#life.devAddr, "reset");
    this.#counter = 0;
    this.#sendAt(atUs + seconds(1 + 3 * this.#rhythm.uniform()));
  }

  #join(atUs: number, devAddr: DevAddr, requests: number): void {
    this.#plan += 1;
    const plan = this.#plan;
    let nextUs = atUs;
    for (let request = 0; request < requests; request++) {
      const requestUs = nextUs;
      this.#world.agenda.add(requestUs, () => {
        if (plan === this.#plan) this.#sendJoinRequest(requestUs);
      });
      nextUs += seconds(JOIN_RETRY_SECONDS + 4 * this.#rhythm.uniform());
    }
    this.#joins += 1;
    const session = this.#joins;
    const acceptedUs = nextUs - seconds(JOIN_RETRY_SECONDS) + seconds(JOIN_ACCEPT_SECONDS);
    this.#world.agenda.add(acceptedUs, () => {
      if (plan !== this.#plan) return;
      this.#keys = nodeKeys(this.#world.random.fork(`session ${session}`));
      this.#life = this.#newLife(devAddr, "join");
      this.#counter = 0;
      this.#sendAt(acceptedUs + seconds(1 + 2 * this.#rhythm.uniform()));
    });
  }

  #sendJoinRequest(atUs: number): void {
    const { joinEui, devEui } = this.node;
    // LoRaWAN L2 1.0.4, join procedure (section number from memory: 6.2.5): DevNonce counts up with every request.
    this.#devNonce = (this.#devNonce + 1) % 65536;
    const payload = joinRequestOctets(joinEui, devEui ?? joinEui, this.#devNonce, this.#keys);
    this.#world.transmit(this.#transmission(atUs, payload, null, null, 0));
  }

  #sendFrame(atUs: number): void {
    const { node } = this;
    const silence = this.#silences.find((stretch) => isWithin([stretch], atUs));
    if (silence !== undefined) {
      this.#sendAt(silence.toUs + seconds(node.rhythmSeconds * this.#rhythm.uniform()));
      return;
    }
    const life = this.#life;
    const counter = this.#counter;
    this.#counter = (counter + 1) % 2 ** 32;
    const clear = randomOctets(this.#choice, node.payloadBytes);
    const fOpts = encodeMacCommands(this.#answers.splice(0), "up");
    const payload = dataFrameOctets(node, life.devAddr, counter, this.#keys, clear, fOpts);
    this.#world.spend(life, counter, atUs);
    this.#transmitAll(atUs, payload, life, counter);
    const stretch = 1 + node.jitterShare * (2 * this.#rhythm.uniform() - 1);
    this.#sendAt(atUs + seconds(Math.max(0.2, node.rhythmSeconds * stretch)));
  }

  /** LoRaWAN L2 1.0.4, section 5.2 (NbTrans): the same counter again, on channels drawn anew. */
  #transmitAll(atUs: number, payload: Uint8Array, life: Life, counter: number): void {
    const plan = this.#plan;
    let startUs = atUs;
    for (let repeat = 0; repeat < this.node.transmissions; repeat++) {
      const transmission = this.#transmission(startUs, payload, life, counter, repeat);
      this.#world.agenda.add(startUs, () => {
        if (plan === this.#plan) this.#world.transmit(transmission);
      });
      startUs = transmission.endUs + seconds(this.node.repeatSeconds + this.#choice.uniform());
    }
  }

  #transmission(
    startUs: number,
    payload: Uint8Array,
    life: Life | null,
    counter: number | null,
    repeat: number,
  ): Transmission {
    const airtimeUs = airtimeOfReception(this.#modulation, payload.length, "ok");
    return {
      nodeName: this.node.name,
      isStranger: this.isStranger,
      life,
      counter,
      repeat,
      startUs,
      endUs: startUs + airtimeUs,
      frequencyHz: this.#channelsHz[below(this.#choice, this.#channelsHz.length)] ?? 0,
      modulation: this.#modulation,
      payload,
      crystalPpm: this.#crystalPpm,
    };
  }

  #newLife(devAddr: DevAddr, cause: Life["cause"]): Life {
    return { nodeName: this.node.name, devAddr, isStranger: this.isStranger, cause };
  }
}

function seconds(value: number): number {
  return Math.round(value * 1e6);
}
