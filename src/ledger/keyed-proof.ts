/**
 * Whose frame is this, by its MIC? Asks the keys at hand for an address, with what the accounting knows of each of
 * them: last counter, and in 1.1 how frames of this radio setting were sent.
 */
import type { Eui } from "../model/identifiers.ts";
import type { DataFrame } from "../wire/lorawan/phy-payload.ts";
import type { NodeKeys } from "./keyed-identity.ts";
import { identifySender } from "./keyed-ring.ts";
import type { Transmitted } from "./keyed-serving.ts";
import type { AddressState, LifeState } from "./life-state.ts";

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

/** Radio settings of which it is remembered how they are told in a 1.1 MIC. Chosen. */
const MOST_SENT = 64;
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
  if (oldest !== undefined && others.length >= MOST_SENT) delete all[oldest];
}
