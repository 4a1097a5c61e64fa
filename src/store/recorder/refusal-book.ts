/**
 * What was refused, what was odd, how often, and what did the newest of it look like? Counted by reason for
 * each gateway; the newest few datagrams of each reason are kept raw, however many a stranger sends.
 */
import type { Statement } from "better-sqlite3";
import type { Store } from "../open.ts";

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

export class RefusalBook {
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
