/**
 * Which UDP port in this traffic is the server's? The one that receives what only gateways send: PUSH_DATA and
 * PULL_DATA. What a server sends (acknowledgements, downlinks) speaks for the port that it comes from and against the
 * one that it goes to.
 * Source: UDP packet forwarder protocol, PROTOCOL.TXT revisions 1.0 to 1.6, sections 3 and 5.
 */
import type { Arrival, Endpoint } from "../../model/datagram.ts";
import {
  downstreamHeadOctets,
  identifiers,
  shortHeadOctets,
  upstreamHeadOctets,
} from "../forwarder/header.ts";

/** What a datagram's first octets make it look like. */
export type ProtocolShape = "push-data" | "pull-data" | "tx-ack" | "answer" | "downlink" | "other";

/** Share of a port's incoming datagrams that must have a gateway's shape (common practice, no source). */
const leastShare = 0.5;
/** Endpoints that are remembered; a scan of ports must not fill the memory. */
const endpointLimit = 10_000;

/** The shape by length, version, identifier, and the opening brace where JSON must follow. Bodies are not decoded. */
export function protocolShape(bytes: Uint8Array): ProtocolShape {
  const [version, , , identifier] = bytes;
  if (version !== 1 && version !== 2) return "other";
  switch (identifier) {
    case identifiers.pushData:
      return bytes.length > upstreamHeadOctets && opensJson(bytes, upstreamHeadOctets)
        ? "push-data"
        : "other";
    case identifiers.pullData:
      return bytes.length === upstreamHeadOctets ? "pull-data" : "other";
    case identifiers.txAck:
      return bytes.length === upstreamHeadOctets ||
        (bytes.length > upstreamHeadOctets && opensJson(bytes, upstreamHeadOctets))
        ? "tx-ack"
        : "other";
    case identifiers.pushAck:
    case identifiers.pullAck:
      return bytes.length === shortHeadOctets ? "answer" : "other";
    case identifiers.pullResponse:
      return opensJson(bytes, downstreamHeadOctets) ? "downlink" : "other";
    default:
      return "other";
  }
}

function opensJson(bytes: Uint8Array, from: number): boolean {
  for (let at = from; at < bytes.length; at++) {
    const octet = bytes[at];
    if (octet === 0x7b) return true;
    // JSON white space (RFC 8259 section 2), and the zero octets that some forwarders pad with.
    if (octet !== 0x20 && octet !== 0x09 && octet !== 0x0a && octet !== 0x0d && octet !== 0) return false;
  }
  return false;
}

/** Whether a datagram goes from server to gateway, given the server's ports. */
export function isDownstream(arrival: Arrival, serverPorts: readonly number[]): boolean {
  if (!serverPorts.includes(arrival.from.port)) return false;
  const shape = protocolShape(arrival.bytes);
  return shape === "answer" || shape === "downlink";
}

interface Tally {
  readonly port: number;
  received: number;
  fromGateways: number;
  /** PUSH_DATA and PULL_DATA alone: TX_ACK proves less. */
  uplinks: number;
  fromServers: number;
  /** What this endpoint sent in the shape of a server. */
  answered: number;
}

export interface ServerPortFinder {
  observe(arrival: Arrival): void;
  /** Datagrams seen. */
  readonly observed: number;
  /** Ports that were found, the busiest first. */
  ports(): number[];
}

/** Looks at datagrams one by one; can be asked at any time. */
export function createServerPortFinder(): ServerPortFinder {
  const tallies = new Map<string, Tally>();
  let observed = 0;

  function tallyOf({ address, port }: Endpoint): Tally | null {
    const key = `${address} ${port}`;
    let tally = tallies.get(key);
    if (tally === undefined) {
      if (tallies.size >= endpointLimit) return null;
      tally = { port, received: 0, fromGateways: 0, uplinks: 0, fromServers: 0, answered: 0 };
      tallies.set(key, tally);
    }
    return tally;
  }

  return {
    get observed() {
      return observed;
    },
    observe(arrival) {
      observed++;
      const shape = protocolShape(arrival.bytes);
      const fromServer = shape === "answer" || shape === "downlink";
      const to = tallyOf(arrival.to);
      if (to !== null) {
        to.received++;
        if (fromServer) to.fromServers++;
        else if (shape !== "other") to.fromGateways++;
        if (shape === "push-data" || shape === "pull-data") to.uplinks++;
      }
      if (!fromServer) return;
      const from = tallyOf(arrival.from);
      if (from !== null) from.answered++;
    },
    ports() {
      const weights = new Map<number, number>();
      for (const tally of tallies.values()) {
        const { port, received, fromGateways, uplinks, fromServers, answered } = tally;
        // Answers are further evidence where much else reaches the port too.
        const share = (fromGateways + Math.min(answered, fromGateways)) / received;
        if (uplinks === 0 || fromServers > fromGateways || share < leastShare) continue;
        weights.set(port, (weights.get(port) ?? 0) + fromGateways);
      }
      return [...weights].sort((a, b) => b[1] - a[1] || a[0] - b[0]).map(([port]) => port);
    },
  };
}

/** The server ports of a list of datagrams, the busiest first. */
export function recogniseServerPorts(arrivals: Iterable<Arrival>): number[] {
  const finder = createServerPortFinder();
  for (const arrival of arrivals) finder.observe(arrival);
  return finder.ports();
}
