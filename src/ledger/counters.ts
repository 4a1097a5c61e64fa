/**
 * Which counter is this frame, and in which life of its address? The accounting that loss figures rest on.
 *
 * Only 16 bits of a counter are on air. A frame continues a life when its counter fits forwards (rollover
 * included), fills a hole as a late arrival, or repeats a counter with the same content. A counter that can be
 * none of these begins a new life: it is never counted as thousands of losses. Frames must be handed in sorted
 * by (time, content); the result depends on nothing else. Between lives side by side, data rate and level at a
 * gateway weigh in (life-state.ts). Rules and limits: LoRaWAN L2 1.0.4 section 4.3.1.5,
 * LoRaWAN 1.0.2 section 4.3.1.5 (MAX_FCNT_GAP 16384), TR007 section 4.12 (one step a transmission).
 */

import { figure } from "../words/format.ts";
import {
  type AddressState,
  advance,
  changeWords,
  couldBeReset,
  forwardCost,
  isInTimeForARepeat,
  isLate,
  isUnproved,
  type LifeBeginning,
  type LifeState,
  largestStep,
  learned,
  makeRoom,
  modulo16,
  type RadioEvidence,
  RECENT_COUNTERS,
  recentWithLowBits,
  rhythmUs,
  unlikeness,
} from "./life-state.ts";

/** What the accounting needs of one uplink data frame. */
export interface CountedFrame {
  readonly atUs: number;
  /** The counter on air, 0 to 65535. */
  readonly fcnt: number;
  /** See group-receptions.ts. */
  readonly content: number;
  /** How its first hearing sounded, where that is known. */
  readonly radio?: RadioEvidence | undefined;
}

/** A join-request as one gateway heard it. */
export interface JoinHeard {
  readonly devEui: string;
  readonly gatewayId: number;
  /** Tenths of a dBm; null when the gateway did not report it. */
  readonly rssiTenths: number | null;
}

/** The join-requests heard in this time, newest first. */
export type JoinsHeard = (fromUs: number, toUs: number) => readonly JoinHeard[];

export interface Assignment {
  readonly life: LifeState;
  /** Reconstructed 32-bit counter. */
  readonly counter: number;
  readonly repeat: boolean;
  /** Lives whose record changed, the frame's own included. */
  readonly changed: readonly LifeState[];
}

/** A join-request within this time before a counter's fall explains it. Common practice, no source. */
const JOIN_EXPLAINS_US = 600_000_000;

export interface Fit {
  readonly kind: "repeat" | "forward" | "late";
  readonly counter: number;
  readonly cost: number;
}

/**
 * Accounts for one frame without keys and updates the state. Lives that a MIC carries are left alone: with keys at
 * hand see counters.ts.
 */
export function accountFrame(state: AddressState, frame: CountedFrame, joinsHeard: JoinsHeard): Assignment {
  state.lastAtUs = frame.atUs;
  state.lastContent = frame.content;
  let best: { life: LifeState; fit: Fit; cost: number } | null = null;
  for (const life of state.lives.filter(isUnproved)) {
    const fit = fitInto(life, frame);
    if (fit === null) continue;
    const cost = fit.cost + unlikeness(life.radio, frame.radio);
    if (best === null || cost < best.cost) best = { life, fit, cost };
  }
  if (best === null || isRatherAReset(best.life, best.fit, frame)) return beginLife(state, frame, joinsHeard);
  return continueLife(state, best.life, best.fit, frame);
}

/** A counter agrees with the rhythm within this factor, and some (LoRaWAN practice; common practice, no source). */
const RHYTHM_FACTOR = 2.5;
const RHYTHM_SLACK = 3;
const RHYTHM_SLACK_UNKNOWN = 16;

/**
 * A counter that fell, and would have had to count far faster than its rhythm to come round past 65,535 in this time,
 * while it had the time to count up from 0: a restart, not a rollover with hundreds of losses.
 */
function isRatherAReset(life: LifeState, fit: Fit, frame: CountedFrame): boolean {
  const was = life.lastCounter % 65_536;
  if (fit.kind !== "forward" || frame.fcnt >= was) return false;
  const rhythm = rhythmUs(life);
  const elapsedUs = Math.max(0, frame.atUs - life.highAtUs);
  const most =
    rhythm === null ? RHYTHM_SLACK_UNKNOWN : (RHYTHM_FACTOR * elapsedUs) / Math.max(rhythm, 1) + RHYTHM_SLACK;
  if (fit.counter - life.lastCounter <= most) return false;
  return couldBeReset(life, was, { counter: frame.fcnt, atUs: frame.atUs });
}

/** How the frame would continue a life by time, rhythm and content alone; null: not at all. */
export function fitInto(life: LifeState, frame: CountedFrame): Fit | null {
  const known = recentWithLowBits(life, frame.fcnt);
  if (known !== null && known.content === frame.content) {
    const inTime = isInTimeForARepeat(life, known.counter, frame.atUs);
    const was = life.lastCounter % 65_536;
    // A node that starts again with the same payload sends the same octets: much later than a repeat it is a new life.
    if (!inTime && couldBeReset(life, was, { counter: frame.fcnt, atUs: frame.atUs })) return null;
    return {
      kind: "repeat",
      counter: known.counter,
      cost: inTime ? Number.NEGATIVE_INFINITY : LATE_REPEAT_COST,
    };
  }
  const step = modulo16(frame.fcnt - life.lastCounter);
  const elapsedUs = Math.max(0, frame.atUs - life.highAtUs);
  const rhythm = rhythmUs(life);
  if (step >= 1 && step <= largestStep(elapsedUs, rhythm)) {
    return {
      kind: "forward",
      counter: life.lastCounter + step,
      cost: forwardCost(step, elapsedUs, rhythm),
    };
  }
  const back = 65_536 - step;
  const counter = life.lastCounter - back;
  if (known === null && counter >= 0 && isLate(life, counter, back, elapsedUs, rhythm)) {
    return { kind: "late", counter, cost: 1 };
  }
  return null;
}

/** A repeat at the wrong time fits worse than any counter that goes on. Chosen above every likely forwardCost. */
const LATE_REPEAT_COST = 50;

function continueLife(state: AddressState, life: LifeState, fit: Fit, frame: CountedFrame): Assignment {
  const changed = [life];
  if (fit.kind === "forward") {
    advance(life, fit.counter, frame.atUs);
    changed.push(...foundSideBySide(state, life));
  }
  if (fit.kind === "late") life.firstCounter = Math.min(life.firstCounter, fit.counter);
  if (fit.kind !== "repeat") {
    life.heard += 1;
    remember(life, { counter: fit.counter, content: frame.content });
  }
  life.lastAtUs = Math.max(life.lastAtUs, frame.atUs);
  if (frame.radio !== undefined) life.radio = learned(life.radio, frame.radio);
  return { life, counter: fit.counter, repeat: fit.kind === "repeat", changed };
}

/** An older life that goes on after a newer one began: then the newer one was no reset but another device. */
function foundSideBySide(state: AddressState, life: LifeState): LifeState[] {
  const found: LifeState[] = [];
  for (const other of state.lives.filter(isUnproved)) {
    if (other.number <= life.number || other.begunBy === "second-device") continue;
    other.begunBy = "second-device";
    other.reason = `two series of counters run side by side under this address: life ${life.number} went on at ${figure(life.lastCounter)}`;
    found.push(other);
  }
  return found;
}

function beginLife(state: AddressState, frame: CountedFrame, joinsHeard: JoinsHeard): Assignment {
  const before = state.lives.filter(isUnproved).at(-1) ?? null;
  const { devEui, ...beginning } = explainBeginning(before, frame, joinsHeard);
  state.begun += 1;
  const life: LifeState = {
    number: state.begun,
    ...beginning,
    firstAtUs: frame.atUs,
    lastAtUs: frame.atUs,
    firstCounter: frame.fcnt,
    lastCounter: frame.fcnt,
    highAtUs: frame.atUs,
    heard: 1,
    recent: [{ counter: frame.fcnt, content: frame.content }],
    stepsUs: [],
    ...(frame.radio === undefined ? {} : { radio: learned(undefined, frame.radio) }),
    ...(devEui === undefined ? {} : { devEui, proof: "join-time" }),
  };
  state.lives.push(life);
  makeRoom(state);
  return { life, counter: frame.fcnt, repeat: false, changed: [life] };
}

function explainBeginning(
  before: LifeState | null,
  frame: CountedFrame,
  joinsHeard: JoinsHeard,
): { begunBy: LifeBeginning; reason: string; devEui?: string } {
  const joined = devicesThatMayBe(before, joinsHeard(frame.atUs - JOIN_EXPLAINS_US, frame.atUs));
  const [devEui] = joined;
  if (before === null) {
    return {
      begunBy: "first-heard",
      reason: `first heard with counter ${figure(frame.fcnt)}`,
    };
  }
  const was = before.lastCounter % 65_536;
  // In words as the life's own list shows it, beyond 65,535 too.
  const change =
    was === frame.fcnt
      ? `counter ${figure(before.lastCounter)} came again, later than a repeat comes`
      : changeWords(before.lastCounter, frame.fcnt);
  if (!couldBeReset(before, was, { counter: frame.fcnt, atUs: frame.atUs })) {
    return {
      begunBy: "unexplained",
      reason: `${change}, too far for the time that passed`,
    };
  }
  if (devEui !== undefined && joined.length === 1) {
    return {
      begunBy: "join",
      reason: `${change} after a join-request of ${devEui}`,
      devEui,
    };
  }
  if (joined.length > 1) {
    return {
      begunBy: "counter-reset",
      reason: `${change}; ${joined.length} devices asked to join, and which of them is not known`,
    };
  }
  return { begunBy: "counter-reset", reason: `${change}, no join heard` };
}

/** A join-request this far from the node's own level at the same gateway is another device's. Chosen: one and a half spreads. */
const MAX_LEVEL_APART_TENTHS = 120;

/** The devices whose join-requests may be this node's by their level at a gateway that heard both. */
function devicesThatMayBe(before: LifeState | null, joins: readonly JoinHeard[]): string[] {
  const isAnothers = ({ gatewayId, rssiTenths }: JoinHeard) => {
    const own = before?.radio?.levels[gatewayId];
    return own !== undefined && rssiTenths !== null && Math.abs(rssiTenths - own) > MAX_LEVEL_APART_TENTHS;
  };
  const others = new Set(joins.filter(isAnothers).map(({ devEui }) => devEui));
  return [...new Set(joins.map(({ devEui }) => devEui))].filter((devEui) => !others.has(devEui));
}

/** Takes a counter among the newest heard of a life. */
export function remember(life: LifeState, heard: LifeState["recent"][number]): void {
  life.recent.push(heard);
  if (life.recent.length > RECENT_COUNTERS) life.recent.shift();
}
