/**
 * Which socket of the relay stands for which socket of a gateway? As a NAT's table does, this book holds an association
 * for each gateway, source and direction (the forwarder pushes from one socket and pulls from another). It is bounded,
 * forgets what has fallen silent, and lets no flood of strangers push out a gateway that has been there for a while.
 */
import type { Endpoint } from "../../model/datagram.ts";
import type { Eui } from "../../model/identifiers.ts";
import { identifiers, upstreamHeadOctets } from "../../wire/forwarder/header.ts";
import { RateLimit } from "../guards.ts";

/** Push: PUSH_DATA and its acknowledgement. Pull: PULL_DATA, what is sent down, and TX_ACK. */
export type Direction = "push" | "pull";

/** A pull path is kept for ten keepalives at least: dying earlier, it would cut downlinks off. Keepalives come every 5 to 30 s. */
const PULL_IDLE_MS = 300_000;
/** Nothing comes down a push path but acknowledgements, so the next datagram may open it anew. */
const PUSH_IDLE_MS = 120_000;
/** Older than this, an association is a gateway's that stays; younger ones give way first. Chosen: six keepalives of 10 s. */
const SETTLED_MS = 60_000;
/** New associations of one address, a second. Chosen: some thirty gateways behind one address may start at once. */
const OPENED_A_SECOND = 64;
const MAX_ADDRESSES = 4096;
/** New associations altogether, a second: forged addresses are free, and each opening costs a socket. Chosen. */
const OPENED_A_SECOND_IN_ALL = 256;

/** One association; what the relay keeps for it (sockets) is the relay's business. */
export interface Association {
  readonly gatewayEui: Eui;
  readonly from: Endpoint;
  readonly direction: Direction;
  readonly openedMs: number;
  /** The listening address that was sent to: answers leave from there. */
  readonly front: string;
  heardMs: number;
  /** When this source pulled first and last; null when it has not yet. */
  firstPullMs: number | null;
  lastPullMs: number | null;
}

/** What a datagram from a gateway is to the relay: version 1 or 2, one of the three identifiers, a whole EUI. */
export function directionOf(bytes: Uint8Array): Direction | null {
  const version = bytes[0];
  if (bytes.length < upstreamHeadOctets || (version !== 1 && version !== 2)) return null;
  const identifier = bytes[3];
  if (identifier === identifiers.pushData) return "push";
  return identifier === identifiers.pullData || identifier === identifiers.txAck ? "pull" : null;
}

export interface AssociationOptions {
  readonly most: number;
  /** An association was forgotten: what was kept for it can go. */
  readonly onForgotten: (association: Association) => void;
}

/** "capped": the book is full of settled gateways; "hurried": too many are opened too fast, from one address or in all. */
export type Unopened = "capped" | "hurried";

export class Associations {
  readonly #options: AssociationOptions;
  /** In order of when they were heard last, the longest silent first. */
  readonly #byKey = new Map<string, Association>();
  readonly #bySource = new Map<string, Association>();
  readonly #pullers = new Map<Eui, Set<Association>>();
  readonly #openings = new RateLimit(OPENED_A_SECOND, MAX_ADDRESSES);
  readonly #allOpenings = new RateLimit(OPENED_A_SECOND_IN_ALL, 1);

  constructor(options: AssociationOptions) {
    this.#options = options;
  }

  get size(): number {
    return this.#byKey.size;
  }

  all(): Iterable<Association> {
    return this.#byKey.values();
  }

  /** Gateways with an association. */
  gateways(): number {
    return new Set([...this.#byKey.values()].map(({ gatewayEui }) => gatewayEui)).size;
  }

  /** The association of a datagram with a readable head, opened when it is new. */
  of(
    gatewayEui: Eui,
    from: Endpoint,
    front: string,
    direction: Direction,
    nowMs: number,
  ): Association | Unopened {
    const source = sourceKey(from, front);
    const key = `${direction} ${gatewayEui} ${source}`;
    let association = this.#byKey.get(key);
    if (association === undefined) {
      if (!this.#openings.allows(from.address, nowMs) || !this.#allOpenings.allows("", nowMs))
        return "hurried";
      if (this.#byKey.size >= this.#options.most && !this.#makeRoom(nowMs)) return "capped";
      association = {
        gatewayEui,
        from,
        front,
        direction,
        openedMs: nowMs,
        heardMs: nowMs,
        firstPullMs: null,
        lastPullMs: null,
      };
    } else {
      this.#byKey.delete(key);
    }
    association.heardMs = nowMs;
    this.#byKey.set(key, association);
    this.#bySource.set(source, association);
    return association;
  }

  /** The newest association of a source whose datagram has no readable head; null when it never sent a readable one. */
  ofSource(from: Endpoint, front: string): Association | null {
    return this.#bySource.get(sourceKey(from, front)) ?? null;
  }

  /** Notes a PULL_DATA: downlinks of this gateway go to where it came from. */
  pulled(association: Association, nowMs: number): void {
    association.firstPullMs ??= nowMs;
    association.lastPullMs = nowMs;
    let pullers = this.#pullers.get(association.gatewayEui);
    if (pullers === undefined) {
      pullers = new Set();
      this.#pullers.set(association.gatewayEui, pullers);
    }
    pullers.add(association);
  }

  /**
   * Where a downlink that came in for `association` goes: to where that gateway last pulled from. Its own source, unless
   * the same gateway at the same address has begun to pull from another port since and this one has not pulled again
   * (a NAT gave it a new port, or its program started anew). Two gateways that share an identifier both go on pulling,
   * and each keeps its own; and whoever names another's identifier from another address turns nothing aside.
   */
  pullPathOf(association: Association): Association {
    let newest: Association | null = null;
    const lastMs = association.lastPullMs ?? Number.NEGATIVE_INFINITY;
    for (const other of this.#pullers.get(association.gatewayEui) ?? []) {
      if (other === association || other.from.address !== association.from.address) continue;
      if (other.firstPullMs === null || other.lastPullMs === null || other.firstPullMs < lastMs) continue;
      if (newest === null || other.lastPullMs >= (newest.lastPullMs ?? 0)) newest = other;
    }
    return newest ?? association;
  }

  /** Forgets what has been silent for long; how many that were. */
  forgetSilent(nowMs: number): number {
    let forgotten = 0;
    for (const [key, association] of this.#byKey) {
      const idleMs = nowMs - association.heardMs;
      // The longest silent come first: the rest has been heard of late.
      if (idleMs < PUSH_IDLE_MS) break;
      if (idleMs < PULL_IDLE_MS && association.direction === "pull") continue;
      this.#forget(key, association);
      forgotten += 1;
    }
    return forgotten;
  }

  closeAll(): void {
    for (const [key, association] of this.#byKey) this.#forget(key, association);
  }

  /** Lets the longest silent of those go that have not settled; false when all have. */
  #makeRoom(nowMs: number): boolean {
    for (const [key, association] of this.#byKey) {
      // Settled: heard again after a while, not merely opened long ago.
      if (
        association.heardMs - association.openedMs >= SETTLED_MS &&
        nowMs - association.heardMs < SETTLED_MS
      )
        continue;
      this.#forget(key, association);
      return true;
    }
    return false;
  }

  #forget(key: string, association: Association): void {
    this.#byKey.delete(key);
    const source = sourceKey(association.from, association.front);
    if (this.#bySource.get(source) === association) this.#bySource.delete(source);
    const pullers = this.#pullers.get(association.gatewayEui);
    pullers?.delete(association);
    if (pullers?.size === 0) this.#pullers.delete(association.gatewayEui);
    this.#options.onForgotten(association);
  }
}

function sourceKey(from: Endpoint, front: string): string {
  return `${front} ${from.address} ${from.port}`;
}
