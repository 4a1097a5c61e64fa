/**
 * Connections to an MQTT broker, and messages that wait for it: MQTT 5 unless asked otherwise, because only there a
 * broker says which message it refused and how large one may be. Each message counts as delivered once the broker acknowledged it (QoS 1). No user name and no
 * password is in a sentence.
 */
import { randomBytes } from "node:crypto";
import type { IClientOptions } from "mqtt";
import type { MqttVersion } from "../contract/common.ts";

export interface BrokerAddress {
  /** mqtt: or mqtts:, with host and port, without user and password. */
  readonly url: string;
  readonly user?: string | undefined;
  readonly password?: string | undefined;
  /** Certificates of authorities, PEM, in place of the system's. */
  readonly ca?: string | undefined;
  readonly version: MqttVersion;
}

export interface BrokerEvents {
  readonly onConnected: () => void;
  /** `why`: a clause, empty where it is not known. Called again for each try that fails. */
  readonly onAway: (why: string) => void;
}

export interface Broker {
  /** Resolves once the broker took the message, however long it is away; rejects when it refuses it, or at the end. */
  publish(topic: string, payload: string, retain: boolean): Promise<void>;
  /** Ends within about a second. */
  close(): Promise<void>;
}

export interface BrokerOptions extends BrokerEvents {
  /** Retained, and sent by the broker when the connection breaks. */
  readonly will?: { readonly topic: string; readonly payload: string };
  /** Pause before the next try to connect. */
  readonly reconnectMs?: number;
}

const RECONNECT_MS = 2_000;
const CONNECT_WITHIN_MS = 10_000;
const KEEPALIVE_S = 30;
const CLOSE_WITHIN_MS = 1_000;
const AT_LEAST_ONCE = 1;
/** Of a message beside topic and payload, at most. */
const HEAD_OCTETS = 16;

/** Returns "mqtts://broker.example:8883": the broker as sentences name it. */
export function brokerName(url: string): string {
  const { protocol, hostname, port } = new URL(url);
  return `${protocol}//${hostname}:${port || (protocol === "mqtts:" ? 8883 : 1883)}`;
}

/** Opens a connection that reconnects by itself until it is closed. */
export async function openBroker(address: BrokerAddress, options: BrokerOptions): Promise<Broker> {
  const { connect } = await import("mqtt");
  const { will, reconnectMs = RECONNECT_MS } = options;
  const client = connect({
    ...clientOptions(address),
    reconnectPeriod: reconnectMs,
    reconnectOnConnackError: true,
    ...(will === undefined
      ? {}
      : { will: { ...will, payload: Buffer.from(will.payload), qos: AT_LEAST_ONCE, retain: true } }),
  });
  let why = "";
  client.on("connect", () => {
    why = "";
    options.onConnected();
  });
  client.on("error", (error) => {
    why = causeOf(error);
  });
  client.on("close", () => options.onAway(why));
  return {
    publish: async (topic, payload, retain) => {
      // Sent all the same, it would end the connection, and again after each reconnect (MQTT 5, section 3.2.2.3.6).
      const most = client.serverProperties?.maximumPacketSize ?? Number.POSITIVE_INFINITY;
      if (Buffer.byteLength(topic) + Buffer.byteLength(payload) + HEAD_OCTETS > most)
        throw new Error(`it is larger than the ${most} octets that the broker takes`);
      await client.publishAsync(topic, payload, { qos: AT_LEAST_ONCE, retain });
    },
    close: () =>
      new Promise((done) => {
        const timer = setTimeout(() => client.end(true, () => done()), CLOSE_WITHIN_MS);
        client.end(!client.connected, () => {
          clearTimeout(timer);
          done();
        });
      }),
  };
}

/** Connects, publishes one message and goes. Rejects with why that could not be. */
export async function publishOnce(
  address: BrokerAddress,
  { topic, payload }: { readonly topic: string; readonly payload: string },
  signal: AbortSignal,
): Promise<void> {
  const { connect } = await import("mqtt");
  signal.throwIfAborted();
  const client = connect({ ...clientOptions(address), reconnectPeriod: 0 });
  try {
    await new Promise<void>((resolve, reject) => {
      const fail = (error: Error) => reject(new Error(causeOf(error)));
      client.on("error", fail);
      client.on("close", () => fail(new Error("the broker ended the connection")));
      signal.addEventListener("abort", () => fail(new Error("the broker did not answer in time")));
      client.publish(topic, payload, { qos: AT_LEAST_ONCE }, (error) => (error ? fail(error) : resolve()));
    });
  } finally {
    client.end(true);
  }
}

/** Protocol, host and port apart: of a whole address the library asks `url.parse`, of which newer versions of Node warn. */
function clientOptions({ url, user, password, ca, version }: BrokerAddress): IClientOptions {
  const { protocol, hostname, port } = new URL(url);
  return {
    protocol: protocol === "mqtts:" ? "mqtts" : "mqtt",
    // An IPv6 address stands in brackets only in an address.
    host: hostname.replace(/^\[|\]$/g, ""),
    ...(port === "" ? {} : { port: Number(port) }),
    // The level that CONNECT names: MQTT 3.1.1 and MQTT 5, section 3.1.2.2.
    protocolVersion: version === "5" ? 5 : 4,
    clientId: `mastlog-${randomBytes(6).toString("hex")}`,
    clean: true,
    keepalive: KEEPALIVE_S,
    connectTimeout: CONNECT_WITHIN_MS,
    ...(user === undefined ? {} : { username: user }),
    ...(password === undefined ? {} : { password }),
    ...(ca === undefined ? {} : { ca }),
  };
}

/** An error of several addresses of one name has a code and no sentence. */
function causeOf(error: Error): string {
  if (error.message !== "") return error.message.replace(/\.$/, "");
  return "code" in error ? String(error.code) : error.name;
}

// Messages that wait for the broker. Rows wait in the order in which they came; of a state only the newest waits. Both are
// bounded: rows by whoever reads them from the store, which asks for room first, states by their number.

export interface PublishMessage {
  readonly topic: string;
  readonly payload: string;
  readonly retain: boolean;
  /** Called when the broker took or refused it. */
  readonly onSettled?: () => void;
}

/** Rows that wait at most. Chosen: some megabytes; what lies behind them waits in the store. */
export const MAX_QUEUED_ROWS = 1_000;
/** Chosen: above the gateways, nodes and gaps that the views list. */
export const MAX_QUEUED_STATES = 3_000;

export class PublishQueue {
  #rows: PublishMessage[] = [];
  readonly #states = new Map<string, PublishMessage>();

  get size(): number {
    return this.#rows.length + this.#states.size;
  }

  get hasRoom(): boolean {
    return this.#rows.length < MAX_QUEUED_ROWS;
  }

  add(rows: readonly PublishMessage[]): void {
    this.#rows.push(...rows);
  }

  /** The newest of `key` replaces the one that waits. Returns how many gave way to the bound. */
  put(key: string, message: PublishMessage): number {
    this.#states.delete(key);
    this.#states.set(key, message);
    if (this.#states.size <= MAX_QUEUED_STATES) return 0;
    for (const [oldest] of this.#states) {
      this.#states.delete(oldest);
      break;
    }
    return 1;
  }

  /** States first: they are few, and say what is so now. */
  take(): PublishMessage | undefined {
    for (const [key, message] of this.#states) {
      this.#states.delete(key);
      return message;
    }
    return this.#rows.shift();
  }
}
