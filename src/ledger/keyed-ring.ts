/**
 * Which keys could belong to this address or this device? A plain container, filled from a key file and by joins that
 * were followed. Keys stay in private fields and in no message.
 */
import type { DevAddr, Eui } from "../model/identifiers.ts";
import { KEY_NAMES, type LorawanKeys } from "../wire/lorawan/lorawan-keys.ts";
import { hexOf } from "../wire/lorawan/octets.ts";
import type { DataFrame } from "../wire/lorawan/phy-payload.ts";
import { type CounterHint, type CounterVerdict, type NodeKeys, verifyCounter } from "./keyed-identity.ts";
import type { FollowedSession } from "./keyed-join.ts";

/** Sessions kept of one device: the newest may be unused yet, since a node need not hear its join-accept. Chosen. */
const SESSIONS_KEPT = 4;

/** Which of the candidates sent a frame. */
export type SenderVerdict =
  | {
      readonly verdict: "valid";
      readonly node: NodeKeys;
      readonly counter: CounterVerdict & { verdict: "valid" };
    }
  /** Every candidate could be checked, and none fits. */
  | { readonly verdict: "invalid"; readonly candidates: number }
  | { readonly verdict: "unknown"; readonly reason: string };

export class KeyRing {
  readonly #byAddress = new Map<DevAddr, NodeKeys[]>();
  readonly #byDevice = new Map<Eui, NodeKeys[]>();

  constructor(nodes: Iterable<NodeKeys> = []) {
    for (const node of nodes) this.add(node);
  }

  /** Adds keys; those added later are tried first, since the newest session is the likeliest. */
  add(node: NodeKeys): void {
    if (node.devAddr !== null) put(this.#byAddress, node.devAddr, node);
    if (node.devEui !== null) put(this.#byDevice, node.devEui, node);
  }

  /**
   * Adds the session of a followed join, once however often the join is handed in; the oldest session of that device
   * goes when there are too many. `counterBits` as its root keys' entry has it.
   */
  learn(session: FollowedSession, counterBits: 16 | 32 | null = null): NodeKeys {
    const { devAddr, devEui, keys } = session;
    const sessions = this.forDevice(devEui).filter((node) => node.devAddr !== null);
    const known = sessions.find((node) => node.devAddr === devAddr && sameKeys(node.keys, keys));
    if (known !== undefined) return known;
    for (const old of sessions.slice(SESSIONS_KEPT - 1)) this.#remove(old);
    const node: NodeKeys = { devAddr, devEui, keys, counterBits };
    this.add(node);
    return node;
  }

  /** Replaces what is known of a node, for example its counter width once it is proved. */
  replace(old: NodeKeys, now: NodeKeys): void {
    this.#remove(old);
    this.add(now);
  }

  /** Session keys that hold for an address, the newest first. */
  forAddress(devAddr: DevAddr): readonly NodeKeys[] {
    return this.#byAddress.get(devAddr) ?? [];
  }

  /** Root and session keys of a device, the newest first. */
  forDevice(devEui: Eui): readonly NodeKeys[] {
    return this.#byDevice.get(devEui) ?? [];
  }

  /** Entries of which an address or a device is known; never the keys. */
  get size(): number {
    return new Set([...this.#byAddress.values(), ...this.#byDevice.values()].flat()).size;
  }

  #remove(node: NodeKeys): void {
    if (node.devAddr !== null) drop(this.#byAddress, node.devAddr, node);
    if (node.devEui !== null) drop(this.#byDevice, node.devEui, node);
  }
}

/**
 * Tries the keys of an address in turn. A whole proof ends the search; of half proofs alone the first counts when it is
 * the only one, and two that contradict each other count as none.
 */
export function identifySender(
  phyPayload: Uint8Array,
  frame: DataFrame,
  candidates: readonly NodeKeys[],
  hintOf: (node: NodeKeys) => CounterHint,
): SenderVerdict {
  if (candidates.length === 0) return { verdict: "unknown", reason: "no keys for this device address" };
  const halves: Extract<SenderVerdict, { verdict: "valid" }>[] = [];
  let reason: string | null = null;
  for (const node of candidates) {
    const counter = verifyCounter(phyPayload, frame, node, hintOf(node));
    if (counter.verdict === "unknown") reason = counter.reason;
    if (counter.verdict !== "valid") continue;
    if (!counter.half) return { verdict: "valid", node, counter };
    halves.push({ verdict: "valid", node, counter });
  }
  const [only, second] = halves;
  if (second !== undefined)
    return { verdict: "unknown", reason: "half of the MIC fits the keys of two nodes" };
  if (only !== undefined) return only;
  return reason === null
    ? { verdict: "invalid", candidates: candidates.length }
    : { verdict: "unknown", reason };
}

function sameKeys(a: LorawanKeys, b: LorawanKeys): boolean {
  return KEY_NAMES.every((name) => hexOf(a[name] ?? NO_KEY) === hexOf(b[name] ?? NO_KEY));
}

const NO_KEY = new Uint8Array(0);

function put<K>(map: Map<K, NodeKeys[]>, key: K, node: NodeKeys): void {
  map.set(key, [node, ...(map.get(key) ?? [])]);
}

function drop<K>(map: Map<K, NodeKeys[]>, key: K, node: NodeKeys): void {
  const rest = (map.get(key) ?? []).filter((other) => other !== node);
  if (rest.length === 0) map.delete(key);
  else map.set(key, rest);
}
