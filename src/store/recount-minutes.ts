/** How are a gateway's datagrams and packets counted again by minute, from the rows that are kept of each? */
import type { Store } from "./open.ts";
import { DUPLICATE_US, KEEPALIVE_DUPLICATE_US, KIND_DUPLICATE } from "./recorder/datagram-book.ts";

/** kind of a datagram that was refused */
const REFUSED = 255;

/** Finds again which datagrams repeat an earlier one; the times of those that do. */
export function recountDatagrams(db: Store, gatewayId: number): number[] {
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
export function recountMinutes(db: Store): void {
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
