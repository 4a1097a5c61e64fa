/**
 * When does a synthetic node send, and what? Its rhythm, its counter, its repeats, its joins and restarts.
 */
import type { DevAddr } from "../model/identifiers.ts";
import type { LoraModulation } from "../model/modulation.ts";
import { airtimeOfReception } from "../radio/airtime.ts";
import { encodeMacCommands, type MacCommand } from "../wire/lorawan/mac-commands.ts";
import type { Agenda } from "./agenda.ts";
import { type ChannelChange, channelChangesOf, channelsAt, restartsOf, silencesOf } from "./effects.ts";
import { dataFrameOctets, joinRequestOctets, type NodeKeys, nodeKeys } from "./frame-octets.ts";
import { below, exponential, type Random, randomOctets } from "./random.ts";
import type { Node, Scenario } from "./scenario.ts";
import { eventsOf } from "./scenario-events.ts";
import { isWithin, type Stretch } from "./scenario-time.ts";
import type { Life, Transmission } from "./transmission.ts";

// LoRaWAN regional defaults (LoRaMac-node RegionCommon.h): a join-accept comes 5 s after the request, or 6 s.
const JOIN_ACCEPT_SECONDS = 6;
// Chosen: a node that was not answered asks again after 8 s and up to 4 s more.
const JOIN_RETRY_SECONDS = 8;

const ADR_ACK_LIMIT = 64;
const ADR_ACK_DELAY = 32;

/** What a node hears from its network. */
export type Downlink =
  | { readonly kind: "session"; readonly keys: NodeKeys }
  | {
      readonly kind: "answer";
      readonly life: Life;
      readonly counter: number;
      readonly link: { readonly spreadingFactor: number; readonly powerDbm: number } | null;
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

interface RejoinLoop {
  readonly untilUs: number;
  readonly everySeconds: number;
  readonly dataFrames: number;
}

/** One node. `start` enters its first action; everything else follows. */
export class NodeActor {
  readonly node: Node;
  readonly isStranger: boolean;
  readonly #world: NodeWorld;
  readonly #active: Stretch | null;
  readonly #rhythm: Random;
  readonly #choice: Random;
  readonly #root: NodeKeys;
  #powerDbm: number;
  /** Uplinks since the network was last heard. */
  #unanswered = 0;
  /** The newest frame that a downlink has answered. */
  #answered: { readonly life: Life; readonly counter: number } | null = null;
  /** The join-request that waits for its answer, and the address to be had by it. */
  #asked: { readonly plan: number; readonly devAddr: DevAddr } | null = null;
  readonly #channelChanges: readonly ChannelChange[];
  /** Channels left to use before any is used again, and of which set. */
  #unused: number[] = [];
  #unusedOf: readonly number[] = [];
  readonly #silences: readonly Stretch[];
  #modulation: LoraModulation;
  /** Answers to MAC commands that ride in the next frame. */
  readonly #answers: MacCommand[] = [];
  readonly #crystalPpm: number;
  #life: Life;
  #counter: number;
  #keys: NodeKeys;
  #joins = 0;
  /** With a `clock` schedule: the beat of the newest frame. */
  #beatUs = 0;
  #devNonce: number;
  /** Raised at every restart: what was planned before is then void. */
  #plan = 0;

  /** `active`: the only stretch in which it sends; null: the whole run. */
  constructor(node: Node, isStranger: boolean, world: NodeWorld, active: Stretch | null = null) {
    this.node = node;
    this.#active = active;
    this.isStranger = isStranger;
    this.#world = world;
    this.#rhythm = world.random.fork("rhythm");
    this.#choice = world.random.fork("choice");
    const { events } = world.scenario;
    this.#channelChanges = channelChangesOf(events, { node: node.name });
    this.#silences = silencesOf(events, node.name);
    this.#modulation = {
      kind: "lora",
      spreadingFactor: node.spreadingFactor,
      bandwidthHz: node.bandwidthHz,
      codingRate: "4/5",
    };
    const nature = world.random.fork("nature");
    this.#crystalPpm = node.crystalPpm ?? 10 * nature.uniform() - 5;
    this.#devNonce = below(nature, 60_000);
    this.#root = nodeKeys(world.random);
    this.#keys = this.#root;
    this.#powerDbm = node.transmitPowerDbm;
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
    const firstUs = (this.#active?.fromUs ?? 0) + seconds(windowSeconds * this.#rhythm.uniform());
    this.#beatUs = firstUs;
    if (this.node.activation === "otaa") this.#join(firstUs, this.node.devAddr, 1);
    else this.#sendAt(firstUs);
    for (const { atUs, silentUs } of restartsOf(scenario.events, this.node.name))
      agenda.add(atUs, () => this.#reset(atUs, silentUs));
    for (const event of eventsOf(scenario.events, "node-rejoin")) {
      if (event.node !== this.node.name) continue;
      const devAddr = event.devAddr ?? this.node.devAddr;
      agenda.add(event.at, () => this.#join(event.at, devAddr, event.joinRequests));
    }
    for (const { node, from, to, everySeconds, dataFrames } of eventsOf(scenario.events, "rejoin-loop")) {
      if (node !== this.node.name) continue;
      agenda.add(from, () => this.#loop(from, { untilUs: to, everySeconds, dataFrames }));
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

  /** Starts again at counter 0 within 4 s or when told, same address, same keys: what persists nothing does. */
  #reset(atUs: number, silentUs: number | null): void {
    this.#plan += 1;
    this.#life = this.#newLife(this.#life.devAddr, "reset");
    this.#counter = 0;
    const awayUs = seconds(1 + 3 * this.#rhythm.uniform());
    this.#sendAt(atUs + (silentUs ?? awayUs));
  }

  /** Asks to join, sends a few frames of the session that it may get, and asks again, until it joins for good. */
  #loop(atUs: number, loop: RejoinLoop): void {
    this.#plan += 1;
    const plan = this.#plan;
    if (atUs >= loop.untilUs) {
      this.#join(atUs, this.node.devAddr, 1);
      return;
    }
    this.#sendJoinRequest(atUs);
    const everyUs = seconds(loop.everySeconds * (0.8 + 0.4 * this.#rhythm.uniform()));
    const nextUs = Math.min(atUs + everyUs, Math.max(loop.untilUs, atUs + seconds(JOIN_RETRY_SECONDS)));
    this.#world.agenda.add(nextUs, () => {
      if (plan === this.#plan) this.#loop(nextUs, loop);
    });
    if (loop.dataFrames === 0) return;
    const acceptedUs = atUs + seconds(JOIN_ACCEPT_SECONDS);
    const stepUs = (nextUs - acceptedUs) / (loop.dataFrames + 1);
    this.#world.agenda.add(acceptedUs, () => {
      if (plan === this.#plan) this.#beginSession(this.node.devAddr);
    });
    for (let frame = 1; frame <= loop.dataFrames; frame++) {
      const frameUs = acceptedUs + Math.round(frame * stepUs);
      this.#world.agenda.add(frameUs, () => {
        if (plan === this.#plan && frameUs < nextUs) this.#sendOne(frameUs);
      });
    }
  }

  #beginSession(devAddr: DevAddr, keys?: NodeKeys): void {
    this.#joins += 1;
    this.#keys = keys ?? nodeKeys(this.#world.random.fork(`session ${this.#joins}`));
    this.#unanswered = 0;
    this.#life = this.#newLife(devAddr, "join");
    this.#counter = 0;
  }

  /** What waits for a join-accept: the address that it will bring and the nonce asked with; null when nothing does. */
  get joinAsked(): { readonly devAddr: DevAddr; readonly devNonce: number; readonly root: NodeKeys } | null {
    if (this.#asked === null || this.#asked.plan !== this.#plan) return null;
    return { devAddr: this.#asked.devAddr, devNonce: this.#devNonce, root: this.#root };
  }

  /** A downlink is heard: an answer to a frame of a life, with commands; or the session that was asked for. */
  receive(message: Downlink, atUs: number): void {
    if (message.kind === "session") {
      if (this.#asked === null || this.#asked.plan !== this.#plan) return;
      const { devAddr } = this.#asked;
      this.#asked = null;
      this.#plan += 1;
      this.#beginSession(devAddr, message.keys);
      this.#sendAt(atUs + seconds(1 + 2 * this.#rhythm.uniform()));
      return;
    }
    if (message.life !== this.#life) return;
    this.#unanswered = 0;
    this.#answered = { life: message.life, counter: message.counter };
    if (message.link === null) return;
    this.#answers.push({
      cid: 0x03,
      name: "LinkADRAns",
      powerAck: true,
      dataRateAck: true,
      channelMaskAck: true,
    });
    this.#modulation = { ...this.#modulation, spreadingFactor: message.link.spreadingFactor };
    this.#powerDbm = message.link.powerDbm;
  }

  /** Asks until a join-accept is heard, less and less often. LoRaWAN leaves the back-off to the device; chosen: doubled up to 10 min. */
  #askToJoin(atUs: number, devAddr: DevAddr, retrySeconds: number): void {
    const plan = this.#plan;
    this.#world.agenda.add(atUs, () => {
      if (plan !== this.#plan) return;
      this.#asked = { plan, devAddr };
      this.#sendJoinRequest(atUs);
      const nextUs = atUs + seconds(retrySeconds * (1 + 0.5 * this.#rhythm.uniform()));
      this.#askToJoin(nextUs, devAddr, Math.min(600, 2 * retrySeconds));
    });
  }

  #join(atUs: number, devAddr: DevAddr, requests: number): void {
    this.#plan += 1;
    const plan = this.#plan;
    if (this.#world.scenario.server?.answersJoins === true) {
      this.#askToJoin(atUs, devAddr, JOIN_RETRY_SECONDS);
      return;
    }
    let nextUs = atUs;
    for (let request = 0; request < requests; request++) {
      const requestUs = nextUs;
      this.#world.agenda.add(requestUs, () => {
        if (plan === this.#plan) this.#sendJoinRequest(requestUs);
      });
      nextUs += seconds(JOIN_RETRY_SECONDS + 4 * this.#rhythm.uniform());
    }
    const acceptedUs = nextUs - seconds(JOIN_RETRY_SECONDS) + seconds(JOIN_ACCEPT_SECONDS);
    this.#world.agenda.add(acceptedUs, () => {
      if (plan !== this.#plan) return;
      this.#beginSession(devAddr);
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
    if (this.#active !== null && atUs >= this.#active.toUs) return;
    const silence = this.#silences.find((stretch) => isWithin([stretch], atUs));
    if (silence !== undefined) {
      this.#sendAt(silence.toUs + seconds(node.rhythmSeconds * this.#rhythm.uniform()));
      return;
    }
    this.#sendOne(atUs);
    this.#sendAt(this.#nextUs(atUs));
  }

  #nextUs(atUs: number): number {
    const { schedule, jitterShare, clockPpm } = this.node;
    const rhythmSeconds = this.node.rhythmSeconds * (1 + clockPpm / 1e6);
    if (schedule === "random") return atUs + seconds(Math.max(0.2, exponential(this.#rhythm, rhythmSeconds)));
    const jitter = jitterShare * (2 * this.#rhythm.uniform() - 1);
    if (schedule === "interval") return atUs + seconds(Math.max(0.2, rhythmSeconds * (1 + jitter)));
    const behind = Math.max(1, Math.ceil((atUs - this.#beatUs) / (rhythmSeconds * 1e6) - 0.5));
    this.#beatUs += Math.round(behind * rhythmSeconds * 1e6);
    return Math.max(atUs + seconds(0.2), this.#beatUs + seconds(jitter * rhythmSeconds));
  }

  #sendOne(atUs: number): void {
    const { node } = this;
    const life = this.#life;
    const counter = this.#counter;
    this.#counter = (counter + 1) % 2 ** 32;
    const clear = randomOctets(this.#choice, node.payloadBytes);
    const fOpts = encodeMacCommands(this.#answers.splice(0), "up");
    const asksForAnswer = this.#countUnanswered();
    const payload = dataFrameOctets(node, life.devAddr, counter, this.#keys, clear, fOpts, asksForAnswer);
    this.#world.spend(life, counter, atUs);
    this.#transmitAll(atUs, payload, life, counter);
  }

  /**
   * ADR back-off (LoRaMac-node REGION_COMMON_DEFAULT_ADR_ACK_LIMIT and _DELAY): after 64 uplinks without an answer one is asked
   * for; 32 later the node raises its power, and every 32 more its spreading factor. Whether this frame asks.
   */
  #countUnanswered(): boolean {
    if (this.#world.scenario.server === undefined || !this.node.adr) return false;
    this.#unanswered += 1;
    if (this.#unanswered < ADR_ACK_LIMIT) return false;
    if (this.#unanswered > ADR_ACK_LIMIT && (this.#unanswered - ADR_ACK_LIMIT) % ADR_ACK_DELAY === 0) {
      const { spreadingFactor } = this.#modulation;
      if (this.#powerDbm < this.node.transmitPowerDbm) this.#powerDbm = this.node.transmitPowerDbm;
      else if (spreadingFactor < this.#world.slowestFactor)
        this.#modulation = { ...this.#modulation, spreadingFactor: spreadingFactor + 1 };
    }
    return true;
  }

  #isAnswered(life: Life | null, counter: number): boolean {
    return life !== null && this.#answered?.life === life && this.#answered.counter === counter;
  }

  /** LoRaWAN L2 1.0.4, section 5.2 (NbTrans): the same counter again, on channels drawn anew. */
  #transmitAll(atUs: number, payload: Uint8Array, life: Life, counter: number): void {
    const plan = this.#plan;
    let startUs = atUs;
    const { transmissions, confirmed, confirmedAttempts } = this.node;
    const isAnswerable = this.#world.scenario.server?.acknowledges === true;
    const times = confirmed && isAnswerable ? Math.max(transmissions, confirmedAttempts) : transmissions;
    for (let repeat = 0; repeat < times; repeat++) {
      const transmission = this.#transmission(startUs, payload, life, counter, repeat);
      this.#world.agenda.add(startUs, () => {
        if (plan === this.#plan && !this.#isAnswered(life, counter)) this.#world.transmit(transmission);
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
      frequencyHz: this.#nextChannelHz(startUs),
      modulation: this.#modulation,
      payload,
      crystalPpm: this.#crystalPpm,
      powerDbm: this.#powerDbm,
    };
  }

  #nextChannelHz(atUs: number): number {
    const channelsHz = channelsAt(this.node.channelsHz, this.#channelChanges, atUs);
    if (this.node.hopping === "random") return channelsHz[below(this.#choice, channelsHz.length)] ?? 0;
    if (this.#unused.length === 0 || this.#unusedOf !== channelsHz) {
      this.#unused = [...channelsHz];
      this.#unusedOf = channelsHz;
    }
    return this.#unused.splice(below(this.#choice, this.#unused.length), 1)[0] ?? 0;
  }

  #newLife(devAddr: DevAddr, cause: Life["cause"]): Life {
    return { nodeName: this.node.name, devAddr, isStranger: this.isStranger, cause };
  }
}

function seconds(value: number): number {
  return Math.round(value * 1e6);
}
