/**
 * How is everything derived again from what was received? After a better decoder or a better rule, or when captures were
 * read out of order: everything derived is thrown away and made again in one transaction, in the order of arrival. The
 * same datagrams give the same figures, in whatever order they were read.
 */

import type { JudgeGap } from "../model/gap.ts";
import { isoTime } from "../model/time-range.ts";
import { airtimeOfReception } from "../radio/airtime.ts";
import { modulationFromCodes } from "./data-rate-code.ts";
import { GapAnalyst } from "./gaps/gap-analyst.ts";
import { dropGathered } from "./hours/hour-gatherer.ts";
import { followJoins } from "./keys.ts";
import type { Store } from "./open.ts";
import {
  DUPLICATE_US,
  KEEPALIVE_DUPLICATE_US,
  KIND_DUPLICATE,
  RejectionWriter,
} from "./recorder/datagrams.ts";
import { Derivation } from "./recorder/derive.ts";
import { relinkDownlinks } from "./recorder/downlink-links.ts";
import { rematchOutcomes } from "./recorder/downlinks.ts";
import { removedOf } from "./retention.ts";
import { retraceArrivals, retraceRestarts } from "./retrace-arrivals.ts";
import { StoreUnusable } from "./store-error.ts";

// How are a gateway's datagrams and packets counted again by minute, from the rows that are kept of each?

/** kind of a datagram that was refused */
const REFUSED = 255;

/** Finds again which datagrams repeat an earlier one; the times of those that do. */
function recountDatagrams(db: Store, gatewayId: number): number[] {
  const base = `kind % ${KIND_DUPLICATE}`;
  db.prepare(
    `UPDATE datagram SET kind = ${base} + ${KIND_DUPLICATE} * EXISTS (
       SELECT 1 FROM datagram AS earlier WHERE earlier.gateway_id = datagram.gateway_id
         AND earlier.at_us >= datagram.at_us - iif(datagram.${base} = 2, ${KEEPALIVE_DUPLICATE_US}, ${DUPLICATE_US})
         AND earlier.at_us < datagram.at_us AND earlier.digest = datagram.digest)
     WHERE gateway_id = ? AND kind <> ${REFUSED}`,
  ).run(gatewayId);
  return db
    .prepare(
      `SELECT at_us FROM datagram WHERE gateway_id = ? AND kind >= ${KIND_DUPLICATE} AND kind <> ${REFUSED}
       ORDER BY at_us`,
    )
    .pluck()
    .all(gatewayId) as number[];
}

/** Counts datagrams, keepalives, status reports and packets of every gateway and minute again. */
function recountMinutes(db: Store): void {
  const minute = "at_us / 60000000";
  db.exec(`
    DELETE FROM gateway_minute;
    INSERT INTO gateway_minute (gateway_id, minute, datagrams, keepalives, status_reports, crc_ok, crc_bad, crc_none)
    SELECT gateway_id, minute, sum(datagrams), sum(keepalives), sum(reports), sum(ok), sum(bad), sum(none) FROM (
      SELECT gateway_id, ${minute} AS minute, 1 AS datagrams, kind = 2 AS keepalives, 0 AS reports, 0 AS ok, 0 AS bad,
        0 AS none FROM datagram WHERE gateway_id > 0 AND kind < ${KIND_DUPLICATE}
      UNION ALL SELECT gateway_id, ${minute}, 0, 0, 1, 0, 0, 0 FROM status_report
      UNION ALL SELECT gateway_id, ${minute}, 0, 0, 0, crc = 0, crc = 1, crc > 1 FROM reception
        WHERE ghost = 0 AND further = 0
    ) GROUP BY gateway_id, minute`);
}

const PAGE = 5_000;

interface Row {
  id: number;
  gatewayId: number;
  antenna: number;
  atUs: number;
  tmstKey: number;
  frequencyHz: number | null;
  dataRate: number;
  codingRate: number;
  airtimeUs: number;
  rssiTenths: number | null;
  crc: number;
  payload: Uint8Array | null;
  further: number;
  arrivedUs: number;
}

/** Derives everything again; `onProgress` hears the share done, 0 to 1; `judge` makes the findings of gaps. Returns the receptions gone through. */
export function rebuild(
  db: Store,
  onProgress: (share: number) => void,
  judge: JudgeGap | null = null,
): number {
  const steps = rebuildInSteps(db, onProgress, judge);
  for (;;) {
    const step = steps.next();
    if (step.done === true) return step.value;
  }
}

/**
 * The same in steps, so that a caller can stop in between: a generator that is closed early changes nothing. Until the
 * end the connection is inside the transaction: do nothing else with it.
 */
export function* rebuildInSteps(
  db: Store,
  onProgress: (share: number) => void,
  judge: JudgeGap | null = null,
): Generator<void, number> {
  assertNothingRemoved(db);
  const total = db.prepare("SELECT count(*) FROM reception WHERE ghost = 0").pluck().get() as number;
  const page = db.prepare(
    `SELECT id, gateway_id AS gatewayId, antenna, at_us AS atUs, tmst_key AS tmstKey, frequency_hz AS frequencyHz,
     data_rate AS dataRate, coding_rate AS codingRate, airtime_us AS airtimeUs, rssi_tenths AS rssiTenths, crc, payload, further, at_us + late_us AS arrivedUs FROM reception
     WHERE ghost = 0 AND (at_us, id) > (?, ?) ORDER BY at_us, id LIMIT ${PAGE}`,
  );
  const setAirtime = db.prepare("UPDATE reception SET airtime_us = ? WHERE id = ?");
  let done = 0;
  db.exec("BEGIN IMMEDIATE");
  try {
    db.exec(`
      DELETE FROM frame; DELETE FROM life; DELETE FROM channel_minute; DELETE FROM channel_minute_packed;
      DELETE FROM address_state; DELETE FROM account_due;
      DELETE FROM gap; DELETE FROM gateway_outage; DELETE FROM gap_watch; DELETE FROM gap_watch_past; DELETE FROM gap_progress;
      DELETE FROM gap_disorder;
      UPDATE reception SET frame_id = NULL;
    `);
    dropGathered(db);
    const notes = new RejectionWriter(db);
    const note = (gatewayId: number, reason: string, atUs: number) =>
      notes.note({ gatewayId, reason, refused: false, atUs, sentence: reason, raw: null });
    retraceAll(db, note);
    const derivation = new Derivation(db, { fromTheStart: true });
    let last: { atUs: number; id: number } = { atUs: Number.MIN_SAFE_INTEGER, id: 0 };
    for (;;) {
      const rows = page.all(last.atUs, last.id) as Row[];
      for (const row of rows) {
        const airtimeUs = airtimeOf(row);
        // Rows of further antennas carry none: another row carries the packet's.
        const ownUs = row.further === 1 ? 0 : airtimeUs;
        if (ownUs !== row.airtimeUs) setAirtime.run(ownUs, row.id);
        const { fault } = derivation.derive({
          ...row,
          receptionId: row.id,
          airtimeUs,
          further: row.further === 1,
          crc: crcOf(row.crc),
        });
        if (fault !== null) note(row.gatewayId, `phy_${fault.reason}`, row.arrivedUs);
      }
      derivation.flush();
      done += rows.length;
      const end = rows.at(-1);
      if (end === undefined) break;
      last = end;
      onProgress(total === 0 ? 1 : done / total);
      yield;
    }
    // A better rule may follow joins that were not followed before.
    if (followJoins(db, Number.MIN_SAFE_INTEGER, Number.MAX_SAFE_INTEGER) > 0) derivation.forgetKeys();
    derivation.settle();
    derivation.flush();
    for (const atUs of derivation.takeReplays()) note(0, "replay", atUs);
    notes.flush();
    relinkDownlinks(db);
    rematchOutcomes(db);
    derivation.storeStates();
    const gaps = new GapAnalyst(db, judge);
    while (gaps.step({ patient: false, nowUs: null })) yield;
    gaps.storeStates();
    db.exec("COMMIT");
    return done;
  } finally {
    if (db.inTransaction) db.exec("ROLLBACK");
  }
}

/** What was removed cannot be derived again: its hours, gaps and findings would go with all that is derived. */
function assertNothingRemoved(db: Store): void {
  const removed = removedOf(db);
  if (removed === null) return;
  const before = isoTime(removed.beforeUs);
  throw new StoreUnusable(
    `Receptions before ${before} were removed by the rule of ${removed.rule}: a rebuild would take their hours, gaps and findings away.`,
    "The store is left as it is. Read the captures of the time that matters into a new store instead.",
  );
}

/** Everything that follows from the order of arrival, before frames are looked for. */
function retraceAll(db: Store, note: (gatewayId: number, reason: string, atUs: number) => void): void {
  db.exec(
    "DELETE FROM refusal WHERE reason IN ('late', 'ghost', 'duplicate', 'replay') OR reason LIKE 'phy\\_%' ESCAPE '\\'",
  );
  const ghosts = db
    .prepare(
      "SELECT at_us + late_us FROM reception INDEXED BY reception_by_gateway WHERE gateway_id = ? AND ghost = 1",
    )
    .pluck();
  for (const gatewayId of db.prepare("SELECT id FROM gateway ORDER BY eui").pluck().all() as number[]) {
    retraceArrivals(db, gatewayId, { write: true, onLate: (atUs) => note(gatewayId, "late", atUs) });
    retraceRestarts(db, gatewayId);
    for (const atUs of ghosts.all(gatewayId) as number[]) note(gatewayId, "ghost", atUs);
    for (const atUs of recountDatagrams(db, gatewayId)) note(gatewayId, "duplicate", atUs);
  }
  recountMinutes(db);
}

function airtimeOf(row: Row): number {
  if (row.payload === null) return 0;
  const crc = (["ok", "bad", "none", "unknown"] as const)[row.crc] ?? "unknown";
  return airtimeOfReception(modulationFromCodes(row.dataRate, row.codingRate), row.payload.length, crc);
}

function crcOf(code: number): "ok" | "bad" | "other" {
  if (code === 0) return "ok";
  return code === 1 ? "bad" : "other";
}
