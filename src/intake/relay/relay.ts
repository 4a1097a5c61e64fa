/**
 * How does a datagram get from a gateway to its network server and back, as if nothing stood between? Unchanged, in
 * order, from a socket of its own for each association, with no answer but the server's own. Copies go aside for the
 * recording; nothing here waits for them, and nothing here looks into a body.
 *
 * Of several upstreams the first is the server; the others hear what gateways send, and what they say goes nowhere.
 *
 * Not relayed, and counted: a datagram without a readable head from a source that never sent one with it; a source that
 * can be no gateway (no port, a group address, this machine's own listening port, an upstream itself); what comes back
 * after it was passed on (two relays that point at each other); associations
 * beyond the bounds of associations.ts. Each datagram leaves at most once to each upstream that was configured, so
 * nothing that a stranger sends is multiplied or reaches anything else.
 */
import type { Arrival, Endpoint } from "../../model/datagram.ts";
import { gatewayEuiOf, identifiers } from "../../wire/forwarder/header.ts";
import { type LoopFigures, LoopWatch } from "../guards.ts";
import { isGroupAddress, type SendAnswer } from "../udp-listener.ts";
import { type Association, Associations, directionOf, type Unopened } from "./associations.ts";
import type { Copy } from "./copies.ts";
import type { RelayTarget } from "./targets.ts";
import { Upstream, type UpstreamFigures, UpstreamSocket, type UpstreamSocketHandlers } from "./upstream.ts";

/** Sockets towards upstreams. Some two thousand gateways with one upstream; the store refuses more than 4,096. */
const MAX_SOCKETS = 4096;
/** After a move to another address answers of the old one are still taken for this long. */
const DRAIN_MS = 10_000;
/** Longest wait at the start for the names of upstreams. */
const FIRST_LOOK_UP_MS = 3_000;

/** Why a datagram of a gateway's side was not passed on. */
export type NotRelayed = "unreadable" | "source" | "loop" | Unopened;

export interface PassageFigures {
  readonly upstreams: readonly UpstreamFigures[];
  readonly associations: number;
  readonly gateways: number;
  /** Datagrams from gateways that were passed on, and from the first upstream that were passed back. */
  readonly up: number;
  readonly down: number;
  readonly notRelayed: Readonly<Record<NotRelayed, number>>;
  /** Datagrams that came back after they were passed on; null: none. */
  readonly loop: LoopFigures | null;
  /** Downlinks that the server sent to a push source; they went to where the gateway pulls from. */
  readonly strayDownlinks: number;
  /** When and from where a gateway's datagram came last. */
  readonly lastAtUs: number | null;
  readonly lastFrom: string | null;
}

export interface PassageOptions {
  /** The first is the server. */
  readonly targets: readonly [RelayTarget, ...RelayTarget[]];
  readonly lookUp: (host: string) => Promise<readonly string[]>;
  readonly clock: {
    /** Milliseconds that never step back. */
    monotonicMs(): number;
    /** Microseconds since 1970. */
    nowUs(): number;
    after(delayMs: number, work: () => void): void;
  };
  readonly onCopy: (copy: Copy) => void;
  readonly isOwnEndpoint: (endpoint: Endpoint) => boolean;
  /** For tests; by default a socket of the system. */
  readonly openSocket?: (to: Endpoint, handlers: UpstreamSocketHandlers) => PassageSocket;
}

export type PassageSocket = Pick<UpstreamSocket, "send" | "close">;

interface Held {
  readonly answer: SendAnswer;
  /** One for each upstream; null while its name has no address. */
  readonly sockets: (PassageSocket | null)[];
}

export class Passage {
  readonly #options: PassageOptions;
  readonly #upstreams: readonly Upstream[];
  readonly #book: Associations;
  readonly #loopWatch = new LoopWatch();
  readonly #held = new Map<Association, Held>();
  readonly #draining = new Set<{ readonly socket: PassageSocket; readonly untilMs: number }>();
  readonly #openSocket: (to: Endpoint, handlers: UpstreamSocketHandlers) => PassageSocket;
  readonly #notRelayed: Record<NotRelayed, number> = {
    unreadable: 0,
    source: 0,
    loop: 0,
    capped: 0,
    hurried: 0,
  };
  #up = 0;
  #down = 0;
  #strayDownlinks = 0;
  #lastAtUs: number | null = null;
  #lastFrom: Endpoint | null = null;

  constructor(options: PassageOptions) {
    this.#options = options;
    this.#openSocket = options.openSocket ?? ((to, handlers) => new UpstreamSocket(to, handlers));
    this.#upstreams = options.targets.map(
      (target, index) =>
        new Upstream({
          target,
          lookUp: options.lookUp,
          nowMs: () => options.clock.monotonicMs(),
          isOwnEndpoint: options.isOwnEndpoint,
          onMoved: () => this.#moved(index),
        }),
    );
    this.#book = new Associations({
      most: Math.floor(MAX_SOCKETS / options.targets.length),
      onForgotten: (association) => this.#release(association),
    });
  }

  /** Resolves once every upstream was looked up, or after 3 s: a name that comes later is looked up again anyway. */
  async start(): Promise<void> {
    const { clock } = this.#options;
    const tooLong = new Promise<void>((resolve) => clock.after(FIRST_LOOK_UP_MS, resolve));
    await Promise.race([Promise.all(this.#upstreams.map((upstream) => upstream.lookUp())), tooLong]);
  }

  /** A datagram from a gateway's side. Never throws, whatever its bytes. */
  receive(arrival: Arrival, answer: SendAnswer): void {
    const { bytes, from } = arrival;
    this.#lastAtUs = arrival.atUs;
    this.#lastFrom = from;
    const association = this.#associationOf(arrival, answer);
    if (typeof association === "string") {
      this.#notRelayed[association] += 1;
      this.#copy(arrival, from, arrival.to, "up", null);
      return;
    }
    this.#passUp(association, bytes);
    this.#copy(arrival, from, arrival.to, "up", association);
  }

  /** To be called about once a second. */
  tend(): void {
    const nowMs = this.#options.clock.monotonicMs();
    for (const upstream of this.#upstreams) upstream.tend();
    this.#book.forgetSilent(nowMs);
    for (const one of this.#draining) {
      if (one.untilMs > nowMs) continue;
      this.#draining.delete(one);
      one.socket.close();
    }
  }

  figures(): PassageFigures {
    const from = this.#lastFrom;
    return {
      upstreams: this.#upstreams.map((upstream) => upstream.figures()),
      associations: this.#book.size,
      gateways: this.#book.gateways(),
      up: this.#up,
      down: this.#down,
      notRelayed: { ...this.#notRelayed },
      loop: this.#loopWatch.figures(),
      strayDownlinks: this.#strayDownlinks,
      lastAtUs: this.#lastAtUs,
      lastFrom: from === null ? null : `${from.address} ${from.port}`,
    };
  }

  /** Lets go of every socket towards upstreams. */
  close(): void {
    this.#book.closeAll();
    for (const { socket } of this.#draining) socket.close();
    this.#draining.clear();
  }

  #associationOf(arrival: Arrival, answer: SendAnswer): Association | NotRelayed {
    const { bytes, from, to } = arrival;
    if (from.port === 0 || isGroupAddress(from.address)) return "source";
    if (this.#options.isOwnEndpoint(from) || this.#upstreams.some((one) => one.isEndpoint(from)))
      return "loop";
    const direction = directionOf(bytes);
    const gatewayEui = direction === null ? null : gatewayEuiOf(bytes);
    // What a known source sends passes whatever it holds: a revision of the protocol to come, or rubbish.
    if (direction === null || gatewayEui === null)
      return this.#book.ofSource(from, to.address) ?? "unreadable";
    const nowMs = this.#options.clock.monotonicMs();
    if (this.#loopWatch.comesBack(bytes, from, nowMs, arrival.atUs)) return "loop";
    const association = this.#book.of(gatewayEui, from, to.address, direction, nowMs);
    if (typeof association === "string") return association;
    if (!this.#held.has(association)) this.#open(association, answer);
    if (bytes[3] === identifiers.pullData) this.#book.pulled(association, nowMs);
    return association;
  }

  #open(association: Association, answer: SendAnswer): void {
    const sockets = this.#upstreams.map((_, index) => this.#socket(association, index));
    this.#held.set(association, { answer, sockets });
  }

  #socket(association: Association, index: number): PassageSocket | null {
    const upstream = this.#upstreams[index];
    const endpoint = upstream?.endpoint ?? null;
    if (upstream === undefined || endpoint === null) return null;
    return this.#openSocket(endpoint, {
      onDatagram: (bytes) => this.#passDown(association, index, endpoint, bytes),
      onTrouble: (code) => upstream.troubled(code),
      onUnsent: () => upstream.unsent(),
    });
  }

  #passUp(association: Association, bytes: Uint8Array): void {
    this.#up += 1;
    const sockets = this.#held.get(association)?.sockets ?? [];
    const asks = bytes[3] === identifiers.pushData || bytes[3] === identifiers.pullData;
    for (const [index, socket] of sockets.entries()) {
      const upstream = this.#upstreams[index];
      if (socket === null) upstream?.unsent();
      else {
        socket.send(bytes);
        upstream?.sent(asks);
      }
    }
  }

  #passDown(association: Association, index: number, from: Endpoint, bytes: Uint8Array): void {
    const atUs = this.#options.clock.nowUs();
    this.#upstreams[index]?.answered(atUs);
    if (index > 0) return;
    const path = this.#pathDown(association, bytes);
    const held = this.#held.get(path);
    // Forgotten a moment ago, together with where to.
    if (held === undefined) return;
    held.answer(bytes, path.from);
    this.#down += 1;
    this.#copy({ bytes, atUs }, from, path.from, "down", path);
  }

  /** Where the gateway pushed from, or for what belongs to its pulls, where it last pulled from. */
  #pathDown(association: Association, bytes: Uint8Array): Association {
    const identifier = bytes[3];
    if (identifier !== identifiers.pullResponse && identifier !== identifiers.pullAck) return association;
    if (association.direction === "push") this.#strayDownlinks += 1;
    return this.#book.pullPathOf(association);
  }

  /** An upstream has another address: sockets to it are opened, those to the old one listen for a while. */
  #moved(index: number): void {
    const untilMs = this.#options.clock.monotonicMs() + DRAIN_MS;
    for (const [association, { sockets }] of this.#held) {
      const old = sockets[index];
      if (old !== null && old !== undefined) this.#draining.add({ socket: old, untilMs });
      sockets[index] = this.#socket(association, index);
    }
  }

  #release(association: Association): void {
    for (const socket of this.#held.get(association)?.sockets ?? []) socket?.close();
    this.#held.delete(association);
  }

  #copy(
    { bytes, atUs }: Pick<Arrival, "bytes" | "atUs">,
    from: Endpoint,
    to: Endpoint,
    way: Copy["way"],
    association: Association | null,
  ): void {
    this.#options.onCopy({ bytes, atUs, from, to, way, gatewayEui: association?.gatewayEui ?? null });
  }
}
