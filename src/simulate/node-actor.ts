/**
 * What does a synthetic node send? Its frames, their counters and repeats, its restarts, and what it makes of what it
 * hears. When, under which session and with what stands in node-sending.ts.
 */
import type { DevAddr } from "../model/identifiers.ts";
import type { TimeRange } from "../model/time-range.ts";
import { encodeMacCommands, type MacCommand } from "../wire/lorawan/mac-commands.ts";
import { restartsOf } from "./effects.ts";
import { eventsOf } from "./events.ts";
import { dataFrameOctets, joinRequestOctets, type NodeKeys, nodeKeys } from "./frame-octets.ts";
import { type LinkSetting, NodeJoins, NodeRadio, NodeRhythm } from "./node-sending.ts";
import type { Node, Scenario } from "./scenario.ts";
import { type Agenda, below, type Random, randomOctets, seconds } from "./time-and-chance.ts";
import type { Life, Transmission } from "./transmission.ts";

/** What a node hears from its network. */
export type Downlink =
  | { readonly kind: "session"; readonly keys: NodeKeys }
  | {
      readonly kind: "answer";
      readonly life: Life;
      readonly counter: number;
      readonly link: LinkSetting | null;
    };

/** What a node needs of the world. */
export interface NodeWorld {
  readonly scenario: Scenario;
  readonly agenda: Agenda<() => void>;
  readonly random: Random;
  /** The largest spreading factor of the region at 125 kHz. */
  readonly slowestFactor: number;
  /** Called at the moment at which a transmission begins. */
  transmit(transmission: Transmission): void;
  /** Called when a counter is spent on a frame: the frame's first transmission begins at that moment. */
  spend(life: Life, counter: number, atUs: number): void;
}

/** LoRaWAN L2 1.0.4, section 5.3 (number from memory). */
const LINK_ADR_ANSWER: MacCommand = {
  cid: 0x03,
  name: "LinkADRAns",
  powerAck: true,
  dataRateAck: true,
  channelMaskAck: true,
};

/** One node. `start` enters its first action; everything else follows. */
export class NodeActor {
  readonly node: Node;
  readonly isStranger: boolean;
  readonly #world: NodeWorld;
  readonly #chance: Random;
  readonly #choice: Random;
  readonly #rhythm: NodeRhythm;
  readonly #radio: NodeRadio;
  readonly #joins: NodeJoins;
  readonly #root: NodeKeys;
  /** The newest frame that a downlink has answered. */
  #answered: { readonly life: Life; readonly counter: number } | null = null;
  /** Answers to MAC commands that ride in the next frame. */
  readonly #answers: MacCommand[] = [];
  #life: Life;
  #counter: number;
  #keys: NodeKeys;
  #sessions = 0;
  #devNonce: number;
  /** Raised at every restart: what was planned before is then void. */
  #plan = 0;

  /** `active`: the only stretch in which it sends; null: the whole run. */
  constructor(node: Node, isStranger: boolean, world: NodeWorld, active: TimeRange | null = null) {
    this.node = node;
    this.isStranger = isStranger;
    this.#world = world;
    this.#chance = world.random.fork("rhythm");
    this.#choice = world.random.fork("choice");
    const nature = world.random.fork("nature");
    const crystalPpm = node.crystalPpm ?? 10 * nature.uniform() - 5;
    const { slowestFactor, scenario } = world;
    this.#rhythm = new NodeRhythm(node, scenario, this.#chance, active);
    this.#radio = new NodeRadio(node, isStranger, scenario, this.#choice, { crystalPpm, slowestFactor });
    this.#joins = this.#createJoins();
    this.#devNonce = below(nature, 60_000);
    this.#root = nodeKeys(world.random);
    this.#keys = this.#root;
    this.#life = this.#newLife(node.devAddr, "start");
    this.#counter = node.startCounter;
  }

  /** The keys of the newest session, for the truth. */
  get keys(): NodeKeys {
    return this.#keys;
  }

  /** What waits for a join-accept: the address that it will bring and the nonce asked with; null when nothing does. */
  get joinAsked(): { readonly devAddr: DevAddr; readonly devNonce: number; readonly root: NodeKeys } | null {
    const devAddr = this.#joins.asked;
    return devAddr === null ? null : { devAddr, devNonce: this.#devNonce, root: this.#root };
  }

  start(): void {
    const { agenda, scenario } = this.#world;
    const { name, devAddr, activation, rhythmSeconds } = this.node;
    const firstUs = this.#rhythm.firstUs(scenario.firstFrameWithinSeconds ?? rhythmSeconds);
    if (activation === "otaa") this.#joins.join(firstUs, devAddr, 1);
    else this.#sendAt(firstUs);
    for (const { atUs, silentUs } of restartsOf(scenario.events, name))
      agenda.add(atUs, () => this.#reset(atUs, silentUs));
    for (const event of eventsOf(scenario.events, "node-rejoin")) {
      if (event.node !== name) continue;
      agenda.add(event.at, () => this.#joins.join(event.at, event.devAddr ?? devAddr, event.joinRequests));
    }
    for (const { node, from, to, everySeconds, dataFrames } of eventsOf(scenario.events, "rejoin-loop")) {
      if (node !== name) continue;
      const loop = { devAddr, untilUs: to, everySeconds, dataFrames };
      agenda.add(from, () => this.#joins.loop(from, loop));
    }
    this.#enterCommands();
  }

  /** A downlink is heard: an answer to a frame of a life, with commands; or the session that was asked for. */
  receive(message: Downlink, atUs: number): void {
    if (message.kind === "session") {
      const devAddr = this.#joins.asked;
      if (devAddr === null) return;
      this.#beginSession(devAddr, message.keys);
      this.#joins.accepted(atUs);
      return;
    }
    if (message.life !== this.#life) return;
    this.#radio.answered();
    this.#answered = { life: message.life, counter: message.counter };
    if (message.link !== null) this.#obey(message.link);
  }

  #enterCommands(): void {
    const { agenda, scenario } = this.#world;
    for (const { node, at, spreadingFactor } of eventsOf(scenario.events, "node-link-adr")) {
      if (node === this.node.name) agenda.add(at, () => this.#obey({ spreadingFactor }));
    }
    // LoRaWAN L2 1.0.4, section 5.6 (number from memory): DevStatusAns in the next uplink.
    for (const { node, at, battery, marginDb } of eventsOf(scenario.events, "node-status")) {
      if (node !== this.node.name) continue;
      agenda.add(at, () => this.#answers.push({ cid: 0x06, name: "DevStatusAns", battery, marginDb }));
    }
  }

  #obey(link: Partial<LinkSetting>): void {
    this.#answers.push(LINK_ADR_ANSWER);
    this.#radio.set(link);
  }

  #createJoins(): NodeJoins {
    return new NodeJoins({
      agenda: this.#world.agenda,
      rhythm: this.#chance,
      isAnswered: this.#world.scenario.server?.answersJoins === true,
      newPlan: () => ++this.#plan,
      isCurrent: (plan) => plan === this.#plan,
      request: (atUs) => this.#sendJoinRequest(atUs),
      beginSession: (devAddr) => this.#beginSession(devAddr),
      sendAt: (atUs) => this.#sendAt(atUs),
      sendOne: (atUs) => this.#sendOne(atUs),
    });
  }

  #sendAt(atUs: number): void {
    const plan = this.#plan;
    this.#world.agenda.add(atUs, () => {
      if (plan === this.#plan) this.#sendFrame(atUs);
    });
  }

  /** Starts again at counter 0 within 4 s or when commanded, same address, same keys: what persists nothing does. */
  #reset(atUs: number, silentUs: number | null): void {
    this.#plan += 1;
    this.#life = this.#newLife(this.#life.devAddr, "reset");
    this.#counter = 0;
    const awayUs = seconds(1 + 3 * this.#chance.uniform());
    this.#sendAt(atUs + (silentUs ?? awayUs));
  }

  #beginSession(devAddr: DevAddr, keys?: NodeKeys): void {
    this.#sessions += 1;
    this.#keys = keys ?? nodeKeys(this.#world.random.fork(`session ${this.#sessions}`));
    this.#radio.answered();
    this.#life = this.#newLife(devAddr, "join");
    this.#counter = 0;
  }

  #sendJoinRequest(startUs: number): void {
    const { joinEui, devEui } = this.node;
    // LoRaWAN L2 1.0.4, join procedure (section number from memory: 6.2.5): DevNonce counts up with every request.
    this.#devNonce = (this.#devNonce + 1) % 65536;
    const payload = joinRequestOctets(joinEui, devEui ?? joinEui, this.#devNonce, this.#keys);
    this.#world.transmit(
      this.#radio.transmission({ startUs, payload, life: null, counter: null, repeat: 0 }),
    );
  }

  #sendFrame(atUs: number): void {
    if (this.#rhythm.isOver(atUs)) return;
    const laterUs = this.#rhythm.afterSilenceUs(atUs);
    if (laterUs === null) this.#sendOne(atUs);
    this.#sendAt(laterUs ?? this.#rhythm.nextUs(atUs));
  }

  #sendOne(atUs: number): void {
    const { node } = this;
    const life = this.#life;
    const counter = this.#counter;
    this.#counter = (counter + 1) % 2 ** 32;
    const clear = node.constantPayload
      ? new Uint8Array(node.payloadBytes)
      : randomOctets(this.#choice, node.payloadBytes);
    const fOpts = encodeMacCommands(this.#answers.splice(0), "up");
    const asksForAnswer =
      this.#world.scenario.server !== undefined && node.adr && this.#radio.countUnanswered();
    const payload = dataFrameOctets(node, life.devAddr, counter, this.#keys, clear, fOpts, asksForAnswer);
    this.#world.spend(life, counter, atUs);
    this.#transmitAll(atUs, payload, life, counter);
  }

  /** LoRaWAN L2 1.0.4, section 5.2 (NbTrans): the same counter again, on channels drawn anew, until it is answered. */
  #transmitAll(atUs: number, payload: Uint8Array, life: Life, counter: number): void {
    const plan = this.#plan;
    const { transmissions, confirmed, confirmedAttempts, repeatSeconds } = this.node;
    const isAnswerable = this.#world.scenario.server?.acknowledges === true;
    const times = confirmed && isAnswerable ? Math.max(transmissions, confirmedAttempts) : transmissions;
    let startUs = atUs;
    for (let repeat = 0; repeat < times; repeat++) {
      const transmission = this.#radio.transmission({ startUs, payload, life, counter, repeat });
      this.#world.agenda.add(startUs, () => {
        if (plan === this.#plan && !this.#isAnswered(life, counter)) this.#world.transmit(transmission);
      });
      startUs = transmission.endUs + seconds(repeatSeconds + this.#choice.uniform());
    }
  }

  #isAnswered(life: Life, counter: number): boolean {
    return this.#answered?.life === life && this.#answered.counter === counter;
  }

  #newLife(devAddr: DevAddr, cause: Life["cause"]): Life {
    return { nodeName: this.node.name, devAddr, isStranger: this.isStranger, cause };
  }
}
