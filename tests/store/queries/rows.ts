/** Rows written straight into a store: what the tests of the queries ask about. */
import type { Store } from "../../../src/store/open.ts";

export const SF9 = 90_125_000;

export function gatewayRow(db: Store, id: number, atUs = 0): void {
  db.prepare("INSERT INTO gateway (id, eui, first_at_us, last_at_us) VALUES (?, ?, ?, ?)").run(
    id,
    `02005E10000000${id.toString(16).toUpperCase().padStart(2, "0")}`,
    atUs,
    atUs,
  );
}

export function lifeRow(db: Store, id: number): void {
  db.prepare(
    `INSERT INTO life (id, dev_addr, number, begun_by, reason, first_at_us, last_at_us, first_counter, last_counter,
     heard) VALUES (?, ?, 1, 'first-heard', '', 0, 0, 0, 0, 0)`,
  ).run(id, 0x01a20000 + id);
}

export interface FrameRow {
  readonly id: number;
  readonly lifeId?: number | null;
  readonly atUs: number;
  readonly counter?: number;
  readonly repeat?: 0 | 1;
  readonly replay?: 0 | 1;
}

export function frameRow(db: Store, row: FrameRow): void {
  const { id, lifeId = 1, atUs, counter = row.id, repeat = 0, replay = 0 } = row;
  db.prepare(
    `INSERT INTO frame (id, life_id, dev_addr, at_us, message_type, counter, repeat, replay, data_rate, airtime_us,
     content) VALUES (?, ?, ?, ?, 2, ?, ?, ?, ${SF9}, 185344, 0)`,
  ).run(id, lifeId, lifeId === null ? null : 0x01a20000 + lifeId, atUs, counter, repeat, replay);
}

export interface ReceptionRow {
  readonly gatewayId?: number;
  readonly atUs: number;
  readonly tmstKey?: number;
  readonly frameId?: number | null;
  readonly ghost?: 0 | 1;
  readonly antenna?: number;
  readonly rssiTenths?: number | null;
  readonly snrTenths?: number | null;
}

export function receptionRow(db: Store, row: ReceptionRow): number {
  const { gatewayId = 1, atUs, tmstKey = 0, frameId = null, ghost = 0, antenna = 0 } = row;
  const { rssiTenths = -970, snrTenths = 62 } = row;
  const result = db
    .prepare(
      `INSERT INTO reception (gateway_id, at_us, tmst_key, frame_id, crc, ghost, frequency_hz, data_rate, coding_rate,
       antenna, rssi_tenths, snr_tenths, airtime_us) VALUES (?, ?, ?, ?, 0, ?, 868300000, ${SF9}, 1, ?, ?, ?, 185344)`,
    )
    .run(gatewayId, atUs, tmstKey, frameId, ghost, antenna, rssiTenths, snrTenths);
  return Number(result.lastInsertRowid);
}
