/** What does the account book ask of the tables, and write into them? */
import type { Statement } from "better-sqlite3";
import type { Store } from "../open.ts";

export type AccountStatements = ReturnType<typeof accountStatements>;

const FIRST_HEARING = "FROM reception WHERE frame_id = frame.id ORDER BY at_us, gateway_id, antenna LIMIT 1";

export function accountStatements(db: Store) {
  const sql = (text: string): Statement => db.prepare(text);
  const own = "SELECT id FROM life WHERE dev_addr = ?";
  // Uplink data only (MType 2 and 4): nothing else has a counter of the node's own.
  const framesFrom = (payload: string) =>
    sql(
      `SELECT id, at_us AS atUs, fcnt, content, airtime_us AS airtimeUs, frequency_hz AS frequencyHz,
       data_rate AS dataRate, life_id AS lifeId, replay, ${payload} AS payload,
       (SELECT gateway_id ${FIRST_HEARING}) AS gatewayId, (SELECT rssi_tenths ${FIRST_HEARING}) AS rssiTenths,
       (SELECT count(*) FROM reception WHERE frame_id = frame.id) AS receptions
       FROM frame WHERE dev_addr = ? AND at_us >= ? AND message_type IN (2, 4) ORDER BY at_us, content`,
    );
  return {
    state: sql("SELECT state FROM address_state WHERE dev_addr = ?").pluck(),
    storeState: sql(
      `INSERT INTO address_state (dev_addr, last_at_us, state) VALUES (?, ?, ?)
       ON CONFLICT DO UPDATE SET last_at_us = excluded.last_at_us, state = excluded.state`,
    ),
    removeState: sql("DELETE FROM address_state WHERE dev_addr = ?"),
    framesFrom: framesFrom("NULL"),
    framesWithPayload: framesFrom(`(SELECT payload ${FIRST_HEARING})`),
    provedBefore: sql("SELECT 1 FROM frame WHERE key_id = ? AND content = ? AND at_us < ? LIMIT 1"),
    setAccount: sql(
      "UPDATE frame SET life_id = ?, counter = ?, repeat = ?, mic_verdict = ?, key_id = ?, replay = ? WHERE id = ?",
    ),
    lives: sql("SELECT number, id FROM life WHERE dev_addr = ?"),
    removeLives: sql("DELETE FROM life WHERE dev_addr = ?"),
    removeMinutes: sql(`DELETE FROM node_minute WHERE life_id IN (${own})`),
    insertLife: sql(
      `INSERT INTO life (dev_addr, number, begun_by, reason, first_at_us, last_at_us, first_counter, last_counter,
       heard, dev_eui, key_id, proof) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
    ),
    updateLife: sql(
      `UPDATE life SET begun_by = ?, reason = ?, last_at_us = ?, first_counter = ?, last_counter = ?, heard = ?,
       dev_eui = ?, key_id = ?, proof = ? WHERE id = ?`,
    ),
    addMinute: sql(
      `INSERT INTO node_minute (life_id, minute, frames, repeats, receptions, airtime_us) VALUES (?, ?, ?, ?, ?, ?)
       ON CONFLICT DO UPDATE SET frames = frames + excluded.frames, repeats = repeats + excluded.repeats,
       receptions = receptions + excluded.receptions, airtime_us = airtime_us + excluded.airtime_us`,
    ),
    markDue: sql("INSERT OR IGNORE INTO account_due (dev_addr) VALUES (?)"),
    unmarkDue: sql("DELETE FROM account_due WHERE dev_addr = ?"),
    due: sql("SELECT dev_addr FROM account_due").pluck(),
    join: sql(
      `SELECT dev_eui FROM frame WHERE at_us BETWEEN ? AND ? AND message_type = 0 ORDER BY at_us DESC LIMIT 1`,
    ).pluck(),
  };
}
