/**
 * How long was a channel busy at a gateway, minute by minute? The sum of airtime and the measure of its union,
 * exact whatever the order of arrival: the union of the minutes in hand is kept as intervals, and read back
 * from the receptions for minutes that are not.
 */
import type { Statement } from "better-sqlite3";
import { MINUTE_US, minuteOf } from "../../model/time-range.ts";
import { IntervalUnion } from "../../radio/occupancy.ts";
import { HOUR_MINUTES, unpackMinutes } from "../hours/channel-minutes.ts";
import type { Store } from "../open.ts";

/** Minutes of channels whose union stays in memory. */
const MAX_UNIONS = 2_048;
/** Longest airtime looked back for: SF12 in 7.8 kHz with 255 octets lasts about 2.5 minutes. */
const MAX_AIRTIME_US = 200_000_000;

export interface HeardOnChannel {
  readonly receptionId: number;
  readonly gatewayId: number;
  /** End of the packet. */
  readonly atUs: number;
  readonly airtimeUs: number;
}

interface Delta {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  readonly minute: number;
  receptions: number;
  crcBad: number;
  airtimeUs: number;
  busyUs: number;
}

interface StoredInterval {
  atUs: number;
  airtimeUs: number;
  crc: number;
}

export class ChannelWriter {
  readonly #db: Store;
  readonly #readsBack: boolean;
  readonly #unions = new Map<string, IntervalUnion>();
  readonly #deltas = new Map<string, Delta>();
  /** Hours before this moment may be packed; null: it is to be read. */
  #closedToUs: number | null = null;
  readonly #closedTo: Statement;
  readonly #intervals: Statement;
  readonly #isKnown: Statement;
  readonly #add: Statement;
  readonly #set: Statement;

  /** `readsBack` false: all receptions come in order of time, so no minute left behind is needed again. */
  constructor(db: Store, readsBack: boolean) {
    this.#db = db;
    this.#readsBack = readsBack;
    this.#closedTo = db.prepare("SELECT closed_to_us FROM hour_progress WHERE id = 1").pluck();
    this.#intervals = db.prepare(
      `SELECT at_us AS atUs, airtime_us AS airtimeUs, crc FROM reception
       WHERE at_us >= ? AND at_us < ? AND at_us - airtime_us < ? AND gateway_id = ? AND frequency_hz = ?
       AND ghost = 0 AND further = 0 AND id < ?`,
    );
    this.#isKnown = db
      .prepare("SELECT 1 FROM channel_minute WHERE gateway_id = ? AND frequency_hz = ? AND minute = ?")
      .pluck();
    const columns = "gateway_id, frequency_hz, minute, receptions, crc_bad, airtime_us, busy_us";
    this.#add = db.prepare(
      `INSERT INTO channel_minute (${columns}) VALUES (?, ?, ?, ?, ?, ?, ?)
       ON CONFLICT DO UPDATE SET receptions = receptions + excluded.receptions, crc_bad = crc_bad + excluded.crc_bad,
       airtime_us = airtime_us + excluded.airtime_us, busy_us = busy_us + excluded.busy_us`,
    );
    this.#set = db.prepare(`INSERT OR REPLACE INTO channel_minute (${columns}) VALUES (?, ?, ?, ?, ?, ?, ?)`);
  }

  add(heard: HeardOnChannel, frequencyHz: number, crcBad: boolean): void {
    const { gatewayId, atUs, airtimeUs } = heard;
    if (airtimeUs > 0) {
      const startUs = atUs - airtimeUs;
      for (let minute = minuteOf(startUs); minute * MINUTE_US < atUs; minute++) {
        const fromUs = Math.max(startUs, minute * MINUTE_US);
        const toUs = Math.min(atUs, (minute + 1) * MINUTE_US);
        // The union first: a cell of this transaction tells it that there are receptions to read back.
        const union = this.#union(gatewayId, frequencyHz, minute, heard.receptionId);
        const delta = this.#delta(gatewayId, frequencyHz, minute);
        delta.airtimeUs += toUs - fromUs;
        delta.busyUs += union.add(fromUs, toUs);
      }
    }
    const own = this.#delta(gatewayId, frequencyHz, minuteOf(atUs));
    own.receptions += 1;
    if (crcBad) own.crcBad += 1;
  }

  /** Counts the minutes around a moment again from the receptions: one of them proved a ghost. */
  recount(gatewayId: number, frequencyHz: number, atUs: number): void {
    this.flush();
    for (const minute of minutesOf(atUs - MAX_AIRTIME_US, atUs)) {
      this.#unpack(gatewayId, minute);
      if (this.#isKnown.get(gatewayId, frequencyHz, minute) === undefined) continue;
      const cell: Delta = {
        gatewayId,
        frequencyHz,
        minute,
        receptions: 0,
        crcBad: 0,
        airtimeUs: 0,
        busyUs: 0,
      };
      const union = new IntervalUnion();
      for (const stored of this.#stored(gatewayId, frequencyHz, minute, Number.MAX_SAFE_INTEGER)) {
        const { startUs, endUs } = clip(stored, minute);
        cell.airtimeUs += Math.max(0, endUs - startUs);
        union.add(startUs, endUs);
        if (minuteOf(stored.atUs) !== minute) continue;
        cell.receptions += 1;
        if (stored.crc === 1) cell.crcBad += 1;
      }
      cell.busyUs = union.totalUs;
      this.#unions.set(keyOf(gatewayId, frequencyHz, minute), union);
      this.#set.run(...valuesOf(cell));
    }
  }

  flush(): void {
    for (const delta of this.#deltas.values()) this.#add.run(...valuesOf(delta));
    this.#deltas.clear();
    this.#closedToUs = null;
  }

  forget(): void {
    this.#unions.clear();
    this.#deltas.clear();
    this.#closedToUs = null;
  }

  /** A minute of a packed hour goes back into its row before it is looked at. */
  #unpack(gatewayId: number, minute: number): void {
    this.#closedToUs ??= this.#closedTo.get() as number;
    if (minute * MINUTE_US < this.#closedToUs)
      unpackMinutes(this.#db, gatewayId, Math.floor(minute / HOUR_MINUTES));
  }

  #delta(gatewayId: number, frequencyHz: number, minute: number): Delta {
    const key = keyOf(gatewayId, frequencyHz, minute);
    let delta = this.#deltas.get(key);
    if (delta === undefined) {
      this.#unpack(gatewayId, minute);
      delta = { gatewayId, frequencyHz, minute, receptions: 0, crcBad: 0, airtimeUs: 0, busyUs: 0 };
      this.#deltas.set(key, delta);
    }
    return delta;
  }

  /** The union of all receptions before this one; its own row is in the table already. */
  #union(gatewayId: number, frequencyHz: number, minute: number, beforeId: number): IntervalUnion {
    const key = keyOf(gatewayId, frequencyHz, minute);
    let union = this.#unions.get(key);
    if (union !== undefined) return union;
    union = new IntervalUnion();
    this.#unpack(gatewayId, minute);
    const isHeld = this.#deltas.has(key) || this.#isKnown.get(gatewayId, frequencyHz, minute) !== undefined;
    if (this.#readsBack && isHeld) {
      for (const stored of this.#stored(gatewayId, frequencyHz, minute, beforeId)) {
        const { startUs, endUs } = clip(stored, minute);
        union.add(startUs, endUs);
      }
    }
    this.#unions.set(key, union);
    for (const oldest of this.#unions.keys()) {
      if (this.#unions.size <= MAX_UNIONS) break;
      this.#unions.delete(oldest);
    }
    return union;
  }

  #stored(gatewayId: number, frequencyHz: number, minute: number, beforeId: number): StoredInterval[] {
    const startUs = minute * MINUTE_US;
    const endUs = startUs + MINUTE_US;
    return this.#intervals.all(
      startUs,
      endUs + MAX_AIRTIME_US,
      endUs,
      gatewayId,
      frequencyHz,
      beforeId,
    ) as StoredInterval[];
  }
}

function clip(stored: StoredInterval, minute: number): { startUs: number; endUs: number } {
  return {
    startUs: Math.max(stored.atUs - stored.airtimeUs, minute * MINUTE_US),
    endUs: Math.min(stored.atUs, (minute + 1) * MINUTE_US),
  };
}

function minutesOf(startUs: number, endUs: number): number[] {
  const minutes: number[] = [];
  for (let minute = minuteOf(startUs); minute * MINUTE_US < endUs; minute++) minutes.push(minute);
  return minutes;
}

function keyOf(gatewayId: number, frequencyHz: number, minute: number): string {
  return `${gatewayId}/${frequencyHz}/${minute}`;
}

function valuesOf(cell: Delta): number[] {
  return [
    cell.gatewayId,
    cell.frequencyHz,
    cell.minute,
    cell.receptions,
    cell.crcBad,
    cell.airtimeUs,
    cell.busyUs,
  ];
}
