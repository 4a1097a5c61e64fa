/**
 * What do the doors (socket, relay, capture file) hand to the corridor? Bytes, when, and from where.
 */

export interface Endpoint {
  /** Textual IPv4 or IPv6 address. */
  readonly address: string;
  readonly port: number;
}

/** One datagram as a door received it. */
export interface Arrival {
  readonly bytes: Uint8Array;
  /** Clock of the machine that captured it, microseconds since 1970. */
  readonly atUs: number;
  readonly from: Endpoint;
  readonly to: Endpoint;
  readonly door: "udp" | "relay" | "capture";
}
