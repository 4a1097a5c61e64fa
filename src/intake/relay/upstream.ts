/**
 * Where is one upstream, does it answer, and how is it spoken to? Its name is looked up at the start, again every so
 * often and when it falls silent or refuses; of several addresses the next is tried. Nothing is concluded for the
 * gateway: what the upstream does not acknowledge stays unacknowledged.
 */
import { createSocket, type Socket } from "node:dgram";
import { isIP } from "node:net";
import type { Endpoint } from "../../model/datagram.ts";
import { literalLookup } from "../udp-listener.ts";
import type { RelayTarget } from "./targets.ts";

/** How an upstream stands. `idle`: no gateway has sent anything of late, so there is nothing to answer. */
export type UpstreamState = "answering" | "waiting" | "idle" | "silent" | "refusing" | "unresolved";

/** Figures of one upstream since the start. */
export interface UpstreamFigures {
  readonly host: string;
  readonly port: number;
  readonly address: string | null;
  readonly state: UpstreamState;
  /** The system's word for the newest trouble while it lasts, or why the name has no address; empty otherwise. */
  readonly trouble: string;
  readonly sent: number;
  /** Datagrams that could not leave: no address, no route, no room. */
  readonly unsent: number;
  readonly received: number;
  /** How often the network said that nobody listens there. */
  readonly refusals: number;
  readonly lastAnswerAtUs: number | null;
}

export interface UpstreamOptions {
  readonly target: RelayTarget;
  /** All addresses of a name, in order of preference; rejects when there is none. */
  readonly lookUp: (host: string) => Promise<readonly string[]>;
  /** Milliseconds that never step back. */
  readonly nowMs: () => number;
  /** True for the relay's own listening endpoint: sent there, a datagram would go round for ever. */
  readonly isOwnEndpoint: (endpoint: Endpoint) => boolean;
  /** Another address than before: sockets are to be opened anew. */
  readonly onMoved: (to: Endpoint) => void;
}

const LOOK_UP_EVERY_MS = 60_000;
/** After trouble: often enough for a restart elsewhere, rarely enough for any name server. */
const LOOK_UP_AGAIN_MS = 5_000;
/** An answer comes within 100 ms or is late for the gateway; unanswered for this long, an upstream is called silent. */
const SILENT_MS = 5_000;
/** Without an answer for so long the next of several addresses is tried. */
const NEXT_ADDRESS_MS = 15_000;
/** A refusal is certain at once. */
const NEXT_AFTER_REFUSAL_MS = 1_000;
/** Nothing sent for so long: nothing to be answered. Gateways pull every 5 to 30 s. */
const IDLE_MS = 60_000;

export class Upstream {
  readonly #options: UpstreamOptions;
  #addresses: readonly string[] = [];
  #address: string | null = null;
  #addressSinceMs = 0;
  #lookedUpMs = Number.NEGATIVE_INFINITY;
  #lookingUp = false;
  #trouble = "";
  #troubleMs = Number.NEGATIVE_INFINITY;
  #sent = 0;
  #unsent = 0;
  #received = 0;
  #refusals = 0;
  #lastSentMs: number | null = null;
  #lastAnswerMs: number | null = null;
  #lastAnswerAtUs: number | null = null;
  /** Since when something that asks for an answer has had none. */
  #unansweredMs: number | null = null;

  constructor(options: UpstreamOptions) {
    this.#options = options;
  }

  get target(): RelayTarget {
    return this.#options.target;
  }

  /** Where to send now; null while the name has no address. */
  get endpoint(): Endpoint | null {
    return this.#address === null ? null : { address: this.#address, port: this.target.port };
  }

  isEndpoint({ address, port }: Endpoint): boolean {
    return address === this.#address && port === this.target.port;
  }

  /** Looks the name up; an address needs none. Resolves whatever comes of it. */
  async lookUp(): Promise<void> {
    if (this.#lookingUp) return;
    this.#lookingUp = true;
    this.#lookedUpMs = this.#options.nowMs();
    const { host } = this.target;
    try {
      const found = isIP(host) === 0 ? await this.#options.lookUp(host) : [host];
      const { port } = this.target;
      this.#addresses = found.filter((address) => !this.#options.isOwnEndpoint({ address, port }));
      const first = this.#addresses[0];
      // A name that turns its addresses about is no reason to move: only one that no longer names this one is.
      if (first !== undefined && (this.#address === null || !this.#addresses.includes(this.#address)))
        this.#moveTo(first);
    } catch (error) {
      // The address of before stays in use: a name server that is away is no reason to stop.
      if (this.#address === null) this.#trouble = `the name ${host} has no address (${wordOf(error)})`;
    } finally {
      this.#lookingUp = false;
    }
  }

  sent(asksForAnswer: boolean): void {
    this.#sent += 1;
    this.#lastSentMs = this.#options.nowMs();
    if (asksForAnswer) this.#unansweredMs ??= this.#lastSentMs;
  }

  unsent(): void {
    this.#unsent += 1;
    this.#lastSentMs = this.#options.nowMs();
  }

  answered(atUs: number): void {
    this.#received += 1;
    this.#lastAnswerMs = this.#options.nowMs();
    this.#lastAnswerAtUs = atUs;
    this.#unansweredMs = null;
  }

  /** The system says that something is wrong on the way: ECONNREFUSED, ENETUNREACH … */
  troubled(code: string): void {
    const nowMs = this.#options.nowMs();
    if (code === "ECONNREFUSED") this.#refusals += 1;
    this.#trouble = code;
    this.#troubleMs = nowMs;
    if (
      nowMs - this.#addressSinceMs >= NEXT_AFTER_REFUSAL_MS &&
      !this.#answeredSince(nowMs - NEXT_ADDRESS_MS)
    )
      this.#tryNext();
  }

  /** To be called about once a second: looks names up again and gives up on addresses that stay silent. */
  tend(): void {
    const nowMs = this.#options.nowMs();
    const sinceMs = nowMs - this.#lookedUpMs;
    const state = this.#state(nowMs);
    const isTroubled = state === "silent" || state === "refusing" || state === "unresolved";
    if (isIP(this.target.host) === 0 && sinceMs >= (isTroubled ? LOOK_UP_AGAIN_MS : LOOK_UP_EVERY_MS))
      void this.lookUp();
    const unansweredMs = this.#unansweredMs ?? nowMs;
    if (nowMs - Math.max(unansweredMs, this.#addressSinceMs) >= NEXT_ADDRESS_MS) this.#tryNext();
  }

  figures(): UpstreamFigures {
    const state = this.#state(this.#options.nowMs());
    const { host, port } = this.target;
    return {
      host,
      port,
      address: this.#address,
      state,
      trouble: state === "refusing" || state === "unresolved" ? this.#trouble : "",
      sent: this.#sent,
      unsent: this.#unsent,
      received: this.#received,
      refusals: this.#refusals,
      lastAnswerAtUs: this.#lastAnswerAtUs,
    };
  }

  #state(nowMs: number): UpstreamState {
    if (this.#address === null) return "unresolved";
    if (this.#lastSentMs === null || nowMs - this.#lastSentMs > IDLE_MS) return "idle";
    const lastAnswerMs = this.#lastAnswerMs ?? Number.NEGATIVE_INFINITY;
    if (this.#troubleMs > lastAnswerMs) return "refusing";
    if (this.#unansweredMs !== null && nowMs - this.#unansweredMs > SILENT_MS) return "silent";
    return this.#lastAnswerMs === null ? "waiting" : "answering";
  }

  #answeredSince(atMs: number): boolean {
    return this.#lastAnswerMs !== null && this.#lastAnswerMs >= atMs;
  }

  #tryNext(): void {
    const at = this.#address === null ? -1 : this.#addresses.indexOf(this.#address);
    const next = this.#addresses[(at + 1) % this.#addresses.length];
    if (next !== undefined && next !== this.#address) this.#moveTo(next);
    // The wait begins anew, with one address too.
    else this.#addressSinceMs = this.#options.nowMs();
  }

  #moveTo(address: string): void {
    this.#address = address;
    this.#addressSinceMs = this.#options.nowMs();
    this.#options.onMoved({ address, port: this.target.port });
  }
}

function wordOf(error: unknown): string {
  if (!(error instanceof Error)) return String(error);
  return "code" in error ? String(error.code) : error.message;
}

// One association speaks to one upstream through a connected UDP socket of its own: the system then hands over nothing
// that others send to its port, and says when the upstream refuses. Its trouble never closes it: the next datagram may
// come through.

/** While the socket is being connected (well under a millisecond) this many wait; more cannot come in that time honestly. */
const MAX_EARLY = 64;
const RECEIVE_BUFFER_BYTES = 512 * 1024;

export interface UpstreamSocketHandlers {
  readonly onDatagram: (bytes: Buffer) => void;
  /** The system's code: ECONNREFUSED, ENETUNREACH … */
  readonly onTrouble: (code: string) => void;
  /** A datagram that did not leave. */
  readonly onUnsent: () => void;
}

export class UpstreamSocket {
  readonly #socket: Socket;
  readonly #handlers: UpstreamSocketHandlers;
  #early: Uint8Array[] | null = [];
  #sending = 0;
  #closing = false;
  #unconnected = false;

  constructor(to: Endpoint, handlers: UpstreamSocketHandlers) {
    this.#handlers = handlers;
    this.#socket = createSocket({
      type: to.address.includes(":") ? "udp6" : "udp4",
      lookup: literalLookup,
      recvBufferSize: RECEIVE_BUFFER_BYTES,
    });
    this.#socket.on("message", handlers.onDatagram);
    this.#socket.on("error", (error) => this.#trouble(error));
    this.#socket.once("connect", () => {
      const early = this.#early ?? [];
      this.#early = null;
      for (const bytes of early) this.send(bytes);
      if (this.#closing) this.#closeOnceSent();
    });
    this.#socket.connect(to.port, to.address);
  }

  /** Passes a datagram on as it is. Never throws. */
  send(bytes: Uint8Array): void {
    const canWait = this.#early !== null && this.#early.length < MAX_EARLY;
    if (this.#closing || this.#unconnected || (this.#early !== null && !canWait)) this.#handlers.onUnsent();
    else if (this.#early !== null) this.#early.push(bytes);
    else this.#send(bytes, true);
  }

  /** Lets go of the socket once what was handed over has left. */
  close(): void {
    if (this.#closing) return;
    this.#closing = true;
    if (this.#early === null || this.#early.length === 0) this.#closeOnceSent();
  }

  /**
   * A refusal that came back for an earlier datagram is reported by the system in place of sending this one: it is
   * handed over once more, before anything else can come between.
   */
  #send(bytes: Uint8Array, mayRetry: boolean): void {
    this.#sending += 1;
    this.#socket.send(bytes, (error) => {
      this.#sending -= 1;
      if (error !== null) {
        this.#trouble(error);
        if (mayRetry && codeOf(error) === "ECONNREFUSED" && !this.#closing) this.#send(bytes, false);
        else this.#handlers.onUnsent();
      }
      if (this.#closing) this.#closeOnceSent();
    });
  }

  #closeOnceSent(): void {
    if (this.#sending > 0) return;
    try {
      this.#socket.close();
    } catch {
      // Closed already.
    }
  }

  #trouble(error: Error): void {
    // Not connected: nothing will ever leave here.
    if (this.#early !== null) {
      const lost = this.#early.length;
      this.#early = [];
      this.#unconnected = true;
      for (let i = 0; i < lost; i++) this.#handlers.onUnsent();
    }
    this.#handlers.onTrouble(codeOf(error));
  }
}

function codeOf(error: Error): string {
  return "code" in error ? String(error.code) : error.message;
}
