/**
 * Takes a table out of the store: one stream of octets, or a folder tree of Parquet files. All of it is read in one
 * transaction, so that it is one state of the store, and never held whole.
 */
import type { ExportFormat, ExportTable } from "../contract/service.ts";
import type { Arrival, Endpoint } from "../model/datagram.ts";
import { parseDevAddr } from "../model/identifiers.ts";
import { narrowedSite, narrowToSite, siteNames } from "../store/narrowed.ts";
import type { Store } from "../store/open.ts";
import { type RebuiltDatagram, rebuiltDatagrams } from "../store/rebuilt/datagrams.ts";
import { setting } from "../store/settings.ts";
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
import { framesTable, receptionsTable } from "./heard.ts";
import type { ExportScope, Table } from "./table.ts";
import { csvHead, csvRows, jsonRows, parquetFile } from "./table.ts";
import { channelsTable, gapsTable, gatewaysTable, linksTable, nodesTable } from "./view-tables.ts";

export type { ExportScope } from "./table.ts";

const TABLES: Readonly<Record<ExportTable, (store: Store, scope: ExportScope) => Table>> = {
  receptions: receptionsTable,
  frames: framesTable,
  nodes: nodesTable,
  links: linksTable,
  gaps: gapsTable,
  gateways: gatewaysTable,
  channels: channelsTable,
};

/** Name that Parquet files bear as their maker. */
const CREATED_BY = "mastlog";

export interface ExportPiece {
  readonly bytes: Uint8Array;
  /** Share done with it, 0 to 1. */
  readonly share: number;
}

/** Why a table cannot be had in a form; null: it can. */
export function whyNot(what: ExportTable, format: ExportFormat): string | null {
  if (format !== "pcap" || what === "receptions") return null;
  return `A packet capture holds datagrams: --format pcap goes with --what receptions, not with ${what}.`;
}

/** The table as one file, piece by piece. Close it early to stop. */
export function* exportPieces(
  store: Store,
  what: ExportTable,
  format: ExportFormat,
  scope: ExportScope,
): Generator<ExportPiece> {
  yield* inOneState(store, () => pieces(store, what, format, scope));
}

function* pieces(
  store: Store,
  what: ExportTable,
  format: ExportFormat,
  scope: ExportScope,
): Generator<ExportPiece> {
  if (format === "pcap") return yield* datagramCapture(store, scope);
  if (format === "jsonl" && what === "receptions") return yield* datagramLines(store, scope);
  const table = TABLES[what](store, scope);
  if (format === "parquet") return yield* parquetFile(table.columns, table.pages(), CREATED_BY);
  const write = format === "csv" ? csvRows : jsonRows;
  if (format === "csv") yield { bytes: Buffer.from(csvHead(table.columns)), share: 0 };
  for (const { rows, share } of table.pages())
    yield { bytes: Buffer.from(write(table.columns, rows)), share };
}

/** A piece of one file of the tree. Files come one after the other, each whole before the next. */
export interface TreePiece extends ExportPiece {
  /** Folders and name: "site=Orchard/date=2026-03-14/gateway=02005E1000000001/receptions.parquet". */
  readonly path: string;
}

/**
 * The table as Parquet files by site, date and, where rows belong to one, gateway: the layout that engines know as
 * Hive partitions. Gateways that belong to a site lie in its folder, one site after the other, each with what its own
 * gateways heard. `site`: of the rest; null for the name that a person gave the store's site, else `otherwise`.
 * The connection is narrowed to one site after the other (src/store/narrowed.ts): no more is to be asked over it.
 */
export function* exportTree(
  store: Store,
  what: ExportTable,
  scope: ExportScope,
  site: { readonly name: string | null; readonly otherwise: string },
): Generator<TreePiece> {
  yield* inOneState(store, () => tree(store, what, scope, site));
}

function* tree(
  store: Store,
  what: ExportTable,
  scope: ExportScope,
  site: { readonly name: string | null; readonly otherwise: string },
): Generator<TreePiece> {
  const name = site.name ?? setting(store, "site-name") ?? site.otherwise;
  const alone = narrowedSite(store);
  const names = siteNames(store);
  if (alone !== null) yield* treeOfSite(store, what, scope, alone);
  else if (names.length === 0) yield* treeOfSite(store, what, scope, name);
  else
    for (const one of [null, ...names]) {
      narrowToSite(store, one);
      yield* treeOfSite(store, what, scope, one ?? name);
    }
}

function* treeOfSite(
  store: Store,
  what: ExportTable,
  scope: ExportScope,
  name: string,
): Generator<TreePiece> {
  const table = TABLES[what](store, scope);
  for (const { date, gatewayEui, pages } of table.parts()) {
    const folders = [
      `site=${folderValue(name)}`,
      `date=${date}`,
      ...(gatewayEui === null ? [] : [`gateway=${gatewayEui}`]),
    ];
    const path = [...folders, `${what}.parquet`].join("/");
    for (const piece of parquetFile(table.columns, pages, CREATED_BY)) yield { path, ...piece };
  }
}

/** Percent-encoded where a file system or an engine could take a character for something else. */
function folderValue(text: string): string {
  return encodeURIComponent(text).replace(
    /[!'()*]/g,
    (one) => `%${one.charCodeAt(0).toString(16).toUpperCase()}`,
  );
}

function* inOneState<T>(store: Store, work: () => Iterable<T>): Generator<T> {
  const isOurs = !store.inTransaction;
  if (isOurs) store.exec("BEGIN");
  try {
    yield* work();
  } finally {
    if (isOurs && store.inTransaction) store.exec("COMMIT");
  }
}

/** "mastlog-receptions-20260314T090000Z-20260314T120000Z.csv". */
export function exportName(what: ExportTable, format: ExportFormat, { window }: ExportScope): string {
  const stamp = (us: number) => `${new Date(us / 1000).toISOString().slice(0, 19).replace(/[-:]/g, "")}Z`;
  return `mastlog-${what}-${stamp(window.fromUs)}-${stamp(window.toUs)}.${format}`;
}

// The datagrams of a store, put together again, as a recording that `mastlog import` reads: JSON lines or a packet
// capture. JSON lines carry the digest of each datagram as it came, so that a store that holds it recognises it.

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
