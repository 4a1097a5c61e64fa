/**
 * The datagrams of a store, put together again, as a recording that `mastlog import` reads: JSON lines or a packet
 * capture. JSON lines carry the digest of each datagram as it came, so that a store that holds it recognises it.
 */
import type { Arrival, Endpoint } from "../model/datagram.ts";
import { parseDevAddr } from "../model/identifiers.ts";
import type { Store } from "../store/open.ts";
import { type RebuiltDatagram, rebuiltDatagrams } from "../store/rebuilt/datagrams.ts";
import { createPcapWriter } from "../wire/capture/pcap-writer.ts";
import { encodeRecordedDatagram } from "../wire/capture/recorded-datagrams.ts";
import {
  encodePullAck,
  encodePullData,
  encodePullResponse,
  encodePushAck,
  encodePushData,
  encodeTxAck,
} from "../wire/forwarder/encode.ts";
import type { ExportScope } from "./table.ts";

/** The server's end is not kept; documentation address (RFC 5737), the protocol's usual port. */
const SERVER: Endpoint = { address: "192.0.2.1", port: 1700 };
/** Stands for a gateway's address that is not known. */
const SOMEWHERE: Endpoint = { address: "192.0.2.2", port: 1701 };
/** Octets handed on at once. */
const CHUNK = 131_072;

interface Piece {
  readonly bytes: Uint8Array;
  readonly share: number;
}

export function* datagramLines(store: Store, scope: ExportScope): Generator<Piece> {
  let text = "";
  for (const { arrival, share } of arrivals(store, scope)) {
    text += encodeRecordedDatagram(arrival);
    if (text.length < CHUNK) continue;
    yield { bytes: Buffer.from(text), share };
    text = "";
  }
  yield { bytes: Buffer.from(text), share: 1 };
}

export function* datagramCapture(store: Store, scope: ExportScope): Generator<Piece> {
  const writer = createPcapWriter();
  let records: Uint8Array[] = [writer.header];
  let octets = 0;
  for (const { arrival, share } of arrivals(store, scope)) {
    const record = writer.datagram(arrival);
    records.push(record);
    octets += record.length;
    if (octets < CHUNK) continue;
    yield { bytes: Buffer.concat(records), share };
    records = [];
    octets = 0;
  }
  yield { bytes: Buffer.concat(records), share: 1 };
}

function* arrivals(
  store: Store,
  { window, gatewayEui, devAddr }: ExportScope,
): Generator<{ readonly arrival: Arrival; readonly share: number }> {
  const scope = {
    window,
    gatewayEui,
    ...(devAddr === undefined ? {} : { devAddr: parseDevAddr(devAddr) }),
  };
  const lengthUs = Math.max(1, window.toUs - window.fromUs);
  for (const rebuilt of rebuiltDatagrams(store, scope)) {
    const arrival = arrivalOf(rebuilt);
    if (arrival !== null) yield { arrival, share: (rebuilt.atUs - window.fromUs) / lengthUs };
  }
}

/** null: an outcome that no gateway's datagram can say. */
function arrivalOf(rebuilt: RebuiltDatagram): Arrival | null {
  const { atUs } = rebuilt;
  if (rebuilt.kind === "answer") {
    const { datagram } = rebuilt;
    const bytes = datagram.kind === "push-ack" ? encodePushAck(datagram) : encodePullAck(datagram);
    return { atUs, door: "capture", bytes, from: SERVER, to: endpointOf(rebuilt.to) };
  }
  const digest = rebuilt.digest ?? undefined;
  if (rebuilt.kind === "downlink") {
    const { transmission } = rebuilt.datagram;
    if (transmission === null) return null;
    const bytes = encodePullResponse({ ...rebuilt.datagram, transmission });
    return { atUs, door: "capture", digest, bytes, from: SERVER, to: endpointOf(rebuilt.to) };
  }
  const bytes = octetsOf(rebuilt.datagram);
  if (bytes === null) return null;
  return { atUs, door: "capture", digest, bytes, from: endpointOf(rebuilt.from), to: SERVER };
}

function octetsOf(datagram: Extract<RebuiltDatagram, { kind: "upstream" }>["datagram"]): Uint8Array | null {
  switch (datagram.kind) {
    case "push-data":
      return encodePushData(datagram, "exact");
    case "pull-data":
      return encodePullData(datagram);
    case "tx-ack": {
      const { result, word, powerDbm } = datagram.outcome;
      if (result === "unreadable") return null;
      return encodeTxAck({ ...datagram, outcome: { result, word, powerDbm } });
    }
  }
}

/** Read once: the same few stand in very many datagrams. */
const endpoints = new Map<string, Endpoint>();
const MAX_ENDPOINTS = 256;

function endpointOf(text: string | null): Endpoint {
  if (text === null) return SOMEWHERE;
  const known = endpoints.get(text);
  if (known !== undefined) return known;
  const [address, port] = text.split(" ");
  const endpoint = address === undefined || port === undefined ? SOMEWHERE : { address, port: Number(port) };
  if (endpoints.size >= MAX_ENDPOINTS) endpoints.clear();
  endpoints.set(text, endpoint);
  return endpoint;
}
