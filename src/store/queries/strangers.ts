/** How much airtime did each address spend on each day, as each gateway heard it? */
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

export interface AddressDay {
  readonly gatewayId: number;
  /** Days since 1970, UTC. */
  readonly day: number;
  readonly devAddr: number;
  readonly airtimeUs: number;
}

/** Packets that name a node, ghosts and secondary antennas left out. */
export function airtimeByDay(store: Store, { fromUs, toUs }: TimeRange): AddressDay[] {
  return prepared(
    store,
    `SELECT r.gateway_id AS gatewayId, CAST(r.at_us / 86400000000 AS INTEGER) AS day, f.dev_addr AS devAddr,
            sum(r.airtime_us) AS airtimeUs
     FROM reception r INDEXED BY reception_by_time JOIN main.frame f ON f.id = r.frame_id
     WHERE r.at_us >= ? AND r.at_us < ? AND r.ghost = 0 AND r.further = 0 AND f.dev_addr IS NOT NULL
     GROUP BY 1, 2, 3`,
  ).all(fromUs, toUs) as AddressDay[];
}

/**
 * Hours of each day in which a gateway with keepalives sent anything, by days since 1970; null of a gateway without
 * keepalives, whose silence tells nothing.
 */
export function hoursThere(
  store: Store,
  gatewayId: number,
  { fromUs, toUs }: TimeRange,
): ReadonlyMap<number, number> | null {
  const rows = prepared(
    store,
    `SELECT CAST(minute / 1440 AS INTEGER) AS day, count(DISTINCT CAST(minute / 60 AS INTEGER)) AS hours,
            sum(keepalives) AS keepalives
     FROM gateway_minute WHERE gateway_id = ? AND minute >= ? AND minute < ? GROUP BY 1`,
  ).all(gatewayId, Math.floor(fromUs / 60e6), Math.ceil(toUs / 60e6)) as {
    day: number;
    hours: number;
    keepalives: number;
  }[];
  if (rows.every(({ keepalives }) => keepalives === 0)) return null;
  return new Map(rows.map(({ day, hours }) => [day, hours]));
}
