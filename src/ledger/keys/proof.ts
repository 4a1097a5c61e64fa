/**
 * Whose frame is this, by its MIC? Asks the stored keys for an address, with what the accounting knows of each of
 * them: last counter, and in 1.1 how frames of this radio setting were sent.
 */
import type { Eui } from "../../model/identifiers.ts";
import { sameOctets } from "../../wire/lorawan/octets.ts";
import type { DataFrame } from "../../wire/lorawan/phy-payload.ts";
import { figure } from "../../words/format.ts";
import {
  type AddressState,
  changeWords,
  couldBeReset,
  isUnproved,
  type LifeBeginning,
  type LifeState,
} from "../life-state.ts";

import type { Transmitted } from "./halves.ts";
import type { NodeKeys } from "./identity.ts";
import { identifySender } from "./joins.ts";

/** A set of keys that has a number, so that the accounting can speak of it without holding it. */
export interface NumberedKeys extends NodeKeys {
  readonly id: number;
  /** `join`: the session of a join that was followed. */
  readonly origin: "person" | "join";
}

/** The set of keys that proved a frame; no key in it. */
export interface Sender {
  readonly session: number;
  readonly devEui: Eui | null;
  readonly joined: boolean;
  readonly counterBits: 16 | 32 | null;
}

export type Proof =
  | { readonly kind: "proved"; readonly sender: Sender; readonly counter32: number; readonly half: boolean }
  /** Every key at hand was tried, and none fits: a stranger under this address, or damage. */
  | { readonly kind: "foreign" }
  /** No key at hand can say. */
  | { readonly kind: "unknown" };

/** Radio settings of which it is remembered how a 1.1 MIC holds them. Chosen. */
const MAX_SENT = 64;
/** A search for data rate and channel meets a wrong pair in one frame of fifty: two frames must agree. */
const AGREED_ENOUGH = 2;

/**
 * Frames that a set of keys may fail to prove before the long search for its first counter (256 upper halves, some
 * 8 ms) becomes rare; 16 halves, a million frames of a node's life, are tried on every frame. Chosen: keys that are
 * wrong, or a stranger's traffic, must not hold up the ledger.
 */
const LONG_SEARCHES = 32;
const RARE_LONG_SEARCH = 64;

/** `radio` names frequency and data rate of the frame; the same text for the same setting. */
export function proveSender(
  state: AddressState,
  phyPayload: Uint8Array,
  frame: DataFrame,
  candidates: readonly NumberedKeys[],
  radio: string,
): Proof {
  // The set that proved the newest frame is the likeliest; the order of time costs nothing but time.
  const ordered = [...candidates].sort((a, b) => heardAtUs(state, b.id) - heardAtUs(state, a.id));
  const numbers = new Map<NodeKeys, NumberedKeys>(ordered.map((keys) => [keys, keys]));
  const verdict = identifySender(phyPayload, frame, ordered, (node) => {
    const id = numbers.get(node)?.id ?? 0;
    const sent = sentAs(state, `${id}/${radio}`);
    return {
      lastCounter: currentLife(state, id)?.lastCounter ?? (searchesLong(state, id) ? null : 0),
      ...(sent === null ? {} : { sent }),
    };
  });
  if (verdict.verdict === "invalid") {
    for (const { id } of ordered) if (currentLife(state, id) === null) countFailure(state, id);
    return { kind: "foreign" };
  }
  const keys = verdict.verdict === "valid" ? numbers.get(verdict.node) : undefined;
  if (verdict.verdict === "unknown" || keys === undefined) return { kind: "unknown" };
  const { counter32, half, sent } = verdict.counter;
  if (sent !== null) rememberSent(state, `${keys.id}/${radio}`, sent);
  const { id, devEui, origin, counterBits } = keys;
  return {
    kind: "proved",
    sender: { session: id, devEui, joined: origin === "join", counterBits },
    counter32,
    half,
  };
}

/** The life that this set of keys carries now: of those kept, the one whose counter rose last. */
export function currentLife(state: AddressState, session: number): LifeState | null {
  let current: LifeState | null = null;
  for (const life of state.lives) {
    if (life.session !== session) continue;
    if (current === null || life.highAtUs >= current.highAtUs) current = life;
  }
  return current;
}

function searchesLong(state: AddressState, session: number): boolean {
  const failed = state.failed?.[session] ?? 0;
  return failed < LONG_SEARCHES || failed % RARE_LONG_SEARCH === 0;
}

function countFailure(state: AddressState, session: number): void {
  const all = state.failed ?? {};
  state.failed = all;
  all[session] = (all[session] ?? 0) + 1;
}

function heardAtUs(state: AddressState, session: number): number {
  return currentLife(state, session)?.highAtUs ?? Number.MIN_SAFE_INTEGER;
}

function sentAs(state: AddressState, key: string): Transmitted | null {
  const known = state.sent?.[key];
  return known === undefined || known.agreed < AGREED_ENOUGH ? null : { txDr: known.txDr, txCh: known.txCh };
}

function rememberSent(state: AddressState, key: string, { txDr, txCh }: Transmitted): void {
  const all = state.sent ?? {};
  state.sent = all;
  const known = all[key];
  const agrees = known?.txDr === txDr && known.txCh === txCh;
  all[key] = { txDr, txCh, agreed: agrees ? Math.min(known.agreed + 1, AGREED_ENOUGH) : 1 };
  const [oldest, ...others] = Object.keys(all);
  if (oldest !== undefined && others.length >= MAX_SENT) delete all[oldest];
}

// The same counter proved again: did the node repeat the frame, did somebody replay it, or was the counter used twice?
// Sources: LoRaWAN 1.0.3, section 5.2 and L2 1.0.4, section 5.2 (NbTrans); LoRaWAN 1.1, section 4.4 (of a 1.1 MIC the
// first two octets depend on channel and data rate, so repeats share the last two alone).

/** A transmission whose counter was proved with the node's keys. */
export interface ProvedFrame {
  readonly counter32: number;
  /** Four octets. */
  readonly mic: Uint8Array;
  /** See group-receptions.ts. */
  readonly content: number;
  /** When it was sent, as well as it is known: a gateway that delivers late must give its own time. */
  readonly atUs: number;
}

/** What bounds honest repeats. */
export interface RepeatBounds {
  /** Of one transmission. */
  readonly airtimeUs: number;
  /** As commanded; null: not known, up to 15. */
  readonly nbTrans: number | null;
  /** When a higher counter of this node was first heard; null: none was. */
  readonly newerAtUs: number | null;
}

export type SameCounter =
  | "repeat"
  /** The very frame, at a time at which the node does not send it any more. */
  | "replay"
  /** Another frame under the same counter and key: the key stream was used twice, which is a security finding. */
  | "counter-reuse"
  | "another-counter";

// LoRaWAN 1.1, section 5.3: NbTrans has 4 bits, 1 to 15.
const MAX_TRANSMISSIONS = 15;
// LoRaWAN 1.1, table 42: RX1 opens after at most 15 s, RX2 one second later; L2 1.0.4, section 5.2: RETRANSMIT_TIMEOUT
// is at most 3 s.
const MAX_PAUSE_US = (15 + 1 + 3) * 1_000_000;
/** A node that keeps a duty cycle of 1 % waits this often its airtime. Common practice, no source. */
const DUTY_CYCLE_PAUSE = 100;

/** The longest time from the first transmission of a frame to its last honest repeat. */
export function longestRepeatUs({ airtimeUs, nbTrans }: Pick<RepeatBounds, "airtimeUs" | "nbTrans">): number {
  const transmissions = nbTrans === null || nbTrans < 1 ? MAX_TRANSMISSIONS : nbTrans;
  return (transmissions - 1) * (airtimeUs * DUTY_CYCLE_PAUSE + MAX_PAUSE_US);
}

/** Judges a later transmission against the first one. */
export function judgeSameCounter(first: ProvedFrame, again: ProvedFrame, bounds: RepeatBounds): SameCounter {
  if (first.counter32 !== again.counter32) return "another-counter";
  const isSameFrame =
    first.content === again.content && sameOctets(first.mic.subarray(2), again.mic.subarray(2));
  if (!isSameFrame) return "counter-reuse";
  // TR007, section 4.12: a counter is left behind for good by the next one.
  if (bounds.newerAtUs !== null && again.atUs > bounds.newerAtUs) return "replay";
  return again.atUs - first.atUs <= longestRepeatUs(bounds) ? "repeat" : "replay";
}

// Why did a life that a MIC carries begin? One clause each, for people.

export interface Beginning {
  readonly begunBy: LifeBeginning;
  readonly reason: string;
}

/** Why does a set of keys begin to be heard under this address? */
export function explainFirst(state: AddressState, sender: Sender, counter32: number): Beginning {
  const counter = figure(counter32);
  const { devEui } = sender;
  if (sender.joined && devEui !== null) {
    return { begunBy: "join", reason: `counter began at ${counter} in the session that ${devEui} joined` };
  }
  const sameDevice =
    devEui !== null && state.lives.some((life) => !isUnproved(life) && life.devEui === devEui);
  if (sameDevice) {
    return {
      begunBy: "join",
      reason: `counter began at ${counter} in a new session of ${devEui}, proved by its MIC`,
    };
  }
  if (state.lives.length > 0) {
    const reason = `counter ${counter} is proved by other keys than those of the frames before: another device under this address`;
    return { begunBy: "second-device", reason };
  }
  return { begunBy: "first-heard", reason: `first heard with counter ${counter}, proved by its MIC` };
}

/** Why did the counter of one set of keys fall? */
export function explainFall(before: LifeState, atUs: number, counter32: number): Beginning {
  const change = `${changeWords(before.lastCounter, counter32)} under the same session keys`;
  if (couldBeReset(before, before.lastCounter, { counter: counter32, atUs })) {
    return { begunBy: "counter-reset", reason: `${change}: the device began again without a join` };
  }
  return { begunBy: "unexplained", reason: `${change}, too far for the time that passed` };
}

/** A lone counter out of line had begun `life`; the older life that goes on shows that it was no reset. */
export function explainOutOfTime(life: LifeState, older: LifeState): Beginning {
  const reason = `one frame with counter ${figure(life.lastCounter)} out of its time (replayed, or delivered very late): life ${older.number} went on at ${figure(older.lastCounter)}`;
  return { begunBy: "unexplained", reason };
}
