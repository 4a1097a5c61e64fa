/**
 * Which datagrams brought what is stored? Octets are not kept, but everything that is derived from them is: each
 * gateway's datagrams are put together again from their rows, in the order of arrival, so that recording them gives the
 * same figures. What is not kept of each cannot come back: tokens of PUSH_DATA and PULL_DATA (two octets of the digest
 * stand in), all but the newest source address of a gateway, fine times, which datagram an acknowledgement answered, and
 * what was rejected.
 */
import type { StatusReport, UpstreamDatagram } from "../../model/datagram.ts";
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { prepared } from "../queries/statement.ts";
import { DATAGRAM_KINDS, DUPLICATE_US, KIND_DUPLICATE } from "../recorder/datagrams.ts";
import { Acknowledgements, downlinksOf, type RebuiltAnswer, type RebuiltDownlink } from "./downlinks.ts";
import {
  ArrivedReceptions,
  type GatewayRow,
  gatewayRows,
  type OutcomeRow,
  outcomesOf,
  packetsOf,
  type ReceptionRow,
  reportsOf,
} from "./rows.ts";

/** A datagram of a gateway, or of a server to a gateway. Addresses as "address port"; null: not known. */
export type RebuiltDatagram = RebuiltUpstream | RebuiltDownlink | RebuiltAnswer;

export interface RebuiltUpstream {
  readonly kind: "upstream";
  readonly atUs: number;
  /** Of the octets as they came; null: its row is of a version that kept none. */
  readonly digest: number | null;
  readonly datagram: UpstreamDatagram;
  readonly from: string | null;
}

export interface RebuildScope {
  readonly window: TimeRange;
  readonly gatewayEui?: string | undefined;
  /** Receptions of this address alone; keepalives and status reports stay, since outages are found by them. */
  readonly devAddr?: number | undefined;
}

/** Rows of a kind that are read at once over all gateways. Chosen: some megabytes. */
const ROWS_AT_ONCE = 20_000;
const MIN_PAGE = 20;
const MAX_PAGE = 2_000;

/** All datagrams of the scope in order of arrival; holds a bounded part of them, however many there are. */
export function* rebuiltDatagrams(store: Store, scope: RebuildScope): Generator<RebuiltDatagram> {
  const gateways = gatewayRows(store).filter(
    ({ eui }) => scope.gatewayEui === undefined || eui === scope.gatewayEui,
  );
  const page = Math.min(MAX_PAGE, Math.max(MIN_PAGE, Math.floor(ROWS_AT_ONCE / (gateways.length + 1))));
  const sources = [
    ...gateways.map((gateway) => upstreamOf(store, gateway, scope, page)),
    ...(scope.devAddr === undefined ? [downlinksOf(store, gateways, scope, page)] : []),
  ];
  yield* inOrder(sources);
}

interface Lane {
  readonly source: Generator<RebuiltDatagram>;
  head: RebuiltDatagram;
}

/** Several streams in order of time as one. */
function* inOrder(sources: readonly Generator<RebuiltDatagram>[]): Generator<RebuiltDatagram> {
  // The lane with the earliest head stands last.
  const lanes: Lane[] = [];
  const insert = (lane: Lane): void => {
    let low = 0;
    let high = lanes.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if ((lanes[middle]?.head.atUs ?? 0) > lane.head.atUs) low = middle + 1;
      else high = middle;
    }
    lanes.splice(low, 0, lane);
  };
  for (const source of sources) {
    const first = source.next();
    if (first.done !== true) insert({ source, head: first.value });
  }
  for (;;) {
    const lane = lanes.pop();
    if (lane === undefined) return;
    yield lane.head;
    const next = lane.source.next();
    if (next.done === true) continue;
    lane.head = next.value;
    insert(lane);
  }
}

interface DatagramRow {
  readonly atUs: number;
  readonly digest: number;
  readonly kind: number;
}

interface Content {
  readonly receptions: ReadonlyMap<number, readonly ReceptionRow[]>;
  readonly reports: ReadonlyMap<number, StatusReport>;
  readonly outcomes: ReadonlyMap<number, readonly OutcomeRow[]>;
}

/** What one gateway sent. */
function* upstreamOf(
  store: Store,
  gateway: GatewayRow,
  { window, devAddr }: RebuildScope,
  page: number,
): Generator<RebuiltDatagram> {
  const rows = prepared(
    store,
    `SELECT at_us AS atUs, digest, kind FROM datagram
     WHERE gateway_id = ? AND (at_us, digest) > (?, ?) AND at_us < ? AND kind < 255 ORDER BY at_us, digest LIMIT ?`,
  );
  const receptions = new ArrivedReceptions(store, gateway.id, window, devAddr, page);
  const acknowledgements = devAddr === undefined ? new Acknowledgements(store, gateway.id, window) : null;
  const answers: RebuiltAnswer[] = [];
  const copies = new Map<number, { readonly atUs: number; readonly datagram: UpstreamDatagram }>();
  let last: Pick<DatagramRow, "atUs" | "digest"> = {
    atUs: window.fromUs - 1,
    digest: Number.MAX_SAFE_INTEGER,
  };
  for (;;) {
    const datagrams = rows.all(gateway.id, last.atUs, last.digest, window.toUs, page) as DatagramRow[];
    const end = datagrams.at(-1);
    const isLast = datagrams.length < page;
    const range = { fromUs: last.atUs + 1, toUs: isLast || end === undefined ? window.toUs : end.atUs + 1 };
    // The same moment may go on in the next page: it is read with that one.
    const now =
      isLast || end === undefined || datagrams[0]?.atUs === end.atUs
        ? datagrams
        : datagrams.filter(({ atUs }) => atUs < end.atUs);
    if (now.length < datagrams.length) range.toUs -= 1;
    const content = {
      receptions: receptions.until(range.toUs),
      reports: reportsOf(store, gateway, range),
      outcomes: outcomesOf(store, gateway.id, range),
    };
    for (const row of withOrphans(now, content)) {
      const made =
        row.kind >= KIND_DUPLICATE
          ? (copies.get(row.digest)?.datagram ?? null)
          : upstreamDatagram(gateway, row, content, devAddr !== undefined);
      if (made === null) continue;
      const digest = row.digest < 0 ? null : row.digest;
      if (digest !== null) remember(copies, digest, { atUs: row.atUs, datagram: made });
      const from =
        made.kind === "push-data"
          ? (gateway.pushSource ?? gateway.pullSource)
          : (gateway.pullSource ?? gateway.pushSource);
      yield* answersUntil(answers, row.atUs);
      yield { kind: "upstream", atUs: row.atUs, digest, datagram: made, from };
      const answer = row.kind >= KIND_DUPLICATE ? null : acknowledgements?.to(row.atUs, made, from);
      if (answer != null) answers.push(answer);
    }
    if (isLast) return yield* answersUntil(answers, Number.MAX_SAFE_INTEGER);
    last = now.at(-1) ?? last;
  }
}

/** Takes out those up to a moment, in order of time. */
function answersUntil(answers: RebuiltAnswer[], atUs: number): RebuiltAnswer[] {
  if (answers.length === 0) return [];
  const due = answers.filter((answer) => answer.atUs <= atUs).sort((a, b) => a.atUs - b.atUs);
  if (due.length > 0) answers.splice(0, answers.length, ...answers.filter((answer) => answer.atUs > atUs));
  return due;
}

/** Marks a datagram whose row is missing. */
const NO_DIGEST = -1;

/** The datagrams, and one for receptions at a moment at which none is stored (stores of an earlier version). */
function withOrphans(rows: readonly DatagramRow[], { receptions }: Content): DatagramRow[] {
  const pushed = new Set<number>();
  for (const { atUs, kind } of rows) if (kind === DATAGRAM_KINDS["push-data"]) pushed.add(atUs);
  const orphans = [...receptions.keys()].filter((atUs) => !pushed.has(atUs));
  if (orphans.length === 0) return [...rows];
  const added = orphans.map((atUs) => ({ atUs, digest: NO_DIGEST, kind: DATAGRAM_KINDS["push-data"] }));
  return [...rows, ...added].sort((a, b) => a.atUs - b.atUs);
}

/** Keeps what the copies of a datagram are made of: they come within two seconds. */
function remember<Kept extends { readonly atUs: number }>(
  copies: Map<number, Kept>,
  digest: number,
  kept: Kept,
): void {
  copies.delete(digest);
  copies.set(digest, kept);
  for (const [oldest, { atUs }] of copies) {
    if (kept.atUs - atUs <= DUPLICATE_US) break;
    copies.delete(oldest);
  }
}

/** null: of a kind that is not known, or nothing in it is asked for. */
function upstreamDatagram(
  gateway: GatewayRow,
  row: DatagramRow,
  content: Content,
  isNarrowed: boolean,
): UpstreamDatagram | null {
  // Both versions were spoken, and which one when is not kept: the first datagram stands for version 1.
  const isOld = gateway.versions === 1 || (gateway.versions === 3 && row.atUs === gateway.firstAtUs);
  const head = {
    version: isOld ? (1 as const) : (2 as const),
    token: row.digest < 0 ? 0 : row.digest % 65_536,
    gatewayEui: gateway.eui,
  };
  switch (row.kind) {
    case DATAGRAM_KINDS["push-data"]: {
      const packets = packetsOf(take(content.receptions, row.atUs));
      const status = takeReport(content.reports, row.atUs);
      if (isNarrowed && packets.length === 0 && status === null) return null;
      return { kind: "push-data", ...head, packets, status };
    }
    case DATAGRAM_KINDS["pull-data"]:
      return { kind: "pull-data", ...head };
    case DATAGRAM_KINDS["tx-ack"]: {
      const [outcome] = content.outcomes.get(row.atUs) ?? [];
      return outcome === undefined
        ? null
        : { kind: "tx-ack", ...head, token: outcome.token, outcome: outcome.outcome };
    }
    default:
      return null;
  }
}

/** Two datagrams of one moment: the first holds it all. */
function take(all: ReadonlyMap<number, readonly ReceptionRow[]>, atUs: number): readonly ReceptionRow[] {
  const rows = all.get(atUs) ?? [];
  (all as Map<number, readonly ReceptionRow[]>).delete(atUs);
  return rows;
}

function takeReport(all: ReadonlyMap<number, StatusReport>, atUs: number): StatusReport | null {
  const report = all.get(atUs) ?? null;
  (all as Map<number, StatusReport>).delete(atUs);
  return report;
}
