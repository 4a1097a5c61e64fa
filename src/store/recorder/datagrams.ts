/**
 * Was this datagram seen before? A re-read capture brings the very same one; a network or a second listener
 * brings a byte-identical one within two seconds. Either way its content must change nothing.
 */
import type { Statement } from "better-sqlite3";
import { digestOf } from "../../ledger/group-receptions.ts";
import type { Arrival } from "../../model/datagram.ts";
import type { Store } from "../open.ts";

/** Byte-identical datagrams (token included) within this time are one; the protocol has no retransmission. */
export const DUPLICATE_US = 2_000_000;
/** A keepalive may repeat its token honestly sooner than that. */
export const KEEPALIVE_DUPLICATE_US = 100_000;
export const KIND_DUPLICATE = 16;

export const DATAGRAM_KINDS = {
  "push-data": 0,
  "pull-data": 2,
  "tx-ack": 5,
} as const;
export type DatagramKind = keyof typeof DATAGRAM_KINDS;

/** "new": to be recorded; "known": stored before, change nothing; "duplicate": the same one once more. */
export type DatagramStanding = "new" | "known" | "duplicate";

/** The digests of one gateway's newest datagrams, complete from `fromUs`, or `DUPLICATE_US` before `toUs`, up to `toUs`. */
interface Recent {
  fromUs: number;
  toUs: number;
  readonly atByDigest: Map<number, number>;
}

export class DatagramWriter {
  readonly #recent = new Map<number, Recent>();
  readonly #insert: Statement;
  readonly #findNear: Statement;
  readonly #newest: Statement;

  constructor(db: Store) {
    this.#insert = db.prepare(
      "INSERT OR IGNORE INTO datagram (gateway_id, at_us, digest, kind) VALUES (?, ?, ?, ?)",
    );
    this.#findNear = db
      .prepare("SELECT 1 FROM datagram WHERE gateway_id = ? AND at_us BETWEEN ? AND ? AND digest = ? LIMIT 1")
      .pluck();
    this.#newest = db.prepare("SELECT max(at_us) FROM datagram WHERE gateway_id = ?").pluck();
  }

  /** Books a datagram under its gateway and says what to do with it. */
  book(
    gatewayId: number,
    { atUs, bytes, digest: given }: Pick<Arrival, "atUs" | "bytes" | "digest">,
    kind: DatagramKind,
  ): DatagramStanding {
    const digest = shortDigest(given ?? digestOf(bytes));
    const span = kind === "pull-data" ? KEEPALIVE_DUPLICATE_US : DUPLICATE_US;
    const recent = this.#recentOf(gatewayId);
    const duplicate = this.#seenNear(recent, gatewayId, atUs, digest, span);
    const code = DATAGRAM_KINDS[kind] + (duplicate ? KIND_DUPLICATE : 0);
    const isNew = this.#insert.run(gatewayId, atUs, digest, code).changes === 1;
    remember(recent, atUs, digest);
    if (!isNew) return "known";
    return duplicate ? "duplicate" : "new";
  }

  /** Books a refused datagram of a capture, so that reading the file again does not count it again. */
  bookRefused(atUs: number, bytes: Uint8Array): boolean {
    return this.#insert.run(0, atUs, shortDigest(digestOf(bytes)), 255).changes === 1;
  }

  #recentOf(gatewayId: number): Recent {
    let recent = this.#recent.get(gatewayId);
    if (recent === undefined) {
      // What other connections or earlier runs wrote is not in memory: it is complete only after all that.
      const newest = this.#newest.get(gatewayId) as number | null;
      const fromUs = newest === null ? Number.NEGATIVE_INFINITY : newest + 1;
      recent = { fromUs, toUs: Number.NEGATIVE_INFINITY, atByDigest: new Map() };
      this.#recent.set(gatewayId, recent);
    }
    return recent;
  }

  #seenNear(recent: Recent, gatewayId: number, atUs: number, digest: number, span: number): boolean {
    if (atUs >= recent.toUs && atUs - span >= recent.fromUs) {
      const at = recent.atByDigest.get(digest);
      return at !== undefined && atUs - at <= span;
    }
    return this.#findNear.get(gatewayId, atUs - span, atUs + span, digest) !== undefined;
  }

  forget(): void {
    this.#recent.clear();
  }
}

const DIGESTS = 2 ** 47;

/**
 * The lowest 47 bits, which take six octets in the store instead of eight. Datagrams of one gateway within two seconds
 * would have to share them to be taken for one.
 */
function shortDigest(digest: number): number {
  return digest % DIGESTS;
}

function remember(recent: Recent, atUs: number, digest: number): void {
  if (atUs < recent.toUs) {
    // Out of order: memory no longer covers the time up to the newest without holes.
    recent.fromUs = Math.max(recent.fromUs, recent.toUs + 1);
    recent.atByDigest.clear();
  }
  recent.toUs = atUs;
  recent.atByDigest.delete(digest);
  recent.atByDigest.set(digest, atUs);
  for (const [oldest, at] of recent.atByDigest) {
    if (atUs - at <= DUPLICATE_US) break;
    recent.atByDigest.delete(oldest);
  }
}

// What was rejected, what was odd, how often, and what did the newest of it look like? Counted by reason for
// each gateway; the newest few datagrams of each reason are kept raw, however many a stranger sends.

const SAMPLES_A_REASON = 20;
/** Samples written in one transaction for one reason: a flood of garbage must not become a flood of writes. */
const SAMPLES_A_COMMIT = 3;
const SAMPLE_BYTES = 2_048;

export interface Refused {
  /** 0 where no gateway can be named. */
  readonly gatewayId: number;
  readonly reason: string;
  /** False: odd, but used. */
  readonly refused: boolean;
  readonly atUs: number;
  /** How often; 1 when absent. */
  readonly count?: number | undefined;
  readonly sentence: string;
  /** The datagram, where it is worth keeping. */
  readonly raw: { readonly bytes: Uint8Array; readonly source: string } | null;
}

interface Delta {
  readonly gatewayId: number;
  readonly reason: string;
  readonly refused: boolean;
  count: number;
  firstAtUs: number;
  lastAtUs: number;
}

export class RejectionWriter {
  readonly #deltas = new Map<string, Delta>();
  readonly #sampled = new Map<string, number>();
  readonly #count: Statement;
  readonly #sample: Statement;
  readonly #prune: Statement;

  constructor(db: Store) {
    this.#count = db.prepare(
      `INSERT INTO refusal (gateway_id, reason, refused, count, first_at_us, last_at_us) VALUES (?, ?, ?, ?, ?, ?)
       ON CONFLICT DO UPDATE SET count = count + excluded.count, refused = max(refused, excluded.refused),
       first_at_us = min(first_at_us, excluded.first_at_us), last_at_us = max(last_at_us, excluded.last_at_us)`,
    );
    this.#sample = db.prepare(
      `INSERT INTO refusal_sample (reason, at_us, source, sentence, size, bytes) VALUES (?, ?, ?, ?, ?, ?)`,
    );
    this.#prune = db.prepare(
      `DELETE FROM refusal_sample WHERE reason = ? AND id <=
       (SELECT id FROM refusal_sample WHERE reason = ? ORDER BY id DESC LIMIT 1 OFFSET ${SAMPLES_A_REASON})`,
    );
  }

  note(refused: Refused): void {
    const key = `${refused.gatewayId}/${refused.reason}`;
    const delta = this.#deltas.get(key);
    if (delta === undefined) {
      const { gatewayId, reason, atUs } = refused;
      this.#deltas.set(key, {
        gatewayId,
        reason,
        refused: refused.refused,
        count: refused.count ?? 1,
        firstAtUs: atUs,
        lastAtUs: atUs,
      });
    } else {
      delta.count += refused.count ?? 1;
      delta.firstAtUs = Math.min(delta.firstAtUs, refused.atUs);
      delta.lastAtUs = Math.max(delta.lastAtUs, refused.atUs);
    }
    if (refused.raw !== null) this.#keepSample(refused, refused.raw.bytes, refused.raw.source);
  }

  flush(): void {
    for (const delta of this.#deltas.values()) {
      this.#count.run(
        delta.gatewayId,
        delta.reason,
        delta.refused ? 1 : 0,
        delta.count,
        delta.firstAtUs,
        delta.lastAtUs,
      );
    }
    for (const reason of this.#sampled.keys()) this.#prune.run(reason, reason);
    this.forget();
  }

  forget(): void {
    this.#deltas.clear();
    this.#sampled.clear();
  }

  #keepSample(refused: Refused, bytes: Uint8Array, source: string): void {
    const taken = this.#sampled.get(refused.reason) ?? 0;
    if (taken >= SAMPLES_A_COMMIT) return;
    this.#sampled.set(refused.reason, taken + 1);
    this.#sample.run(
      refused.reason,
      refused.atUs,
      source,
      refused.sentence,
      bytes.length,
      bytes.subarray(0, SAMPLE_BYTES),
    );
  }
}
