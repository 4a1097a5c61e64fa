/** How does a synthetic node get its sessions? Join-requests, one or many, answered by the network or by themselves. */
import type { DevAddr } from "../model/identifiers.ts";
import type { Agenda } from "./agenda.ts";
import type { Random } from "./random.ts";
import { seconds } from "./scenario-time.ts";

// LoRaWAN regional defaults (LoRaMac-node RegionCommon.h): a join-accept comes 5 s after the request, or 6 s.
const JOIN_ACCEPT_SECONDS = 6;
// Chosen: a node that was not answered asks again after 8 s and up to 4 s more.
const JOIN_RETRY_SECONDS = 8;
/** Longest wait between two requests that the network does not answer. Chosen: LoRaWAN leaves it to the device. */
const MOST_RETRY_SECONDS = 600;

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
      this.#ask(nextUs, plan, devAddr, Math.min(MOST_RETRY_SECONDS, 2 * retrySeconds));
    });
  }

  #requestAt(atUs: number, plan: number): void {
    this.#joiner.agenda.add(atUs, () => {
      if (this.#joiner.isCurrent(plan)) this.#joiner.request(atUs);
    });
  }
}
