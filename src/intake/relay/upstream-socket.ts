/**
 * How does one association speak to one upstream? Through a connected UDP socket of its own: the system then hands over
 * nothing that others send to its port, and says when the upstream refuses. Its trouble never closes it: the next
 * datagram may come through.
 */
import { createSocket, type Socket } from "node:dgram";
import type { Endpoint } from "../../model/datagram.ts";
import { literalLookup } from "../udp-listener.ts";

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
