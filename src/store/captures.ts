/** Which captures were read, and how did that go? Writes the `capture` rows. */
import type { Store } from "./open.ts";

export interface CaptureFigures {
  readonly fromUs: number | null;
  readonly toUs: number | null;
  readonly datagrams: number;
  readonly receptions: number;
  readonly knownAlready: number;
  readonly refused: number;
  /** Datagrams of servers; 0: only the gateways' side was recorded. */
  readonly answers: number;
}

export interface CaptureStart {
  readonly name: string;
  /** SHA-256 of the decompressed content, hexadecimal. */
  readonly digest: string;
  readonly size: number;
  readonly startedAtUs: number;
}

/** The row of a capture with this content that was read to its end before; null when there is none. */
export function findReadCapture(db: Store, digest: string): number | null {
  const id = db
    .prepare("SELECT id FROM capture WHERE digest = ? AND state = 'done' ORDER BY id LIMIT 1")
    .pluck()
    .get(digest);
  return typeof id === "number" ? id : null;
}

/** Begins a row; one with the same content that was not finished is taken up again. */
export function beginCapture(db: Store, start: CaptureStart): number {
  const unfinished = "SELECT id FROM capture WHERE digest = ? AND state <> 'done'";
  // What it recorded is read again.
  const ranges = `SELECT id FROM recorded_range WHERE capture_id IN (${unfinished})`;
  db.prepare(`DELETE FROM recorded_gateway WHERE range_id IN (${ranges})`).run(start.digest);
  db.prepare(`DELETE FROM recorded_range WHERE capture_id IN (${unfinished})`).run(start.digest);
  db.prepare(`DELETE FROM capture WHERE id IN (${unfinished})`).run(start.digest);
  const result = db
    .prepare("INSERT INTO capture (name, digest, size, state, started_at_us) VALUES (?, ?, ?, 'reading', ?)")
    .run(start.name, start.digest, start.size, start.startedAtUs);
  return Number(result.lastInsertRowid);
}

export function endCapture(
  db: Store,
  id: number,
  end: { state: "done" | "failed"; finishedAtUs: number; trouble: string | null; figures: CaptureFigures },
): void {
  const { fromUs, toUs, datagrams, receptions, knownAlready, refused, answers } = end.figures;
  db.prepare(
    `UPDATE capture SET state = ?, finished_at_us = ?, trouble = ?, from_us = ?, to_us = ?, datagrams = ?,
     receptions = ?, known_already = ?, refused = ?, answers = ? WHERE id = ?`,
  ).run(
    end.state,
    end.finishedAtUs,
    end.trouble,
    fromUs,
    toUs,
    datagrams,
    receptions,
    knownAlready,
    refused,
    answers,
    id,
  );
}

/** Readings that a crash cut off are shown as failed, not as running for ever. */
export function failAbandonedCaptures(db: Store, nowUs: number): void {
  db.prepare(
    `UPDATE capture SET state = 'failed', finished_at_us = ?, trouble = 'the service ended while reading it'
     WHERE state = 'reading'`,
  ).run(nowUs);
}
