/** How much airtime did each address spend on each day, as each gateway heard it? */
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { columnsOf, prepared } from "./statement.ts";

const DAY_US = 86_400_000_000;

export interface AddressDay {
  readonly gatewayId: number;
  /** Days since 1970, UTC. */
  readonly day: number;
  readonly devAddr: number;
  readonly airtimeUs: number;
}

// By leaps through the index: there are far fewer addresses than frames.
const ADDRESSES = `
  WITH RECURSIVE named(address) AS (
    SELECT min(dev_addr) FROM main.frame WHERE dev_addr IS NOT NULL UNION ALL
    SELECT (SELECT min(dev_addr) FROM main.frame WHERE dev_addr > named.address) FROM named
    WHERE address IS NOT NULL)
  SELECT address FROM named WHERE address IS NOT NULL`;

/** Packets of the addresses that are `counted`, ghosts and secondary antennas left out. */
export function airtimeByDay(
  store: Store,
  { fromUs, toUs }: TimeRange,
  counted: (devAddr: number) => boolean,
): AddressDay[] {
  const addresses = (prepared(store, ADDRESSES).pluck().all() as number[]).filter(counted);
  if (addresses.length === 0) return [];
  const asked = JSON.stringify(addresses);
  const rows: AddressDay[] = [];
  const next = prepared(store, "SELECT min(at_us) FROM main.reception WHERE at_us >= ?").pluck();
  const dayFrom = (atUs: number) => {
    const nextUs = next.get(atUs) as number | null;
    return nextUs === null ? Number.POSITIVE_INFINITY : Math.floor(nextUs / DAY_US);
  };
  // A day at a time, and summed here: SQLite would sort a million rows to group them. Days of nothing are passed over: a
  // clock that jumped leaves decades of them.
  for (let day = dayFrom(fromUs); day * DAY_US < toUs; day = dayFrom((day + 1) * DAY_US)) {
    const [gateways = [], named, airtimes] = columnsOf(
      store,
      ["r.gateway_id", "f.dev_addr", "r.airtime_us"],
      `FROM reception r INDEXED BY reception_by_time JOIN main.frame f ON f.id = r.frame_id
       WHERE r.at_us >= @from AND r.at_us < @to AND r.ghost = 0 AND r.further = 0
         AND f.dev_addr IN (SELECT value FROM json_each(@asked))`,
      { from: Math.max(fromUs, day * DAY_US), to: Math.min(toUs, (day + 1) * DAY_US), asked },
    );
    const sums = new Map<number, Map<number, number>>();
    for (const [i, gatewayId] of gateways.entries()) {
      const own = sums.get(gatewayId ?? 0) ?? new Map<number, number>();
      const devAddr = named?.[i] ?? 0;
      sums.set(gatewayId ?? 0, own.set(devAddr, (own.get(devAddr) ?? 0) + (airtimes?.[i] ?? 0)));
    }
    for (const [gatewayId, own] of sums)
      for (const [devAddr, airtimeUs] of own) rows.push({ gatewayId, day, devAddr, airtimeUs });
  }
  return rows;
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
