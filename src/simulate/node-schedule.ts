/** How does a synthetic node get its sessions? Join-requests, one or many, answered by the network or by themselves. */
import type { DevAddr } from "../model/identifiers.ts";
import { silencesOf } from "./effects.ts";
import { exponential, type Random } from "./random.ts";
import type { Node, Scenario } from "./scenario.ts";
import type { Agenda } from "./scenario-time.ts";
import { isWithin, seconds, type TimeRange } from "./scenario-time.ts";

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
