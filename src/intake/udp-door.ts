/**
 * How do datagrams come in from the network? Over UDP on one port, IPv4 and IPv6, from any number of gateways.
 * Only this file opens a socket for them. Answers leave from the socket that was addressed.
 */
import { createSocket, type RemoteInfo, type Socket } from "node:dgram";
import { networkInterfaces } from "node:os";
import type { Arrival, Endpoint } from "../model/arrival.ts";
import type { SendAnswer } from "./intake.ts";
import { literalLookup } from "./literal-lookup.ts";

/**
 * Kernel buffer asked for: a busy gateway's burst fits while a commit is under way. The kernel may grant less
 * (net.core.rmem_max).
 */
const RECEIVE_BUFFER_BYTES = 4 * 1024 * 1024;

export interface UdpDoor {
  readonly endpoints: readonly Endpoint[];
  isOwnEndpoint(endpoint: Endpoint): boolean;
  /** Lets the answers leave that were handed over, then stops receiving. */
  close(): Promise<void>;
}

export interface UdpDoorOptions {
  /** null: every address of this machine, IPv4 and IPv6. */
  readonly host: string | null;
  readonly port: number;
  /** Microseconds since 1970. */
  readonly nowUs: () => number;
  readonly onArrival: (arrival: Arrival, send: SendAnswer) => void;
  /** A socket's own trouble (a refused answer, say): the socket stays in use. */
  readonly onTrouble: (error: Error) => void;
}

/** Binds the port. Rejects when it is taken or not allowed, with the system's error. */
export async function openUdpDoor(options: UdpDoorOptions): Promise<UdpDoor> {
  const { host } = options;
  const wanted: { address: string; family: "udp4" | "udp6" }[] =
    host === null
      ? [
          { address: "0.0.0.0", family: "udp4" },
          { address: "::", family: "udp6" },
        ]
      : [{ address: host, family: host.includes(":") ? "udp6" : "udp4" }];
  const sockets: Socket[] = [];
  const answers = new PendingAnswers();
  let { port } = options;
  for (const { address, family } of wanted) {
    try {
      const socket = await bind(address, family, port, options, answers);
      sockets.push(socket);
      // Port 0 asks the system for any free one; both families then share it.
      port = socket.address().port;
    } catch (error) {
      // A machine without IPv6 still serves IPv4.
      if (sockets.length > 0 && isUnavailable(error)) continue;
      for (const socket of sockets) socket.close();
      throw error;
    }
  }
  const endpoints = sockets.map((socket) => {
    const bound = socket.address();
    return { address: bound.address, port: bound.port };
  });
  return {
    endpoints,
    isOwnEndpoint: (endpoint) => endpoint.port === port && ownAddresses(endpoints).has(endpoint.address),
    close: async () => {
      await answers.gone();
      await Promise.all(sockets.map((socket) => new Promise<void>((done) => socket.close(() => done()))));
    },
  };
}

/** Answers that are on their way to the kernel: a socket that closes would throw them away. */
class PendingAnswers {
  #count = 0;
  #onNone: (() => void) | null = null;

  add(): void {
    this.#count += 1;
  }
  remove(): void {
    this.#count -= 1;
    if (this.#count === 0) this.#onNone?.();
  }
  gone(): Promise<void> {
    if (this.#count === 0) return Promise.resolve();
    return new Promise((resolve) => {
      this.#onNone = resolve;
    });
  }
}

function bind(
  address: string,
  family: "udp4" | "udp6",
  port: number,
  options: UdpDoorOptions,
  answers: PendingAnswers,
): Promise<Socket> {
  const socket = createSocket({ type: family, ipv6Only: family === "udp6", lookup: literalLookup });
  const send: SendAnswer = (answer, to) => {
    answers.add();
    socket.send(answer, to.port, to.address, (error) => {
      answers.remove();
      if (error !== null) options.onTrouble(error);
    });
  };
  return new Promise((resolve, reject) => {
    socket.once("error", (error) => {
      socket.close();
      reject(error);
    });
    socket.bind({ address, port, exclusive: true }, () => {
      socket.removeAllListeners("error");
      socket.on("error", options.onTrouble);
      growReceiveBuffer(socket);
      const local = socket.address();
      const to = { address: local.address, port: local.port };
      socket.on("message", (bytes: Buffer, from: RemoteInfo) => {
        options.onArrival(
          {
            bytes,
            atUs: options.nowUs(),
            from: { address: from.address, port: from.port },
            to,
            door: "udp",
          },
          send,
        );
      });
      resolve(socket);
    });
  });
}

function growReceiveBuffer(socket: Socket): void {
  try {
    socket.setRecvBufferSize(RECEIVE_BUFFER_BYTES);
  } catch {
    // The default then; a burst is lost a little sooner.
  }
}

function isUnavailable(error: unknown): boolean {
  const code = error instanceof Error && "code" in error ? String(error.code) : "";
  return code === "EAFNOSUPPORT" || code === "EADDRNOTAVAIL" || code === "EINVAL";
}

function ownAddresses(endpoints: readonly Endpoint[]): Set<string> {
  const own = new Set(endpoints.map((endpoint) => endpoint.address));
  for (const list of Object.values(networkInterfaces())) {
    for (const one of list ?? []) own.add(one.address);
  }
  return own;
}

/** Addresses of this machine that a gateway could send to: not loopback, not link-local IPv6. */
export function reachableAddresses(): string[] {
  const found: string[] = [];
  for (const list of Object.values(networkInterfaces())) {
    for (const one of list ?? []) {
      if (!one.internal && !one.address.toLowerCase().startsWith("fe80:")) found.push(one.address);
    }
  }
  // IPv4 first: reference gateways speak nothing else.
  return found.sort((a, b) => Number(a.includes(":")) - Number(b.includes(":")) || a.localeCompare(b));
}
