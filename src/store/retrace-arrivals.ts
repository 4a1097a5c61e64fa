/**
 * What follows from the order in which a gateway's datagrams arrived: how late the path was, which receptions are
 * ghosts, and which antenna stands for a packet. Gone through again in the order of arrival, whatever the order in which
 * the datagrams were read.
 */

import { newPathClock, type PathClock, pathDelayUs } from "../ledger/concentrator-time.ts";
import { ghostOf } from "../ledger/group-receptions.ts";
import { beganAtUs, type CounterReading, restartedBetween } from "../radio/clock.ts";
import type { Store } from "./open.ts";
import {
  isOtherAntenna,
  payloadDigest,
  ReceptionMemory,
  type Remembered,
  SAME_MOMENT_US,
} from "./recorder/reception-memory.ts";

const PAGE = 5_000;
/** As many as the recorder remembers of one gateway (receptions.ts). */
const MAX_REMEMBERED = 20_000;

interface Row extends Omit<Remembered, "ghost" | "further"> {
  readonly place: number;
  readonly atUs: number;
  readonly lateUs: number;
  readonly ghost: number;
  readonly further: number;
}

interface Traced extends Remembered {
  readonly row: Row;
  readonly atUs: number;
}

export interface RetraceOptions {
  /** False: nothing is written; only what would change is counted. */
  readonly write: boolean;
  /** A packet of the gateway arrived late at this moment. */
  readonly onLate?: (arrivedUs: number) => void;
}

/** Goes through all receptions of a gateway; how many rows differ from what the order of arrival gives. */
export function retraceArrivals(db: Store, gatewayId: number, { write, onLate }: RetraceOptions): number {
  const update = db.prepare(
    `UPDATE reception SET at_us = @atUs, late_us = @lateUs, ghost = @ghost, further = @further,
     gateway_offset_us = gateway_offset_us + at_us - @atUs, airtime_us = iif(@ghost, 0, airtime_us) WHERE id = @id`,
  );
  const memory = new ReceptionMemory();
  let differing = 0;
  const finish = (one: Remembered): void => {
    const { row, atUs, id, ghost, further, arrivedUs } = one as Traced;
    const is = { atUs, lateUs: arrivedUs - atUs, ghost: ghost ? 1 : 0, further: further ? 1 : 0 };
    if (is.atUs === row.atUs && is.ghost === row.ghost && is.further === row.further) return;
    differing += 1;
    if (write) update.run({ ...is, id });
  };
  let clock: PathClock | null = null;
  let packet: Row | null = null;
  let atUs = 0;
  for (const row of inOrderOfArrival(db, gatewayId)) {
    if (packet === null || !isOfPacket(row, packet)) {
      const reading = { tmstUs: row.tmstKey, atUs: row.arrivedUs };
      let lateUs = 0;
      if (row.tmstKey >= 0) {
        if (clock === null) clock = newPathClock(reading);
        else lateUs = pathDelayUs(clock, reading);
      }
      if (lateUs !== 0) onLate?.(row.arrivedUs);
      atUs = row.arrivedUs - lateUs;
      packet = row;
    }
    memory.add(traced(row, atUs, memory.alike(row)));
    memory.trim(row.arrivedUs - 2 * SAME_MOMENT_US, MAX_REMEMBERED, finish);
  }
  memory.trim(Number.POSITIVE_INFINITY, 0, finish);
  return differing;
}

/** The same rules as those of a reception that comes in: receptions.ts. */
function traced(row: Row, atUs: number, alike: readonly Remembered[]): Traced {
  const ghost = alike.some((other) => ghostOf(row, other) === "a");
  for (const other of alike) {
    if (other.ghost || ghostOf(row, other) !== "b") continue;
    other.ghost = true;
    const heir = other.further ? undefined : alike.find((one) => !one.ghost && isOtherAntenna(one, other));
    if (heir !== undefined) heir.further = false;
  }
  const further = !ghost && alike.some((other) => !other.ghost && isOtherAntenna(other, row));
  return { ...row, row, atUs, ghost, further };
}

/** Finds the restarts of a gateway's counter again, from its receptions in order of time. */
export function retraceRestarts(db: Store, gatewayId: number): void {
  db.prepare("DELETE FROM gateway_restart WHERE gateway_id = ?").run(gatewayId);
  const insert = db.prepare("INSERT OR IGNORE INTO gateway_restart (gateway_id, at_us) VALUES (?, ?)");
  const page = db.prepare(
    `SELECT tmst_key AS tmstUs, at_us AS atUs FROM reception INDEXED BY reception_by_gateway
     WHERE gateway_id = ? AND at_us > ? AND tmst_key >= 0 AND delayed = 0 ORDER BY at_us, tmst_key LIMIT ${PAGE}`,
  );
  let before: CounterReading | null = null;
  for (let readings: CounterReading[]; ; ) {
    readings = page.all(gatewayId, before?.atUs ?? Number.MIN_SAFE_INTEGER) as CounterReading[];
    if (readings.length === 0) return;
    for (const reading of readings) {
      if (before !== null && reading.atUs === before.atUs) continue;
      if (before !== null && restartedBetween(before, reading))
        insert.run(gatewayId, beganAtUs(before, reading));
      before = reading;
    }
  }
}

function* inOrderOfArrival(db: Store, gatewayId: number): Generator<Row> {
  db.exec("DROP TABLE IF EXISTS temp.arrival_order");
  db.prepare(
    `CREATE TEMP TABLE arrival_order AS SELECT id AS reception_id FROM reception INDEXED BY reception_by_gateway
     WHERE gateway_id = ${gatewayId}
     ORDER BY at_us + late_us, tmst_key, frequency_hz, payload, antenna, data_rate, rssi_tenths`,
  ).run();
  const page = db.prepare(
    `SELECT o.rowid AS place, r.id, r.at_us AS atUs, r.late_us AS lateUs, r.at_us + r.late_us AS arrivedUs,
     r.tmst_key AS tmstKey, r.frequency_hz AS frequencyHz, r.antenna, r.rssi_tenths AS rssiTenths, r.payload, r.ghost,
     r.further
     FROM temp.arrival_order o JOIN reception r ON r.id = o.reception_id WHERE o.rowid > ? ORDER BY o.rowid LIMIT ${PAGE}`,
  );
  for (let place = 0; ; ) {
    const rows = page.all(place) as Omit<Row, "digest">[];
    for (const row of rows) yield { ...row, digest: payloadDigest(row.payload) };
    const last = rows.at(-1);
    if (last === undefined) break;
    place = last.place;
  }
  db.exec("DROP TABLE temp.arrival_order");
}

/** Rows of one packet, heard by several antennas and delivered at once. */
function isOfPacket(row: Row, packet: Row): boolean {
  return (
    row.arrivedUs === packet.arrivedUs &&
    row.tmstKey === packet.tmstKey &&
    row.frequencyHz === packet.frequencyHz &&
    row.antenna !== packet.antenna
  );
}
