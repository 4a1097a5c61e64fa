/** How is a dropout named, and how far around it does its evidence reach? */

import type { Statement } from "better-sqlite3";
import type { GapDraft } from "../../ledger/gaps/gap-detector.ts";
import type { FindingEvidence, GapJudgement } from "../../model/gap.ts";
import { formatDevAddr } from "../../model/identifiers.ts";
import { isoTime, type TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";

/** What found it; with the life and its beginning it names a dropout. */
export type Tag = "run" | "episode" | "end" | "shared";

const MARKS: Readonly<Record<Tag, string>> = { run: "r", episode: "e", end: "x", shared: "s" };

/** "01A2B3C4-1-1773478800000-r": the same however often everything is derived anew. */
export function gapId(devAddr: number, life: number, fromUs: number, tag: Tag): string {
  return `${formatDevAddr(devAddr)}-${life}-${Math.round(fromUs / 1000)}-${MARKS[tag]}`;
}

/** A found dropout as its `gap` row holds it, without what its finding says. */
export function gapRowOf(devAddr: number, life: number, draft: GapDraft, tag: Tag) {
  const { expectedByRhythm, final: _final, tag: _foundBy, open, ...figures } = draft;
  return {
    ...figures,
    id: gapId(devAddr, life, draft.fromUs, tag),
    devAddr,
    life,
    open: open ? (1 as const) : (0 as const),
    expected: expectedByRhythm,
  };
}

const HOUR_US = 3_600_000_000;
const DAY_US = 24 * HOUR_US;
/** Intervals of the node's rhythm looked at before and after. Chosen: enough for a tenth percentile. */
const INTERVALS_BEFORE = 60;
const INTERVALS_AFTER = 8;

/** What was before is looked at for between six hours (a trouble may have begun some time before it cost a frame) and a day, what came after for between one hour (a join loop needs that to show) and two. */
export function contextOf({
  fromUs,
  toUs,
  rhythmUs,
}: {
  readonly fromUs: number;
  readonly toUs: number;
  readonly rhythmUs: number | null;
}): TimeRange {
  const rhythm = rhythmUs ?? 600_000_000;
  return {
    fromUs: fromUs - Math.round(Math.min(DAY_US, Math.max(6 * HOUR_US, INTERVALS_BEFORE * rhythm))),
    toUs: toUs + Math.round(Math.min(2 * HOUR_US, Math.max(HOUR_US, INTERVALS_AFTER * rhythm))),
  };
}

// What does the search for gaps ask of the tables, and write into them?

export type WatchStatements = ReturnType<typeof watchStatements>;

export interface LifeEnding {
  readonly number: number;
  readonly begunBy: string;
  readonly firstAtUs: number;
  readonly lastAtUs: number;
  readonly firstCounter: number;
}

const LIFE = `SELECT number, begun_by AS begunBy, first_at_us AS firstAtUs, last_at_us AS lastAtUs,
  first_counter AS firstCounter FROM life`;
export const GATEWAYS_OF_FRAME =
  "(SELECT group_concat(DISTINCT gateway_id) FROM reception WHERE frame_id = f.id)";
/** Heard counters of a life (address, number) above one, up to a moment, in the order of the counters. */
export const COUNTERS_OF_LIFE = `SELECT f.counter, f.at_us AS atUs, ${GATEWAYS_OF_FRAME} AS gateways
  FROM life l JOIN frame f ON f.dev_addr = l.dev_addr AND f.life_id = l.id
  WHERE l.dev_addr = ? AND l.number = ? AND f.counter > ? AND f.at_us <= ? AND f.repeat = 0 AND f.replay = 0
  ORDER BY f.counter, f.at_us`;

/** All that a dropout's row holds but for its finding. */
const SAME_GAP = [
  ...["id", "dev_addr", "life", "tag", "kind", "open", "from_us", "to_us", "missed", "first_missed"],
  ...["last_missed", "heard", "expected", "rhythm_us", "lacking", "context_from_us", "context_to_us"],
];

/** Rows before this moment were removed. */
export const REMOVED_TO = "(SELECT removed_to_us FROM removal WHERE id = 1)";

export function watchStatements(db: Store) {
  const sql = (text: string): Statement => db.prepare(text);
  const columns = `id, dev_addr, life, tag, kind, open, from_us, to_us, missed, first_missed, last_missed, heard, expected,
    rhythm_us, lacking, shown, context_from_us, context_to_us`;
  return {
    lives: sql(`${LIFE} WHERE dev_addr = ? AND first_at_us <= ? ORDER BY first_at_us, number`),
    life: sql(`${LIFE} WHERE dev_addr = ? AND number = ?`),
    lifeBefore: sql(
      `${LIFE} WHERE dev_addr = ? AND number <> ? AND first_at_us < ? ORDER BY first_at_us DESC, number DESC LIMIT 1`,
    ),
    recentLives: sql(
      "SELECT dev_addr AS devAddr, number FROM life WHERE first_at_us <= ? ORDER BY last_at_us DESC LIMIT ?",
    ),
    state: sql("SELECT state FROM gap_watch WHERE dev_addr = ? AND life = ?").pluck(),
    storeState: sql("INSERT OR REPLACE INTO gap_watch (dev_addr, life, state) VALUES (?, ?, ?)"),
    removeWatchesOfAddress: sql("DELETE FROM gap_watch WHERE dev_addr = ?"),
    keepState: sql(
      "INSERT OR REPLACE INTO gap_watch_past (dev_addr, life, at_us, counter, state) VALUES (?, ?, ?, ?, ?)",
    ),
    removeStatesFrom: sql(
      `DELETE FROM gap_watch_past WHERE dev_addr = ? AND life = ? AND counter >= ? AND at_us >= ${REMOVED_TO}`,
    ),
    removeStatesOfAddress: sql(`DELETE FROM gap_watch_past WHERE dev_addr = ? AND at_us >= ${REMOVED_TO}`),
    // Where the search stood when what lies before a moment was removed (src/store/removal.ts).
    heldState: sql(
      `SELECT state FROM gap_watch_past WHERE dev_addr = ? AND life = ? AND at_us < ? ORDER BY at_us DESC LIMIT 1`,
    ).pluck(),
    removeStatesBefore: sql("DELETE FROM gap_watch_past WHERE dev_addr = ? AND life = ? AND at_us < ?"),
    counters: sql(COUNTERS_OF_LIFE),
    someCounters: sql(`${COUNTERS_OF_LIFE} LIMIT ?`),
    findings: sql("SELECT * FROM gap WHERE dev_addr = ? AND context_to_us < ? AND judged_to_us IS NOT NULL"),
    keepFinding: sql(
      `UPDATE gap SET judged_to_us = @judged_to_us, cause = @cause, confidence = @confidence, scope = @scope,
       gateway_id = @gateway_id, ended_us = @ended_us, finding = @finding, shown = @shown
       WHERE ${SAME_GAP.map((column) => `${column} IS @${column}`).join(" AND ")}`,
    ),
    shared: sql("SELECT * FROM gap WHERE dev_addr = ? AND tag = 'shared'"),
    // What lies before the removed moment, or belongs to a life that ended before it, cannot be found again.
    removeGapsOfAddress: sql(
      `DELETE FROM gap WHERE dev_addr = ? AND to_us >= ${REMOVED_TO} AND life NOT IN
       (SELECT number FROM life WHERE dev_addr = gap.dev_addr AND last_at_us < ${REMOVED_TO})`,
    ),
    removeGapsSince: sql(
      "DELETE FROM gap WHERE dev_addr = ? AND life = ? AND to_us > ? AND tag IN ('run', 'episode')",
    ),
    openToUs: sql(
      "SELECT to_us FROM gap WHERE dev_addr = ? AND life = ? AND open = 1 AND tag = 'run'",
    ).pluck(),
    removeOpenRow: sql("DELETE FROM gap WHERE dev_addr = ? AND life = ? AND open = 1 AND tag = 'run'"),
    // Its own ending, or one that goes on across it.
    hasEnd: sql(
      "SELECT 1 FROM gap WHERE dev_addr = @addr AND life <= @life AND tag = 'end' AND from_us <= @at AND to_us > @at",
    ),
    endingAt: sql(
      `SELECT life, from_us AS fromUs, missed, rhythm_us AS rhythmUs FROM gap
       WHERE dev_addr = ? AND tag = 'end' AND to_us = ?`,
    ),
    removeEnd: sql("DELETE FROM gap WHERE dev_addr = ? AND life = ? AND tag = 'end'"),
    // That two lives took turns before what was removed cannot be found again.
    removeShared: sql(`DELETE FROM gap WHERE dev_addr = ? AND tag = 'shared' AND from_us >= ${REMOVED_TO}`),
    // How often an older life was returned to, and between which moments.
    turns: sql(
      `SELECT t.returns, t.life, t.toUs, l.first_at_us AS fromUs, l.heard
       FROM (SELECT count(*) AS returns, max(newest) AS life, max(at_us) AS toUs
             FROM (SELECT f.at_us, l.number, lag(l.number) OVER (ORDER BY f.at_us, f.id) AS newest
                   FROM life l JOIN frame f ON f.dev_addr = l.dev_addr AND f.life_id = l.id
                   WHERE l.dev_addr = @addr AND f.at_us <= @to AND f.replay = 0)
             WHERE number < newest) AS t
       JOIN life l ON l.dev_addr = @addr AND l.number = t.life`,
    ),
    // Unchanged, its finding stays, also where its evidence was removed and it only grew; one that chance may have made is shown once its finding says so.
    write: sql(
      `INSERT INTO gap (${columns}) VALUES (@id, @devAddr, @life, @tag, @kind, @open, @fromUs, @toUs, @missed,
       @firstMissed, @lastMissed, @heard, @expected, @rhythmUs, @lacking, @lacking = 0, @contextFromUs, @contextToUs)
       ON CONFLICT (id) DO UPDATE SET kind = excluded.kind, open = excluded.open, to_us = excluded.to_us,
       missed = excluded.missed, first_missed = excluded.first_missed, last_missed = excluded.last_missed,
       heard = excluded.heard, expected = excluded.expected, rhythm_us = excluded.rhythm_us,
       lacking = excluded.lacking, shown = max(shown, excluded.lacking = 0),
       context_from_us = excluded.context_from_us, context_to_us = excluded.context_to_us,
       judged_to_us = CASE WHEN kind = excluded.kind AND open = excluded.open
         AND (to_us = excluded.to_us AND missed = excluded.missed AND heard = excluded.heard
           OR finding IS NOT NULL AND excluded.context_from_us < ${REMOVED_TO})
         THEN judged_to_us ELSE NULL END`,
    ),
  };
}

// How is a finding stored? As JSON in the contract's form, but for the judged figures in columns, and with identifiers in its
// sentences where an answer has names (src/model/text.ts).

interface OfNode {
  readonly devAddr: number;
  readonly life: number;
}

/** The words of a finding: sentence, evidence with links, alternatives, what to record next. */
export function findingText(gap: OfNode, judgement: GapJudgement): string {
  const { sentence, evidence, against, alternatives, recordNext } = judgement;
  return JSON.stringify({
    sentence,
    evidence: evidence.map((one) => evidenceOf(gap, one)),
    against: against.map((one) => evidenceOf(gap, one)),
    alternatives: alternatives.map(({ cause, confidence }) => ({
      cause,
      confidence: thousandth(confidence),
    })),
    recordNext,
  });
}

function evidenceOf(
  { devAddr, life }: OfNode,
  { sentence, lane, restsOn, weight }: FindingEvidence,
): unknown {
  return {
    sentence,
    lane,
    receptionsQuery:
      restsOn === null
        ? null
        : {
            devAddr: restsOn.ofNode ? formatDevAddr(devAddr) : null,
            life: restsOn.ofNode ? life : null,
            gateway: restsOn.gatewayEui,
            from: isoTime(restsOn.fromUs),
            to: isoTime(restsOn.toUs),
          },
    weight: Math.round(weight * 100) / 100,
  };
}

function thousandth(value: number): number {
  return Math.round(value * 1000) / 1000;
}
