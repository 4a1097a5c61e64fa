/** How does a test speak as a gateway? Through one UDP socket that remembers when which token was answered. */
import { createSocket, type Socket } from "node:dgram";
import { encodePullData, encodePushData } from "../../src/wire/forwarder/encode.ts";
import { packet, phy } from "../store/traffic.ts";

export interface Answer {
  readonly bytes: Buffer;
  readonly afterMs: number;
}

/** One uplink of an invented node, as its gateway reports it. The token is `number` modulo 65,536. */
export interface Uplink {
  readonly number: number;
  readonly gatewayEui: string;
  readonly devAddr: string;
  readonly counter: number;
  readonly payload: Uint8Array;
  readonly tmstUs: number;
  readonly bytes: Uint8Array;
}

/**
 * Uplink `number` of a site whose `nodes` nodes take turns, each counting from 0, heard every `everyUs` microseconds by
 * the concentrator's counter; 0: the forwarder gives no counter, and arrival alone dates it.
 */
export function uplink(
  number: number,
  {
    gatewayEui = "02005E1000000001",
    nodes = 8,
    base = 0x01a2_0000,
    version = 2 as 1 | 2,
    everyUs = 1_000,
  } = {},
): Uplink {
  const devAddr = (base + (number % nodes)).toString(16).toUpperCase().padStart(8, "0");
  const counter = Math.floor(number / nodes);
  const payload = phy(devAddr, counter);
  const tmstUs = everyUs === 0 ? 0 : (5_000_000 + number * everyUs) % 4_294_967_296;
  const bytes = encodePushData({
    version,
    token: number % 65_536,
    gatewayEui,
    packets: [packet({ payload, tmstUs, spreadingFactor: 7 })],
    status: null,
  });
  return { number, gatewayEui, devAddr, counter, payload, tmstUs, bytes };
}

export function keepalive(token: number, gatewayEui = "02005E1000000001"): Uint8Array {
  return encodePullData({ version: 2, token, gatewayEui });
}

export class GatewaySocket {
  /** Answers by their token, the newest of each. */
  readonly answers = new Map<number, Answer>();
  answered = 0;
  readonly #socket: Socket;
  readonly #port: number;
  readonly #host: string;
  readonly #sentMs = new Map<number, number>();
  #onAnswer: () => void = () => undefined;

  private constructor(socket: Socket, port: number, host: string) {
    this.#socket = socket;
    this.#port = port;
    this.#host = host;
    socket.on("message", (bytes, from) => {
      // Only what comes back from the very endpoint that was addressed is an answer.
      if (from.port !== port || from.address !== host || bytes.length < 4) return;
      const token = bytes.readUInt16BE(1);
      this.answers.set(token, {
        bytes,
        afterMs: performance.now() - (this.#sentMs.get(token) ?? Number.NaN),
      });
      this.answered += 1;
      this.#onAnswer();
    });
    // A service that was killed refuses what is sent meanwhile.
    socket.on("error", () => undefined);
  }

  /** `from`: the loopback address that it speaks from. Rejects when this machine has no such address. */
  static open(
    port: number,
    { host = "127.0.0.1", from }: { readonly host?: string; readonly from?: string } = {},
  ): Promise<GatewaySocket> {
    const socket = createSocket(host.includes(":") ? "udp6" : "udp4");
    return new Promise((resolve, reject) => {
      socket.once("error", reject);
      socket.bind(0, from ?? host, () => {
        socket.removeListener("error", reject);
        socket.setRecvBufferSize(1024 * 1024);
        resolve(new GatewaySocket(socket, port, host));
      });
    });
  }

  /** Resolves once the datagram was handed to the kernel. */
  send(bytes: Uint8Array): Promise<void> {
    this.#sentMs.set(((bytes[1] ?? 0) << 8) | (bytes[2] ?? 0), performance.now());
    return new Promise((done) => this.#socket.send(bytes, this.#port, this.#host, () => done()));
  }

  /** Resolves with the answer to a token, or null when none comes in time. */
  async answerTo(token: number, withinMs = 30_000): Promise<Answer | null> {
    await this.#wait(() => this.answers.has(token), withinMs);
    return this.answers.get(token) ?? null;
  }

  /** Sends all, never more than `inTheAir` unanswered; true when all were answered. Ends early when `stop` says so. */
  async sendAll(
    datagrams: Iterable<Uint8Array>,
    { inTheAir = 32, withinMs = 60_000, stop = (): boolean => false } = {},
  ): Promise<boolean> {
    const before = this.answered;
    const endMs = performance.now() + withinMs;
    let sent = 0;
    for (const bytes of datagrams) {
      if (stop() || performance.now() > endMs) return false;
      await this.send(bytes);
      sent += 1;
      await this.#wait(() => sent - (this.answered - before) < inTheAir || stop(), endMs - performance.now());
    }
    await this.#wait(() => this.answered - before >= sent || stop(), endMs - performance.now());
    return this.answered - before >= sent;
  }

  close(): Promise<void> {
    return new Promise((done) => this.#socket.close(() => done()));
  }

  #wait(isOver: () => boolean, withinMs: number): Promise<void> {
    if (isOver() || withinMs <= 0) return Promise.resolve();
    return new Promise((done) => {
      const finish = () => {
        clearTimeout(timer);
        clearInterval(ticker);
        this.#onAnswer = () => undefined;
        done();
      };
      const timer = setTimeout(finish, withinMs);
      const ticker = setInterval(() => isOver() && finish(), 20);
      this.#onAnswer = () => {
        if (isOver()) finish();
      };
    });
  }
}
