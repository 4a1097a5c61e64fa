/**
 * Which counter is this frame, and in which life of its address? The accounting that loss figures rest on.
 *
 * Only 16 bits of a counter are on air. A frame continues a life when its counter fits forwards (rollover
 * included), fills a hole as a late arrival, or repeats a counter with the same content. A counter that can be
 * none of these begins a new life: it is never counted as thousands of losses. Frames must be handed in sorted
 * by (time, content); the result depends on nothing else. Rules and limits: LoRaWAN L2 1.0.4 section 4.3.1.5,
 * LoRaWAN 1.0.2 section 4.3.1.5 (MAX_FCNT_GAP 16384), TR007 section 4.12 (one step a transmission).
 */
import {
  type AddressState,
  type LifeBeginning,
  type LifeState,
  OPEN_LIVES,
  RECENT_COUNTERS,
  RHYTHM_STEPS,
  recentWithLowBits,
  rhythmUs,
} from "./life-state.ts";

/** What the accounting needs of one uplink data frame. */
export interface CountedFrame {
  readonly atUs: number;
  /** The counter on air, 0 to 65535. */
  readonly fcnt: number;
  /** See content.ts. */
  readonly content: number;
}

/** Answers whether a join-request was heard shortly before; the DevEUI of the newest one, or null. */
export type JoinsHeard = (fromUs: number, toUs: number) => string | null;

export interface Assignment {
  readonly life: LifeState;
  /** Reconstructed 32-bit counter. */
  readonly counter: number;
  readonly repeat: boolean;
  /** Lives whose record changed, the frame's own included. */
  readonly changed: readonly LifeState[];
}

/** LoRaWAN 1.0.2, section 4.3.1.5: MAX_FCNT_GAP. No life is continued over a larger step. */
const MAX_FCNT_GAP = 16_384;
/** A late arrival is at most this many counters behind. Common practice, no source. */
const LATE_COUNTERS = 32;
/** and at most this long after the frame that overtook it. Common practice, no source. */
const LATE_US = 60_000_000;
/** Fastest counting believed while a life's rhythm is unknown. Chosen: one frame a second beats every duty cycle. */
const FASTEST_STEP_US = 1_000_000;
/** A join-request within this time before a counter's fall explains it. Common practice, no source. */
const JOIN_EXPLAINS_US = 600_000_000;

type Fit = {
  kind: "repeat" | "forward" | "late";
  counter: number;
  cost: number;
};

/** Accounts for one frame and updates the state. */
export function accountFrame(state: AddressState, frame: CountedFrame, joinsHeard: JoinsHeard): Assignment {
  state.lastAtUs = frame.atUs;
  state.lastContent = frame.content;
  let best: { life: LifeState; fit: Fit } | null = null;
  for (const life of state.lives) {
    const fit = fitInto(life, frame);
    if (fit !== null && (best === null || fit.cost < best.fit.cost)) best = { life, fit };
  }
  if (best === null) return beginLife(state, frame, joinsHeard);
  return continueLife(state, best.life, best.fit, frame);
}

function fitInto(life: LifeState, frame: CountedFrame): Fit | null {
  const known = recentWithLowBits(life, frame.fcnt);
  if (known !== null && known.content === frame.content) {
    return {
      kind: "repeat",
      counter: known.counter,
      cost: Number.NEGATIVE_INFINITY,
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

/** Eight times as fast as the rhythm predicts, and some: a bound, not a belief. */
function largestStep(elapsedUs: number, rhythm: number | null): number {
  const predicted = rhythm === null ? elapsedUs / FASTEST_STEP_US : (8 * elapsedUs) / Math.max(rhythm, 1);
  return Math.min(MAX_FCNT_GAP, Math.floor(predicted) + 16);
}

/**
 * Minus the logarithm of a normal likelihood (constants left out) of this many steps in this time, with a
 * spread of 0.3 steps plus 5 % of the expectation. Decides between lives that go on side by side: a life long
 * silent predicts vaguely and loses against one that predicts exactly.
 */
function forwardCost(step: number, elapsedUs: number, rhythm: number | null): number {
  if (rhythm === null) return 2 + Math.log(step);
  const expected = elapsedUs / Math.max(rhythm, 1);
  const spread = 0.3 + 0.05 * expected;
  return ((step - expected) / spread) ** 2 / 2 + Math.log(spread);
}

function isLate(
  life: LifeState,
  counter: number,
  back: number,
  elapsedUs: number,
  rhythm: number | null,
): boolean {
  if (back > LATE_COUNTERS || elapsedUs > LATE_US) return false;
  // Below its first counter a life is only extended while it is too young to tell a fall from a late frame.
  if (counter < life.firstCounter && life.heard >= 3) return false;
  if (life.lastCounter - counter >= RECENT_COUNTERS) return false;
  return back <= 2 || rhythm === null || back * rhythm <= LATE_US;
}

function continueLife(state: AddressState, life: LifeState, fit: Fit, frame: CountedFrame): Assignment {
  const changed = [life];
  if (fit.kind === "forward") {
    const step = fit.counter - life.lastCounter;
    life.stepsUs.push(Math.max(0, frame.atUs - life.highAtUs) / step);
    if (life.stepsUs.length > RHYTHM_STEPS) life.stepsUs.shift();
    life.lastCounter = fit.counter;
    life.highAtUs = frame.atUs;
    changed.push(...foundSideBySide(state, life));
  }
  if (fit.kind === "late") life.firstCounter = Math.min(life.firstCounter, fit.counter);
  if (fit.kind !== "repeat") {
    life.heard += 1;
    remember(life, fit.counter, frame.content);
  }
  life.lastAtUs = Math.max(life.lastAtUs, frame.atUs);
  return { life, counter: fit.counter, repeat: fit.kind === "repeat", changed };
}

/** An older life that goes on after a newer one began: then the newer one was no reset but another device. */
function foundSideBySide(state: AddressState, life: LifeState): LifeState[] {
  const found: LifeState[] = [];
  for (const other of state.lives) {
    if (other.number <= life.number || other.begunBy === "second-device") continue;
    other.begunBy = "second-device";
    other.reason = `two series of counters run side by side under this address: life ${life.number} went on at ${grouped(life.lastCounter)}`;
    found.push(other);
  }
  return found;
}

function beginLife(state: AddressState, frame: CountedFrame, joinsHeard: JoinsHeard): Assignment {
  const before = state.lives.at(-1) ?? null;
  const { begunBy, reason } = explainBeginning(before, frame, joinsHeard);
  state.begun += 1;
  const life: LifeState = {
    number: state.begun,
    begunBy,
    reason,
    firstAtUs: frame.atUs,
    lastAtUs: frame.atUs,
    firstCounter: frame.fcnt,
    lastCounter: frame.fcnt,
    highAtUs: frame.atUs,
    heard: 1,
    recent: [{ counter: frame.fcnt, content: frame.content }],
    stepsUs: [],
  };
  state.lives.push(life);
  if (state.lives.length > OPEN_LIVES) state.lives.shift();
  return { life, counter: frame.fcnt, repeat: false, changed: [life] };
}

function explainBeginning(
  before: LifeState | null,
  frame: CountedFrame,
  joinsHeard: JoinsHeard,
): { begunBy: LifeBeginning; reason: string } {
  const devEui = joinsHeard(frame.atUs - JOIN_EXPLAINS_US, frame.atUs);
  if (before === null) {
    return {
      begunBy: "first-heard",
      reason: `first heard with counter ${grouped(frame.fcnt)}`,
    };
  }
  const was = before.lastCounter % 65_536;
  const change = `counter ${frame.fcnt < was ? "fell" : "went"} from ${grouped(was)} to ${grouped(frame.fcnt)}`;
  if (!couldBeReset(before, frame)) {
    return {
      begunBy: "unexplained",
      reason: `${change}, too far for the time that passed`,
    };
  }
  if (devEui !== null) {
    return {
      begunBy: "join",
      reason: `${change} after a join-request of ${devEui}`,
    };
  }
  return { begunBy: "counter-reset", reason: `${change}, no join heard` };
}

/** A device that began again at 0 has had the time to count to this frame (with room for a faster start). */
function couldBeReset(before: LifeState, frame: CountedFrame): boolean {
  if (frame.fcnt <= 2) return true;
  const stepUs = 0.4 * (rhythmUs(before) ?? FASTEST_STEP_US);
  return (
    frame.fcnt < before.lastCounter % 65_536 && (frame.fcnt + 1) * stepUs <= frame.atUs - before.highAtUs
  );
}

function remember(life: LifeState, counter: number, content: number): void {
  life.recent.push({ counter, content });
  if (life.recent.length > RECENT_COUNTERS) life.recent.shift();
}

function modulo16(value: number): number {
  return ((value % 65_536) + 65_536) % 65_536;
}

function grouped(value: number): string {
  return value.toLocaleString("en-GB");
}
