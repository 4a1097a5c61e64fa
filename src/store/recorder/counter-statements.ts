/** What does the account book ask of the tables, and write into them? */
import type { Statement } from "better-sqlite3";
import type { Store } from "../open.ts";

export type AccountStatements = ReturnType<typeof accountStatements>;

const FIRST_HEARING = "FROM reception WHERE frame_id = frame.id ORDER BY at_us, gateway_id, antenna LIMIT 1";

export function accountStatements(db: Store) {
  const sql = (text: string): Statement => db.prepare(text);
  // Uplink data only (MType 2 and 4): nothing else has a counter of the node's own.
  const framesAfter = (payload: string) =>
    sql(
      `SELECT id, at_us AS atUs, fcnt, content, airtime_us AS airtimeUs, frequency_hz AS frequencyHz,
       data_rate AS dataRate, life_id AS lifeId, replay, ${payload} AS payload,
       (SELECT gateway_id ${FIRST_HEARING}) AS gatewayId, (SELECT rssi_tenths ${FIRST_HEARING}) AS rssiTenths
       FROM frame WHERE dev_addr = ? AND at_us >= ? AND (at_us, content) > (?, ?) AND message_type IN (2, 4)
       ORDER BY at_us, content LIMIT ?`,
    );
  return {
    framesAfter: framesAfter("NULL"),
    framesWithPayload: framesAfter(`(SELECT payload ${FIRST_HEARING})`),
    provedBefore: sql("SELECT 1 FROM frame WHERE key_id = ? AND content = ? AND at_us < ? LIMIT 1"),
    setAccount: sql(
      "UPDATE frame SET life_id = ?, counter = ?, repeat = ?, mic_verdict = ?, key_id = ?, replay = ? WHERE id = ?",
    ),
    lives: sql("SELECT number, id FROM life WHERE dev_addr = ?"),
    removeLivesAfter: sql("DELETE FROM life WHERE dev_addr = ? AND number > ?"),
    insertLife: sql(
      `INSERT INTO life (dev_addr, number, begun_by, reason, first_at_us, last_at_us, first_counter, last_counter,
       heard, dev_eui, key_id, proof) VALUES (@devAddr, @number, @begunBy, @reason, @firstAtUs, @lastAtUs, @firstCounter,
       @lastCounter, @heard, @devEui, @session, @proof)`,
    ),
    updateLife: sql(
      `UPDATE life SET begun_by = @begunBy, reason = @reason, first_at_us = @firstAtUs, last_at_us = @lastAtUs,
       first_counter = @firstCounter, last_counter = @lastCounter, heard = @heard, dev_eui = @devEui, key_id = @session,
       proof = @proof WHERE id = @id`,
    ),
    markDue: sql(
      `INSERT INTO account_due (dev_addr, from_us) VALUES (?, ?)
       ON CONFLICT DO UPDATE SET from_us = min(from_us, excluded.from_us)`,
    ),
    setDue: sql("INSERT OR REPLACE INTO account_due (dev_addr, from_us) VALUES (?, ?)"),
    unmarkDue: sql("DELETE FROM account_due WHERE dev_addr = ?"),
    due: sql("SELECT dev_addr AS devAddr, from_us AS fromUs FROM account_due ORDER BY dev_addr"),
    join: sql(
      `SELECT f.dev_eui AS devEui, r.gateway_id AS gatewayId, r.rssi_tenths AS rssiTenths
       FROM frame f JOIN reception r ON r.frame_id = f.id
       WHERE f.at_us BETWEEN ? AND ? AND f.message_type = 0 AND f.dev_eui IS NOT NULL
       ORDER BY f.at_us DESC, f.dev_eui, r.gateway_id LIMIT 64`,
    ),
  };
}
