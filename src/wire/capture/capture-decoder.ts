/**
 * Which datagrams does a capture file hold? The format is recognised from the first octets; the file arrives in pieces of
 * any size and memory stays bounded whatever the file claims.
 *
 * Faults of its own (layer capture): `empty`, `format`. Others: see pcap.ts, pcapng.ts, frame-decoder.ts and
 * recorded-datagrams.ts. Never throws. A file cut anywhere gives the datagrams that were whole before the cut.
 */

import type { Arrival, Endpoint } from "../../model/datagram.ts";
import {
  downstreamHeadOctets,
  identifiers,
  shortHeadOctets,
  upstreamHeadOctets,
} from "../forwarder/header.ts";
import { ByteQueue, type CaptureItem, type FrameSink } from "./captured-frame.ts";
import { createFrameDecoder, type FrameFigures } from "./frame-decoder.ts";
import { createPcapReader, isPcapMagic } from "./pcap.ts";
import { blockTypes, createPcapngReader } from "./pcapng.ts";
import { createLineReader } from "./recorded-datagrams.ts";

export type { CaptureItem } from "./captured-frame.ts";

export type CaptureFormat = "pcap" | "pcapng" | "recorded-datagrams";

export interface CaptureDecoder {
  /** Items that this piece of the file completes, in the order of the file. */
  push(chunk: Uint8Array): CaptureItem[];
  /** Items that the end of the file settles. */
  end(): CaptureItem[];
  /** Null until the first octets recognised, and for a file of another format. */
  format(): CaptureFormat | null;
  figures(): FrameFigures;
}

/** A large piece is worked off in parts, so that it is not held a second time. */
const partOctets = 1 << 16;
/** White space before the first line is allowed this far. */
const longestLeadIn = 1024;

type Reader = (queue: ByteQueue, ended: boolean) => void;

/** A decoder for one file. */
export function createCaptureDecoder(): CaptureDecoder {
  const queue = new ByteQueue();
  let items: CaptureItem[] = [];
  const emit = (item: CaptureItem): void => {
    items.push(item);
  };
  const frames = createFrameDecoder(emit);
  const sink: FrameSink = {
    frame: frames.decode,
    fault: (fault, atUs) => emit({ kind: "fault", fault, atUs }),
  };
  let format: CaptureFormat | "other" | null = null;
  let reader: Reader = () => undefined;

  function open(ended: boolean): void {
    const recognised = formatOf(queue, ended);
    if (recognised === null) return;
    format = recognised;
    if (recognised === "recorded-datagrams") {
      const lines = createLineReader();
      reader = (octets, last) => lines.read(octets, emit, last);
    } else if (recognised === "other") {
      const detail = `first octets ${Buffer.from(queue.view(0, 8)).toString("hex")}`;
      const fault = { reason: queue.length === 0 ? "empty" : "format", layer: "capture", at: 0 } as const;
      emit({ kind: "fault", fault: queue.length === 0 ? fault : { ...fault, detail }, atUs: null });
      reader = (octets) => octets.drop(octets.length);
    } else {
      const records = recognised === "pcap" ? createPcapReader() : createPcapngReader();
      reader = (octets, last) => records.read(octets, sink, last);
    }
  }

  function taken(): CaptureItem[] {
    const taken = items;
    items = [];
    return taken;
  }

  return {
    push(chunk) {
      for (let at = 0; at < chunk.length; at += partOctets) {
        queue.push(chunk.subarray(at, at + partOctets));
        if (format === null) open(false);
        if (format !== null) reader(queue, false);
      }
      return taken();
    },
    end() {
      if (format === null) open(true);
      reader(queue, true);
      frames.end();
      return taken();
    },
    format: () => (format === "other" ? null : format),
    figures: frames.figures,
  };
}

/** Null: more octets are needed. */
function formatOf(queue: ByteQueue, ended: boolean): CaptureFormat | "other" | null {
  if (queue.length >= 4) {
    const big = queue.u32(0, false);
    const little = queue.u32(0, true);
    // draft-ietf-opsawg-pcapng section 4.1: the type of the section header reads the same in both orders.
    if (big === blockTypes.sectionHeader) return "pcapng";
    if (isPcapMagic(big, little)) return "pcap";
  }
  const start = Buffer.from(queue.view(0, longestLeadIn))
    .toString("utf8")
    .replace(/^\uFEFF/, "")
    .trimStart();
  if (start.startsWith("{")) return "recorded-datagrams";
  const undecided = queue.length < 4 || (start === "" && queue.length < longestLeadIn);
  return undecided && !ended ? null : "other";
}

// Which UDP port in this traffic is the server's? The one that receives what only gateways send: PUSH_DATA and
// PULL_DATA. What a server sends (acknowledgements, downlinks) speaks for the port that it comes from and against the
// one that it goes to. Source: UDP packet forwarder protocol, PROTOCOL.TXT revisions 1.0 to 1.6, sections 3 and 5.

/** What a datagram's first octets make it look like. */
type ProtocolShape = "push-data" | "pull-data" | "tx-ack" | "answer" | "downlink" | "other";

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
      return opensJson(bytes, upstreamHeadOctets) ? "push-data" : "other";
    case identifiers.pullData:
      return bytes.length === upstreamHeadOctets ? "pull-data" : "other";
    case identifiers.txAck:
      return bytes.length === upstreamHeadOctets || opensJson(bytes, upstreamHeadOctets) ? "tx-ack" : "other";
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
  /** PUSH_DATA or PULL_DATA came: TX_ACK proves less. */
  hasUplinks: boolean;
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
      tally = { port, received: 0, fromGateways: 0, hasUplinks: false, fromServers: 0, answered: 0 };
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
        if (shape === "push-data" || shape === "pull-data") to.hasUplinks = true;
      }
      if (!fromServer) return;
      const from = tallyOf(arrival.from);
      if (from !== null) from.answered++;
    },
    ports() {
      const weights = new Map<number, number>();
      for (const tally of tallies.values()) {
        const { port, received, fromGateways, hasUplinks, fromServers, answered } = tally;
        // Answers are further evidence where much else reaches the port too.
        const share = (fromGateways + Math.min(answered, fromGateways)) / received;
        if (!hasUplinks || fromServers > fromGateways || share < leastShare) continue;
        weights.set(port, (weights.get(port) ?? 0) + fromGateways);
      }
      return [...weights].sort((a, b) => b[1] - a[1] || a[0] - b[0]).map(([port]) => port);
    },
  };
}
