/**
 * Which counter is this frame, and in which life, when keys are available? As identity.ts orders the evidence: a
 * whole MIC decides counter and device; a frame that no key fits is kept apart from the lives that MICs carry; half a
 * MIC is believed where the keyless rules agree, or when a second one confirms it. Without a proof nothing differs
 * from counters.ts.
 */

import {
  type Assignment,
  accountFrame,
  type CountedFrame,
  fitInto,
  type JoinsHeard,
  remember,
} from "../counters.ts";
import {
  type AddressState,
  advance,
  isLate,
  isUnproved,
  type LifeState,
  largestStep,
  makeRoom,
  recentWithLowBits,
  rhythmUs,
} from "../life-state.ts";

import { placeCounter } from "./halves.ts";
import {
  type Beginning,
  currentLife,
  explainFall,
  explainFirst,
  explainOutOfTime,
  judgeSameCounter,
  type Proof,
  type Sender,
} from "./proof.ts";

/** A frame whose sender the stored keys were asked for. */
export interface KeyedFrame extends CountedFrame {
  readonly airtimeUs: number;
}

/** What the accounting asks of the rest of the store. */
export interface Surroundings {
  readonly joinsHeard: JoinsHeard;
  /** Did this set of keys prove a frame of this content before this time? Asked for what memory no longer holds. */
  readonly provedBefore: (session: number, content: number, beforeUs: number) => boolean;
}

export interface KeyedAssignment extends Assignment {
  /** null: no key could say. */
  readonly micValid: boolean | null;
  /** The set of keys that proved the frame. */
  readonly session: number | null;
  /** The very frame, at a time at which its node does not send it any more; a repeat too. */
  readonly replay: boolean;
}

/** Accounts for one frame and updates the state. */
export function accountWithKeys(
  state: AddressState,
  frame: KeyedFrame,
  proof: Proof,
  around: Surroundings,
): KeyedAssignment {
  if (proof.kind === "proved" && (!proof.half || believesHalf(state, frame, proof))) {
    return accountProved(state, frame, proof, around);
  }
  const begun = state.begun;
  const assignment = accountFrame(state, frame, around.joinsHeard);
  if (proof.kind === "proved") {
    state.halfProved = {
      session: proof.sender.session,
      counter: proof.counter32,
      atUs: frame.atUs,
      life: assignment.life.number,
    };
  }
  if (state.begun > begun && proof.kind === "foreign") tellForeign(state, assignment.life);
  return {
    life: assignment.life,
    counter: assignment.counter,
    repeat: assignment.repeat,
    changed: assignment.changed,
    micValid: proof.kind === "foreign" ? false : null,
    session: null,
    replay: false,
  };
}

function tellForeign(state: AddressState, life: LifeState): void {
  life.reason += "; its MIC fits no key available";
  if (life.begunBy === "first-heard" && !state.lives.every(isUnproved)) life.begunBy = "second-device";
}

/** identity.ts, rule 3: where the keyless rules choose the same counter, or after a second such frame. */
function believesHalf(
  state: AddressState,
  frame: KeyedFrame,
  { sender, counter32 }: Extract<Proof, { kind: "proved" }>,
): boolean {
  const life = currentLife(state, sender.session);
  const fit = life === null ? null : fitInto(life, frame);
  if (fit !== null && (fit.counter === counter32 || fit.counter % 65_536 === counter32)) return true;
  const waiting = state.halfProved;
  if (waiting === undefined || waiting.session !== sender.session) return false;
  const steps = counter32 - waiting.counter;
  if (steps < 0 || steps > largestStep(Math.max(0, frame.atUs - waiting.atUs), null)) return false;
  delete state.halfProved;
  const begunByIt = state.lives.find((one) => one.number === waiting.life);
  if (life === null && begunByIt?.heard === 1 && isUnproved(begunByIt)) {
    begunByIt.session = sender.session;
    begunByIt.proof = "mic";
    if (sender.devEui !== null) begunByIt.devEui = sender.devEui;
    for (const entry of begunByIt.recent) entry.atUs = waiting.atUs;
  }
  return true;
}

function accountProved(
  state: AddressState,
  frame: KeyedFrame,
  { sender, counter32 }: Extract<Proof, { kind: "proved" }>,
  around: Surroundings,
): KeyedAssignment {
  state.lastAtUs = frame.atUs;
  state.lastContent = frame.content;
  const verified = { micValid: true, session: sender.session, replay: false } as const;
  const lives = livesOfSession(state, sender.session);
  const [current] = lives;
  if (current === undefined) {
    const life = beginLife(state, frame, sender, counter32, explainFirst(state, sender, counter32));
    return { ...verified, life, counter: counter32, repeat: false, changed: [life] };
  }
  const again = heardAgain(lives, frame, counter32);
  if (again !== null) {
    if (!again.replay) again.life.lastAtUs = Math.max(again.life.lastAtUs, frame.atUs);
    return { ...verified, ...again, repeat: true, changed: [again.life] };
  }
  if (around.provedBefore(sender.session, frame.content, frame.atUs)) {
    return { ...verified, life: current, counter: counter32, repeat: true, replay: true, changed: [] };
  }
  for (const life of lives) {
    const place = placeIn(life, frame, sender, counter32);
    if (place === null || (place.anyGap && lives.some((other) => fitsSoon(other, frame, sender, counter32))))
      continue;
    return { ...verified, ...continueProved(state, life, frame, place.counter, counter32), repeat: false };
  }
  const life = beginLife(state, frame, sender, counter32, explainFall(current, frame.atUs, counter32));
  return { ...verified, life, counter: counter32, repeat: false, changed: [life] };
}

/** The lives that a set of keys carries, the one whose counter rose last first. */
function livesOfSession(state: AddressState, session: number): LifeState[] {
  return state.lives
    .filter((life) => life.session === session)
    .sort((a, b) => b.highAtUs - a.highAtUs || b.number - a.number);
}

/** The same frame once more, as far as memory reaches: repeated, or replayed? */
function heardAgain(
  lives: readonly LifeState[],
  frame: KeyedFrame,
  counter32: number,
): { life: LifeState; counter: number; replay: boolean } | null {
  for (const life of lives) {
    const known = recentWithLowBits(life, frame.fcnt);
    if (known === null || known.content !== frame.content) continue;
    // Equal content is an equal MIC in the two octets that repeats share: see group-receptions.ts.
    const mic = new Uint8Array(4);
    const first = { counter32, mic, content: known.content, atUs: known.atUs ?? frame.atUs };
    const judged = judgeSameCounter(
      first,
      { counter32, mic, content: frame.content, atUs: frame.atUs },
      {
        airtimeUs: frame.airtimeUs,
        nbTrans: null,
        newerAtUs: newerAtUs(lives, life, known.counter),
      },
    );
    return { life, counter: known.counter, replay: judged === "replay" };
  }
  return null;
}

/** When a counter was left behind: the first higher one of its life, or the begin of a later life. */
function newerAtUs(lives: readonly LifeState[], life: LifeState, counter: number): number | null {
  const times = life.recent.flatMap((entry) =>
    entry.counter > counter && entry.atUs !== undefined ? [entry.atUs] : [],
  );
  for (const other of lives) if (other.number > life.number) times.push(other.firstAtUs);
  return times.length === 0 ? null : Math.min(...times);
}

/** Where a proved counter stands in a life; `anyGap`: forwards, but over more steps than the time explains. */
function placeIn(
  life: LifeState,
  frame: KeyedFrame,
  sender: Sender,
  counter32: number,
): { counter: number; anyGap: boolean } | null {
  const elapsedUs = Math.max(0, frame.atUs - life.highAtUs);
  const rhythm = rhythmUs(life);
  const soon = largestStep(elapsedUs, rhythm);
  const counterBits = sender.counterBits ?? (life.isWide ? 32 : null);
  const place = placeCounter(counter32, { lastCounter: life.lastCounter, counterBits, largestStep: soon });
  if (place.kind === "forward") return { counter: counter32, anyGap: place.steps > soon };
  if (place.kind === "wrapped") return { counter: place.counter, anyGap: false };
  if (place.kind !== "behind") return null;
  const counter = life.lastCounter - place.back;
  if (counter < 0 || life.recent.some((entry) => entry.counter === counter)) return null;
  return isLate(life, counter, place.back, elapsedUs, rhythm) ? { counter, anyGap: false } : null;
}

function fitsSoon(life: LifeState, frame: KeyedFrame, sender: Sender, counter32: number): boolean {
  const place = placeIn(life, frame, sender, counter32);
  return place !== null && !place.anyGap;
}

function continueProved(
  state: AddressState,
  life: LifeState,
  frame: KeyedFrame,
  counter: number,
  counter32: number,
): Pick<Assignment, "life" | "counter" | "changed"> {
  const changed = [life];
  if (counter > life.lastCounter) {
    const roseBeforeUs = life.highAtUs;
    advance(life, counter, frame.atUs);
    // A lone counter out of line began a life; now that the older one goes on, it was no reset.
    for (const other of state.lives) {
      const isLone = other.session === life.session && other.number > life.number && other.heard === 1;
      if (!isLone || other.firstAtUs < roseBeforeUs) continue;
      Object.assign(other, explainOutOfTime(other, life));
    }
  }
  life.firstCounter = Math.min(life.firstCounter, counter);
  life.lastAtUs = Math.max(life.lastAtUs, frame.atUs);
  life.heard += 1;
  if (counter32 > 0xffff) life.isWide = true;
  remember(life, { counter, content: frame.content, atUs: frame.atUs });
  return { life, counter, changed };
}

function beginLife(
  state: AddressState,
  frame: KeyedFrame,
  { session, devEui }: Sender,
  counter32: number,
  beginning: Beginning,
): LifeState {
  const isWide = counter32 > 0xffff || state.lives.some((life) => life.session === session && life.isWide);
  state.begun += 1;
  const life: LifeState = {
    number: state.begun,
    ...beginning,
    firstAtUs: frame.atUs,
    lastAtUs: frame.atUs,
    firstCounter: counter32,
    lastCounter: counter32,
    highAtUs: frame.atUs,
    heard: 1,
    recent: [{ counter: counter32, content: frame.content, atUs: frame.atUs }],
    stepsUs: [],
    session,
    proof: "mic",
    ...(devEui === null ? {} : { devEui }),
    ...(isWide ? { isWide } : {}),
  };
  state.lives.push(life);
  makeRoom(state);
  return life;
}
