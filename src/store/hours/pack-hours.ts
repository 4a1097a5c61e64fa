/** Rows of hours whose receptions were removed take less room from then on: some hours a step. */
import type { Store } from "../open.ts";
import { packFrameHour } from "./frame-columns.ts";
import { isPacked, pack } from "./packed.ts";

/** Packed in one step: some 20 ms. */
const HOURS_A_STEP = 12;

/** Packs the hours of a range, from its begin; returns where the next step begins, or null: all are packed. */
export function packHours(db: Store, fromHour: number, toHour: number): number | null {
  const end = Math.min(toHour, fromHour + HOURS_A_STEP);
  const write = db.prepare("UPDATE frame_hour SET columns = ? WHERE hour = ?");
  const frames = db
    .prepare("SELECT hour, columns FROM frame_hour WHERE hour >= ? AND hour < ?")
    .all(fromHour, end) as { hour: number; columns: Uint8Array }[];
  for (const { hour, columns } of frames) if (!isPacked(columns)) write.run(packFrameHour(columns), hour);
  const packets = db
    .prepare(
      `SELECT rowid AS id, columns FROM packet_hour
       WHERE gateway_id IN (SELECT id FROM gateway) AND hour >= ? AND hour < ?`,
    )
    .all(fromHour, end) as { id: number; columns: Uint8Array }[];
  const writePackets = db.prepare("UPDATE packet_hour SET columns = ? WHERE rowid = ?");
  for (const { id, columns } of packets) if (!isPacked(columns)) writePackets.run(pack(columns), id);
  return end < toHour ? end : null;
}
