/**
 * Takes a table out of the store: one stream of octets, or a folder tree of Parquet files. All of it is read in one
 * transaction, so that it is one state of the store, and never held whole.
 */
import type { ExportFormat, ExportTable } from "../contract/service.ts";
import { narrowedSite, narrowToSite, siteNames } from "../store/narrowed.ts";
import type { Store } from "../store/open.ts";
import { setting } from "../store/settings.ts";
import { datagramCapture, datagramLines } from "./datagrams.ts";
import { csvHead, csvRows, jsonRows, parquetFile } from "./forms.ts";
import { framesTable, receptionsTable } from "./heard.ts";
import type { ExportScope, Table } from "./table.ts";
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
