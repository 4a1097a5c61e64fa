/** The packets of a gateway's gathered hours, as they were gathered or out of packed days. */
import type { Store } from "../open.ts";
import { prepared } from "../queries/statement.ts";
import { DAY_HOURS, type HourRow } from "./packed.ts";
import { unpackPacketDay } from "./packet-days.ts";

/** From one hour on, up to another, in order: days are packed from the oldest on. */
export function packetHourRows(store: Store, gatewayId: number, from: number, to: number): HourRow[] {
  const days = prepared(
    store,
    "SELECT columns FROM packet_day WHERE gateway_id = ? AND day >= ? AND day < ? ORDER BY day",
  )
    .pluck()
    .all(gatewayId, Math.floor(from / DAY_HOURS), Math.ceil(to / DAY_HOURS)) as Uint8Array[];
  const hours = prepared(
    store,
    "SELECT hour, columns FROM packet_hour WHERE gateway_id = ? AND hour >= ? AND hour < ? ORDER BY hour",
  ).all(gatewayId, from, to) as HourRow[];
  const ofDays = days.flatMap(unpackPacketDay).filter(({ hour }) => hour >= from && hour < to);
  return [...ofDays, ...hours];
}
