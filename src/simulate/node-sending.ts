/**
 * When does a synthetic node send, under which session, and with what? Its joins, its rhythm and its radio's settings,
 * which node-actor.ts makes frames of.
 */
import type { DevAddr } from "../model/identifiers.ts";
import type { LoraModulation } from "../model/modulation.ts";
import type { TimeRange } from "../model/time-range.ts";
import { airtimeOfReception } from "../radio/airtime.ts";
import { type ChannelChange, channelChangesOf, channelsAt, silencesOf } from "./effects.ts";
import type { Node, Scenario } from "./scenario.ts";
import { type Agenda, below, exponential, isWithin, type Random, seconds } from "./time-and-chance.ts";
import type { Transmission } from "./transmission.ts";

// LoRaWAN regional defaults (LoRaMac-node RegionCommon.h): a join-accept comes 5 s after the request, or 6 s.
const JOIN_ACCEPT_SECONDS = 6;
// Chosen: a node that was not answered asks again after 8 s and up to 4 s more.
const JOIN_RETRY_SECONDS = 8;
/** Longest wait between two requests that the network does not answer. Chosen: LoRaWAN leaves it to the device. */
const MAX_RETRY_SECONDS = 600;

/** The node, as far as joining concerns it. */
export interface Joiner {
  readonly agenda: Agenda<() => void>;
  readonly rhythm: Random;
  /** Whether the network answers; else every join succeeds by itself. */
  readonly isAnswered: boolean;
  /** Voids what the node had planned; the number of the new plan. */
  newPlan(): number;
  isCurrent(plan: number): boolean;
  request(atUs: number): void;
  beginSession(devAddr: DevAddr): void;
  sendAt(atUs: number): void;
  sendOne(atUs: number): void;
}

export interface RejoinLoop {
  readonly devAddr: DevAddr;
  readonly untilUs: number;
  readonly everySeconds: number;
  /** Frames of each session; 0: no request is answered. */
  readonly dataFrames: number;
}

export class NodeJoins {
  readonly #joiner: Joiner;
  #asked: { readonly plan: number; readonly devAddr: DevAddr } | null = null;

  constructor(joiner: Joiner) {
    this.#joiner = joiner;
  }

  /** The address that waits for a join-accept; null when nothing does. */
  get asked(): DevAddr | null {
    return this.#asked !== null && this.#joiner.isCurrent(this.#asked.plan) ? this.#asked.devAddr : null;
  }

  /** Joins from a moment on. `requests`: until one is answered, where the network does not answer by itself. */
  join(atUs: number, devAddr: DevAddr, requests: number): void {
    const { agenda, rhythm, isAnswered } = this.#joiner;
    const plan = this.#joiner.newPlan();
    if (isAnswered) {
      this.#ask(atUs, plan, devAddr, JOIN_RETRY_SECONDS);
      return;
    }
    let nextUs = atUs;
    for (let request = 0; request < requests; request++) {
      this.#requestAt(nextUs, plan);
      nextUs += seconds(JOIN_RETRY_SECONDS + 4 * rhythm.uniform());
    }
    const acceptedUs = nextUs - seconds(JOIN_RETRY_SECONDS) + seconds(JOIN_ACCEPT_SECONDS);
    agenda.add(acceptedUs, () => {
      if (!this.#joiner.isCurrent(plan)) return;
      this.#joiner.beginSession(devAddr);
      this.#joiner.sendAt(acceptedUs + seconds(1 + 2 * rhythm.uniform()));
    });
  }

  /** The session that was asked for has come. */
  accepted(atUs: number): void {
    this.#asked = null;
    this.#joiner.newPlan();
    this.#joiner.sendAt(atUs + seconds(1 + 2 * this.#joiner.rhythm.uniform()));
  }

  /** Asks to join, sends a few frames of the session that it may get, and asks again, until it joins for good. */
  loop(atUs: number, loop: RejoinLoop): void {
    const joiner = this.#joiner;
    if (atUs >= loop.untilUs) {
      this.join(atUs, loop.devAddr, 1);
      return;
    }
    const plan = joiner.newPlan();
    joiner.request(atUs);
    const everyUs = seconds(loop.everySeconds * (0.8 + 0.4 * joiner.rhythm.uniform()));
    const nextUs = Math.min(atUs + everyUs, Math.max(loop.untilUs, atUs + seconds(JOIN_RETRY_SECONDS)));
    joiner.agenda.add(nextUs, () => {
      if (joiner.isCurrent(plan)) this.loop(nextUs, loop);
    });
    if (loop.dataFrames === 0) return;
    const acceptedUs = atUs + seconds(JOIN_ACCEPT_SECONDS);
    const stepUs = (nextUs - acceptedUs) / (loop.dataFrames + 1);
    joiner.agenda.add(acceptedUs, () => {
      if (joiner.isCurrent(plan)) joiner.beginSession(loop.devAddr);
    });
    for (let frame = 1; frame <= loop.dataFrames; frame++) {
      const frameUs = acceptedUs + Math.round(frame * stepUs);
      joiner.agenda.add(frameUs, () => {
        if (joiner.isCurrent(plan) && frameUs < nextUs) joiner.sendOne(frameUs);
      });
    }
  }

  /** Asks until a join-accept is heard, less and less often. */
  #ask(atUs: number, plan: number, devAddr: DevAddr, retrySeconds: number): void {
    this.#joiner.agenda.add(atUs, () => {
      if (!this.#joiner.isCurrent(plan)) return;
      this.#asked = { plan, devAddr };
      this.#joiner.request(atUs);
      const nextUs = atUs + seconds(retrySeconds * (1 + 0.5 * this.#joiner.rhythm.uniform()));
      this.#ask(nextUs, plan, devAddr, Math.min(MAX_RETRY_SECONDS, 2 * retrySeconds));
    });
  }

  #requestAt(atUs: number, plan: number): void {
    this.#joiner.agenda.add(atUs, () => {
      if (this.#joiner.isCurrent(plan)) this.#joiner.request(atUs);
    });
  }
}

// When does a synthetic node send next? Its rhythm by its own clock, and the stretches in which it is silent.

/** Least time between two frames. */
const MIN_SECONDS = 0.2;

export class NodeRhythm {
  readonly #node: Node;
  readonly #random: Random;
  readonly #silences: readonly TimeRange[];
  readonly #active: TimeRange | null;
  /** With a `clock` schedule: the beat of the newest frame. */
  #beatUs = 0;
  #isSlow = false;

  /** `active`: the only stretch in which the node sends; null: the whole run. */
  constructor(node: Node, { events }: Scenario, random: Random, active: TimeRange | null) {
    this.#node = node;
    this.#random = random;
    this.#silences = silencesOf(events, node.name);
    this.#active = active;
  }

  /** The first frame, within so many seconds. */
  firstUs(windowSeconds: number): number {
    this.#beatUs = (this.#active?.fromUs ?? 0) + seconds(windowSeconds * this.#random.uniform());
    return this.#beatUs;
  }

  /** Whether nothing more is sent from this moment on. */
  isOver(atUs: number): boolean {
    return this.#active !== null && atUs >= this.#active.toUs;
  }

  /** When a frame goes out that would fall in a silence; null when it does not. */
  afterSilenceUs(atUs: number): number | null {
    const silence = this.#silences.find((stretch) => isWithin([stretch], atUs));
    return silence === undefined
      ? null
      : silence.toUs + seconds(this.#node.rhythmSeconds * this.#random.uniform());
  }

  /** The frame after the one sent now. */
  nextUs(atUs: number): number {
    const { schedule, jitterShare, clockPpm } = this.#node;
    const rhythmSeconds = this.#steadySeconds() * (1 + clockPpm / 1e6);
    if (schedule === "random")
      return atUs + seconds(Math.max(MIN_SECONDS, exponential(this.#random, rhythmSeconds)));
    const jitter = jitterShare * (2 * this.#random.uniform() - 1);
    if (schedule === "interval") return atUs + seconds(Math.max(MIN_SECONDS, rhythmSeconds * (1 + jitter)));
    const behind = Math.max(1, Math.ceil((atUs - this.#beatUs) / (rhythmSeconds * 1e6) - 0.5));
    this.#beatUs += Math.round(behind * rhythmSeconds * 1e6);
    return Math.max(atUs + seconds(MIN_SECONDS), this.#beatUs + seconds(jitter * rhythmSeconds));
  }

  /** The rhythm that it keeps now: one of two, where it has two. */
  #steadySeconds(): number {
    const { rhythmSeconds, slowRhythmSeconds, framesARhythm } = this.#node;
    if (slowRhythmSeconds === undefined) return rhythmSeconds;
    if (this.#random.uniform() < 1 / framesARhythm) this.#isSlow = !this.#isSlow;
    return this.#isSlow ? slowRhythmSeconds : rhythmSeconds;
  }
}

// With what does a synthetic node send? Channel, data rate and power of each transmission, and how they change: by the
// network's commands, and by themselves when the network is not heard for long.

// LoRaMac-node REGION_COMMON_DEFAULT_ADR_ACK_LIMIT and _DELAY.
const ADR_ACK_LIMIT = 64;
const ADR_ACK_DELAY = 32;

/** What a command of the network sets. */
export interface LinkSetting {
  readonly spreadingFactor: number;
  readonly powerDbm: number;
}

/** What is sent, and when it begins. */
type Burst = Pick<Transmission, "startUs" | "payload" | "life" | "counter" | "repeat">;

export class NodeRadio {
  readonly #node: Node;
  readonly #isStranger: boolean;
  readonly #choice: Random;
  readonly #crystalPpm: number;
  readonly #slowestFactor: number;
  readonly #channelChanges: readonly ChannelChange[];
  #modulation: LoraModulation;
  #powerDbm: number;
  /** Uplinks since the network was last heard. */
  #unanswered = 0;
  /** Channels left to use before any is used again, and of which set. */
  #unused: number[] = [];
  #unusedOf: readonly number[] = [];

  /** `slowestFactor`: the largest spreading factor of the region. */
  constructor(
    node: Node,
    isStranger: boolean,
    { events }: Scenario,
    choice: Random,
    { crystalPpm, slowestFactor }: { readonly crystalPpm: number; readonly slowestFactor: number },
  ) {
    this.#node = node;
    this.#isStranger = isStranger;
    this.#choice = choice;
    this.#crystalPpm = crystalPpm;
    this.#slowestFactor = slowestFactor;
    this.#channelChanges = channelChangesOf(events, { node: node.name });
    this.#powerDbm = node.transmitPowerDbm;
    this.#modulation = {
      kind: "lora",
      spreadingFactor: node.spreadingFactor,
      bandwidthHz: node.bandwidthHz,
      codingRate: "4/5",
    };
  }

  set({ spreadingFactor, powerDbm }: Partial<LinkSetting>): void {
    if (spreadingFactor !== undefined) this.#modulation = { ...this.#modulation, spreadingFactor };
    if (powerDbm !== undefined) this.#powerDbm = powerDbm;
  }

  /** The network was heard. */
  answered(): void {
    this.#unanswered = 0;
  }

  /**
   * Counts an uplink under ADR: after 64 without an answer one is asked for; 32 later the node raises its power, and every
   * 32 more its spreading factor. Whether this one asks.
   */
  countUnanswered(): boolean {
    this.#unanswered += 1;
    const over = this.#unanswered - ADR_ACK_LIMIT;
    if (over > 0 && over % ADR_ACK_DELAY === 0) this.#stepBack();
    return over >= 0;
  }

  #stepBack(): void {
    const { spreadingFactor } = this.#modulation;
    if (this.#powerDbm < this.#node.transmitPowerDbm) this.#powerDbm = this.#node.transmitPowerDbm;
    else if (spreadingFactor < this.#slowestFactor) this.set({ spreadingFactor: spreadingFactor + 1 });
  }

  transmission(burst: Burst): Transmission {
    const airtimeUs = airtimeOfReception(this.#modulation, burst.payload.length, "ok");
    return {
      ...burst,
      nodeName: this.#node.name,
      isStranger: this.#isStranger,
      endUs: burst.startUs + airtimeUs,
      frequencyHz: this.#nextChannelHz(burst.startUs),
      modulation: this.#modulation,
      crystalPpm: this.#crystalPpm,
      powerDbm: this.#powerDbm,
    };
  }

  #nextChannelHz(atUs: number): number {
    const channelsHz = channelsAt(this.#node.channelsHz, this.#channelChanges, atUs);
    if (this.#node.hopping === "random") return channelsHz[below(this.#choice, channelsHz.length)] ?? 0;
    if (this.#unused.length === 0 || this.#unusedOf !== channelsHz) {
      this.#unused = [...channelsHz];
      this.#unusedOf = channelsHz;
    }
    return this.#unused.splice(below(this.#choice, this.#unused.length), 1)[0] ?? 0;
  }
}
