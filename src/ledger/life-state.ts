/**
 * What must be remembered of an address to account for its next frame? Its open counter lives, each with its
 * newest counters and its rhythm. Plain data, so that it can be stored and taken up again.
 */
import { figure } from "../words/format.ts";

// Does a frame sound like the device of a life: its data rate, its level at a gateway? Weighed only between lives that
// go on side by side under one address. Alone it decides nothing: a node that is moved, or given another data rate, is
// still the same node.

/** How the first hearing of a frame sounded. */
export interface RadioEvidence {
  /** Any number that is equal for equal data rates. */
  readonly dataRate: number;
  readonly gatewayId: number;
  /** Tenths of a dBm; null when the gateway did not say. */
  readonly rssiTenths: number | null;
}

/** What a life remembers of its sound. Plain data. */
interface RadioMemory {
  dataRate: number;
  /** Smoothed level in tenths of a dBm, by gateway. */
  levels: Record<number, number>;
}

/** Spread of a node's level at one gateway: fading and people about, 8 dB (path-loss campaigns find 7 to 8 dB). */
const LEVEL_SPREAD_TENTHS = 80;
/** Levels never outweigh everything else. Chosen. */
const MAX_LEVEL_COST = 6;
/** A data rate changes now and then: a factor of about four and a half against it. Chosen. */
const DATA_RATE_COST = 1.5;
/** Weight of a new level in the smoothed one. Chosen. */
const LEVEL_WEIGHT = 0.25;

/** Minus a log-likelihood, 0 for a perfect likeness or where nothing is known. */
export function unlikeness(memory: RadioMemory | undefined, evidence: RadioEvidence | undefined): number {
  if (memory === undefined || evidence === undefined) return 0;
  const rate = memory.dataRate === evidence.dataRate ? 0 : DATA_RATE_COST;
  const level = memory.levels[evidence.gatewayId];
  if (level === undefined || evidence.rssiTenths === null) return rate;
  const apart = (evidence.rssiTenths - level) / LEVEL_SPREAD_TENTHS;
  return rate + Math.min(MAX_LEVEL_COST, apart ** 2 / 2);
}

/** The memory after one more frame. */
export function learned(memory: RadioMemory | undefined, evidence: RadioEvidence): RadioMemory {
  const levels = { ...memory?.levels };
  const { gatewayId, rssiTenths, dataRate } = evidence;
  if (rssiTenths !== null) {
    const before = levels[gatewayId] ?? rssiTenths;
    levels[gatewayId] = Math.round(before + LEVEL_WEIGHT * (rssiTenths - before));
  }
  return { dataRate, levels };
}

export type LifeBeginning = "first-heard" | "counter-reset" | "join" | "second-device" | "unexplained";

/** One counter life of an address: what the accounting knows of it. */
export interface LifeState {
  /** 1 for the first life of the address, counted in the order in which lives were found. */
  readonly number: number;
  begunBy: LifeBeginning;
  /** One clause: "counter fell from 4,212 to 0, no join heard". */
  reason: string;
  readonly firstAtUs: number;
  /** Time of the newest frame of the life. */
  lastAtUs: number;
  /** Lowest and highest reconstructed counter. */
  firstCounter: number;
  lastCounter: number;
  /** When the highest counter was heard first. */
  highAtUs: number;
  /** Distinct counters heard. */
  heard: number;
  /** The newest counters heard, oldest first, at most RECENT_COUNTERS. */
  recent: { counter: number; content: number; atUs?: number }[];
  /** The newest intervals of one counter step, at most RHYTHM_STEPS, in microseconds. */
  stepsUs: number[];
  /** How its frames sounded of late; absent where nobody said. */
  radio?: RadioMemory;
  /** Which set of keys proved its frames; absent in a life that was followed without keys. */
  session?: number;
  /** With keys: a counter above 65535 was proved, so the node counts with 32 bits. */
  isWide?: true;
  /** The device, where it is known. */
  devEui?: string;
  /** How the device, or its set of keys, is known. */
  proof?: LifeProof;
}

/** `mic`: its frames' MICs; `join-time`: a join-request of the device was heard shortly before. */
export type LifeProof = "mic" | "join-time";

export interface AddressState {
  /** At most OPEN_LIVES, the newest last. */
  lives: LifeState[];
  /** Lives ever begun under this address. */
  begun: number;
  /** Sorting key of the newest frame accounted. */
  lastAtUs: number;
  lastContent: number;
  /** A frame of which half a MIC fitted a set of keys, and the life that it went into until another confirms it. */
  halfProved?: { session: number; counter: number; atUs: number; life: number };
  /** Frames that a set of keys without a life failed to prove. */
  failed?: Record<number, number>;
  /** 1.1: how the nodes' frames were sent, by set of keys, frequency and data rate. */
  sent?: Record<string, { txDr: number; txCh: number; agreed: number }>;
}

export const RECENT_COUNTERS = 64;
export const RHYTHM_STEPS = 32;
/** Lives of one address that may go on side by side. Chosen: more than two devices on one address were never worth following without keys. */
export const OPEN_LIVES = 4;

export function newAddressState(): AddressState {
  return {
    lives: [],
    begun: 0,
    lastAtUs: Number.NEGATIVE_INFINITY,
    lastContent: -1,
  };
}

/** No MIC carries this life. */
export function isUnproved(life: LifeState): boolean {
  return life.session === undefined;
}

/** Lives kept of one set of keys: the newest, and the one before, which a late frame may still belong to. */
const LIVES_OF_SESSION = 2;

/** Lets lives go that are too many: those longest without a new counter, never the newest. */
export function makeRoom(state: AddressState): void {
  const newest = state.lives.at(-1);
  const alike = state.lives.filter((life) => life.session === newest?.session);
  if (newest === undefined || alike.length <= (isUnproved(newest) ? OPEN_LIVES : LIVES_OF_SESSION)) return;
  const oldest = isUnproved(newest)
    ? alike[0]
    : alike.slice(0, -1).reduce((a, b) => (b.highAtUs < a.highAtUs ? b : a));
  state.lives = state.lives.filter((life) => life !== oldest);
}

/** Median interval of one counter step in microseconds; null until three steps are known. */
export function rhythmUs(life: LifeState): number | null {
  if (life.stepsUs.length < 3) return null;
  const sorted = [...life.stepsUs].sort((a, b) => a - b);
  const middle = sorted.length >> 1;
  const upper = sorted[middle] ?? 0;
  return sorted.length % 2 === 1 ? upper : ((sorted[middle - 1] ?? upper) + upper) / 2;
}

/** The heard counter of a life with these low 16 bits among its newest; the newest such. */
export function recentWithLowBits(life: LifeState, fcnt: number): LifeState["recent"][number] | null {
  for (let i = life.recent.length - 1; i >= 0; i--) {
    const entry = life.recent[i];
    if (entry !== undefined && entry.counter % 65536 === fcnt) return entry;
  }
  return null;
}

// How well does a counter continue a life? The bounds and likelihoods that the accounting decides by, with keys and
// without.
// Sources: LoRaWAN 1.0.2, section 4.3.1.5 (MAX_FCNT_GAP 16384).

/** LoRaWAN 1.0.2, section 4.3.1.5: MAX_FCNT_GAP. No life is continued over a larger step. */
const MAX_FCNT_GAP = 16_384;
/** A late arrival is at most this many counters behind. Common practice, no source. */
const LATE_COUNTERS = 32;
/** and at most this long after the frame that overtook it. Common practice, no source. */
const LATE_US = 60_000_000;
/** Fastest counting believed while a life's rhythm is unknown. Chosen: one frame a second beats every duty cycle. */
const FASTEST_STEP_US = 1_000_000;

/** Eight times as fast as the rhythm predicts, and some: a bound, not a belief. */
export function largestStep(elapsedUs: number, rhythm: number | null): number {
  const predicted = rhythm === null ? elapsedUs / FASTEST_STEP_US : (8 * elapsedUs) / Math.max(rhythm, 1);
  return Math.min(MAX_FCNT_GAP, Math.floor(predicted) + 16);
}

/**
 * Minus the logarithm of a normal likelihood (constants left out) of this many steps in this time, with a
 * spread of 0.3 steps plus 5 % of the expectation. Decides between lives that go on side by side: a life long
 * silent predicts vaguely and loses against one that predicts exactly.
 */
export function forwardCost(step: number, elapsedUs: number, rhythm: number | null): number {
  if (rhythm === null) return 2 + Math.log(step);
  const expected = elapsedUs / Math.max(rhythm, 1);
  const spread = 0.3 + 0.05 * expected;
  return ((step - expected) / spread) ** 2 / 2 + Math.log(spread);
}

/**
 * The longest time from one transmission of a counter to the next. Chosen: an unconfirmed frame is repeated after its receive
 * windows, a confirmed one 1 to 3 s after them (LoRaWAN L2 1.0.4, RETRANSMIT_TIMEOUT); the longest frame, 2.8 s at SF12, keeps
 * a node at 1 % duty cycle silent for 280 s. Twice that leaves room.
 */
const REPEAT_WITHIN_US = 600_000_000;

/**
 * Whether a counter that was heard before can be a repeat now. Once a newer counter was sent the older one is not sent again: then
 * only a late delivery brings it.
 */
export function isInTimeForARepeat(life: LifeState, counter: number, atUs: number): boolean {
  return counter === life.lastCounter
    ? atUs - life.lastAtUs <= REPEAT_WITHIN_US
    : atUs - life.highAtUs <= LATE_US;
}

export function isLate(
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

/** A device that began again at 0 has had the time to count to this frame (with room for a faster start). */
export function couldBeReset(
  before: LifeState,
  lastCounter: number,
  { counter, atUs }: { readonly counter: number; readonly atUs: number },
): boolean {
  if (counter <= 2) return true;
  const stepUs = 0.4 * (rhythmUs(before) ?? FASTEST_STEP_US);
  return counter < lastCounter && (counter + 1) * stepUs <= atUs - before.highAtUs;
}

/** Remainder modulo 2^16, never negative. */
export function modulo16(value: number): number {
  return ((value % 65_536) + 65_536) % 65_536;
}

/** Takes a counter step into the rhythm and the height of a life. */
export function advance(life: LifeState, counter: number, atUs: number): void {
  life.stepsUs.push(Math.max(0, atUs - life.highAtUs) / (counter - life.lastCounter));
  if (life.stepsUs.length > RHYTHM_STEPS) life.stepsUs.shift();
  life.lastCounter = counter;
  life.highAtUs = atUs;
}

/** "fell from 4,212 to 0" or "went from 7 to 9,000". */
export function changeWords(from: number, to: number): string {
  return `counter ${to < from ? "fell" : "went"} from ${figure(from)} to ${figure(to)}`;
}
