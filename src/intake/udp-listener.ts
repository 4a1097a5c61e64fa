/**
 * The UDP port that gateways send to: IPv4 and IPv6, any number of gateways. Only this file opens a socket for them.
 * Answers leave from the socket that was addressed.
 */
import { createSocket, type RemoteInfo, type Socket } from "node:dgram";
import { lookup } from "node:dns";
import { isIP } from "node:net";
import { networkInterfaces } from "node:os";
import type { Arrival, Endpoint } from "../model/datagram.ts";

// How is an address that is one already "looked up"? At once: no thread, no turn of the loop between two datagrams.

type Answer = (error: NodeJS.ErrnoException | null, address: string, family: number) => void;

/** For sockets that are given addresses; a name, where a person gave one, is looked up as ever. */
export function literalLookup(host: string, family: unknown, answer: Answer): void {
  const version = isIP(host);
  if (version !== 0) answer(null, host, version);
  else lookup(host, family === 6 ? 6 : 4, answer);
}

/** Sends an answer from the socket that was addressed. */
export type SendAnswer = (answer: Uint8Array, to: Endpoint) => void;

/**
 * Kernel buffer asked for: about a second of a few thousand datagrams, while this thread gets no processor. The kernel
 * may grant less (net.core.rmem_max).
 */
const RECEIVE_BUFFER_BYTES = 8 * 1024 * 1024;
/** The machine's own addresses are read this often at most: an address comes seldom, a datagram often. */
const OWN_ADDRESSES_MAX_AGE_MS = 1_000;

/** Octets of the kernel's receive buffer, of the socket that was granted least. */
export interface ReceiveBuffer {
  readonly askedBytes: number;
  readonly grantedBytes: number;
}

export interface UdpListener {
  readonly endpoints: readonly Endpoint[];
  readonly receiveBuffer: ReceiveBuffer;
  isOwnEndpoint(endpoint: Endpoint): boolean;
  /** Receives no more; answers still leave. */
  stopReceiving(): void;
  /** Lets the answers leave that were handed over, then closes the sockets. */
  close(): Promise<void>;
}

export interface UdpListenerOptions {
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
export async function openUdpListener(options: UdpListenerOptions): Promise<UdpListener> {
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
  const own = new OwnAddresses(endpoints);
  return {
    endpoints,
    receiveBuffer: {
      askedBytes: RECEIVE_BUFFER_BYTES,
      grantedBytes: Math.min(...sockets.map(grantedReceiveBuffer)),
    },
    isOwnEndpoint: (endpoint) => endpoint.port === port && own.has(endpoint.address),
    stopReceiving: () => {
      for (const socket of sockets) socket.removeAllListeners("message");
    },
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
  options: UdpListenerOptions,
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
    // The default then; what was granted is shown.
  }
}

/**
 * Octets granted. Linux doubles what is set, for its own bookkeeping, and reports the doubled value (socket(7),
 * SO_RCVBUF).
 */
function grantedReceiveBuffer(socket: Socket): number {
  const reported = socket.getRecvBufferSize();
  return process.platform === "linux" ? reported / 2 : reported;
}

function isUnavailable(error: unknown): boolean {
  const code = error instanceof Error && "code" in error ? String(error.code) : "";
  return code === "EAFNOSUPPORT" || code === "EADDRNOTAVAIL" || code === "EINVAL";
}

/** Addresses of this machine, read anew once a second at most. */
class OwnAddresses {
  readonly #bound: readonly string[];
  #known = new Set<string>();
  #readMs = Number.NEGATIVE_INFINITY;

  constructor(endpoints: readonly Endpoint[]) {
    this.#bound = endpoints.map((endpoint) => endpoint.address);
  }

  has(address: string): boolean {
    const nowMs = performance.now();
    if (nowMs - this.#readMs > OWN_ADDRESSES_MAX_AGE_MS) {
      this.#readMs = nowMs;
      this.#known = new Set(this.#bound);
      for (const list of Object.values(networkInterfaces())) {
        for (const one of list ?? []) this.#known.add(one.address);
      }
    }
    return this.#known.has(address);
  }
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

// Why could the port not be opened, and what to do?

export function udpTrouble(error: unknown, udpPort: number): { sentence: string; remedy: string } {
  const code = error instanceof Error && "code" in error ? String(error.code) : "";
  if (code === "EADDRINUSE") {
    return {
      sentence: `UDP port ${udpPort} is taken by another program.`,
      remedy: "End that program, or choose another port with --udp-port and enter it at the gateway.",
    };
  }
  if (code === "EACCES") {
    return {
      sentence: `UDP port ${udpPort} may not be opened by this user.`,
      remedy: "Choose a port above 1023 with --udp-port.",
    };
  }
  return {
    sentence: `UDP port ${udpPort} cannot be opened: ${error instanceof Error ? error.message : String(error)}`,
    remedy: "Choose another address with --udp-host or another port with --udp-port.",
  };
}

// Whether an address and port can be a gateway's.

/** False for a source that no datagram can come from: port 0, broadcast, multicast. */
export function isPossibleSource({ address, port }: Endpoint): boolean {
  return port !== 0 && !isGroupAddress(address);
}

/** Broadcast and multicast sources: RFC 1122 section 3.2.1.3, RFC 4291 section 2.7. */
export function isGroupAddress(address: string): boolean {
  if (address === "255.255.255.255" || address === "0.0.0.0" || address === "::") return true;
  if (/^ff[0-9a-f]{2}:/i.test(address)) return true;
  const first = Number(address.split(".")[0]);
  return address.includes(".") && first >= 224 && first <= 239;
}
