/**
 * How are the minutes of channels kept once their hour was gathered? Few ask for them then: those of a gateway's hour lie
 * in one packed row, a tenth of their size. Whoever changes one of them puts them back into rows first (unpackMinutes).
 */
import type { Statement } from "better-sqlite3";
import type { Store } from "../open.ts";
import { prepared } from "../queries/statement.ts";
import { fromPlanes, packColumns, unpackColumns } from "./packed.ts";

export const HOUR_MINUTES = 60;

/** The minutes of a gateway's channels, column by column, channel after channel. */
interface ChannelMinutes {
  /** With how many minutes each has. */
  readonly channels: readonly (readonly [frequencyHz: number, minutes: number])[];
  /** Since the hour began. */
  readonly minute: Uint8Array;
  readonly receptions: Uint32Array;
  readonly crcBad: Uint32Array;
  readonly busyUs: Uint32Array;
  /** Airtime less busy time: of packets that overlapped. */
  readonly overlapUs: Uint32Array;
}

export interface ChannelMinute {
  readonly frequencyHz: number;
  readonly minute: number;
  readonly receptions: number;
  readonly crcBad: number;
  readonly airtimeUs: number;
  readonly busyUs: number;
}

function emptyMinutes(channels: ChannelMinutes["channels"]): ChannelMinutes {
  const length = channels.reduce((sum, [, minutes]) => sum + minutes, 0);
  const numbers = () => new Uint32Array(length);
  return {
    channels,
    minute: new Uint8Array(length),
    receptions: numbers(),
    crcBad: numbers(),
    busyUs: numbers(),
    overlapUs: numbers(),
  };
}

const columnsOf = ({ minute, receptions, crcBad, busyUs, overlapUs }: ChannelMinutes) => [
  minute,
  receptions,
  crcBad,
  busyUs,
  overlapUs,
];

/** The row of an hour; `rows` in order of channels. null: a number is larger than the columns can tell. */
export function encodeMinutes(rows: readonly ChannelMinute[], hour: number): Uint8Array | null {
  const counts = new Map<number, number>();
  for (const { frequencyHz } of rows) counts.set(frequencyHz, (counts.get(frequencyHz) ?? 0) + 1);
  const minutes = emptyMinutes([...counts]);
  for (const [i, row] of rows.entries()) {
    if (Math.max(row.receptions, row.airtimeUs) > 0xffff_ffff) return null;
    minutes.minute[i] = row.minute - hour * HOUR_MINUTES;
    minutes.receptions[i] = row.receptions;
    minutes.crcBad[i] = row.crcBad;
    minutes.busyUs[i] = row.busyUs;
    minutes.overlapUs[i] = row.airtimeUs - row.busyUs;
  }
  return packColumns(minutes.channels, columnsOf(minutes));
}

/** The minutes of a row, channel after channel. */
export function* decodeMinutes(packed: Uint8Array, hour: number): Generator<ChannelMinute> {
  const { head, planes } = unpackColumns(packed);
  const minutes = emptyMinutes(head as ChannelMinutes["channels"]);
  fromPlanes(planes, columnsOf(minutes));
  let i = 0;
  for (const [frequencyHz, count] of minutes.channels)
    for (const end = i + count; i < end; i++) {
      const busyUs = minutes.busyUs[i] ?? 0;
      yield {
        frequencyHz,
        minute: hour * HOUR_MINUTES + (minutes.minute[i] ?? 0),
        receptions: minutes.receptions[i] ?? 0,
        crcBad: minutes.crcBad[i] ?? 0,
        airtimeUs: busyUs + (minutes.overlapUs[i] ?? 0),
        busyUs,
      };
    }
}

// The channels first, by leaps through the primary key: a look at an hour must not read months of minutes.
const CHANNELS = `WITH RECURSIVE channel(id, frequency) AS (
    SELECT id, (SELECT min(frequency_hz) FROM channel_minute WHERE gateway_id = gateway.id) FROM gateway
    UNION ALL
    SELECT id, (SELECT min(frequency_hz) FROM channel_minute
                WHERE gateway_id = channel.id AND frequency_hz > channel.frequency)
    FROM channel WHERE frequency IS NOT NULL)`;

const FROM_CHANNELS =
  "FROM channel CROSS JOIN channel_minute ON gateway_id = channel.id AND frequency_hz = channel.frequency";

/** Packs minutes of gathered hours, and puts them back. */
export class MinutePacker {
  readonly #db: Store;
  readonly #ofHour: Statement;
  readonly #set: Statement;
  readonly #drop: Statement;
  readonly #isDue: Statement;
  readonly #done: Statement;
  readonly #next: Statement;
  readonly #packedGateways: Statement;
  /** Minutes before were packed, or cannot be. */
  #packedTo = Number.MIN_SAFE_INTEGER;

  constructor(db: Store) {
    this.#db = db;
    this.#ofHour = db.prepare(
      `${CHANNELS} SELECT gateway_id AS gatewayId, frequency_hz AS frequencyHz, minute, receptions, crc_bad AS crcBad,
         airtime_us AS airtimeUs, busy_us AS busyUs
       ${FROM_CHANNELS} WHERE minute >= @from AND minute < @to ORDER BY gateway_id, frequency_hz, minute`,
    );
    this.#set = db.prepare("INSERT INTO channel_minute_packed (gateway_id, hour, columns) VALUES (?, ?, ?)");
    this.#drop = db.prepare(
      "DELETE FROM channel_minute WHERE gateway_id = ? AND frequency_hz = ? AND minute >= ? AND minute < ?",
    );
    this.#isDue = db.prepare("SELECT 1 FROM hour_due WHERE hour = ?").pluck();
    this.#done = db.prepare("DELETE FROM hour_due WHERE hour = ?");
    this.#next = db
      .prepare(
        `${CHANNELS} SELECT min((SELECT min(minute) FROM channel_minute
           WHERE gateway_id = id AND frequency_hz = frequency AND minute >= ?)) FROM channel`,
      )
      .pluck();
    this.#packedGateways = db
      .prepare(
        "SELECT gateway_id FROM channel_minute_packed WHERE gateway_id IN (SELECT id FROM gateway) AND hour = ?",
      )
      .pluck();
  }

  /** Packs an hour that was gathered just now; it does not become due by that. */
  pack(hour: number): void {
    const [from, to] = [hour * HOUR_MINUTES, (hour + 1) * HOUR_MINUTES];
    const gateways = new Map<number, ChannelMinute[]>();
    for (const row of this.#ofHour.iterate({ from, to }) as IterableIterator<
      ChannelMinute & { readonly gatewayId: number }
    >) {
      const own = gateways.get(row.gatewayId);
      if (own === undefined) gateways.set(row.gatewayId, [row]);
      else own.push(row);
    }
    const wasDue = this.#isDue.get(hour) !== undefined;
    for (const [gatewayId, rows] of gateways) {
      const packed = encodeMinutes(rows, hour);
      if (packed === null) continue;
      this.#set.run(gatewayId, hour, packed);
      for (const frequencyHz of new Set(rows.map((row) => row.frequencyHz)))
        this.#drop.run(gatewayId, frequencyHz, from, to);
    }
    if (!wasDue) this.#done.run(hour);
  }

  /** Packs an hour that was gathered before minutes were packed. False: there is none before the moment. */
  packNext(closedToMinute: number): boolean {
    if (this.#packedTo >= closedToMinute) return false;
    const minute = this.#next.get(this.#packedTo) as number | null;
    if (minute === null || minute >= closedToMinute) {
      this.#packedTo = closedToMinute;
      return false;
    }
    const hour = Math.floor(minute / HOUR_MINUTES);
    if (this.#isDue.get(hour) === undefined) this.pack(hour);
    this.#packedTo = (hour + 1) * HOUR_MINUTES;
    return true;
  }

  /** Puts the minutes of an hour back into rows. */
  unpack(hour: number): void {
    for (const gatewayId of this.#packedGateways.all(hour) as number[])
      unpackMinutes(this.#db, gatewayId, hour);
  }
}

/** Puts the minutes of a gateway's hour back into rows, so that they can be changed: the hour is due by that. */
export function unpackMinutes(db: Store, gatewayId: number, hour: number): void {
  const packed = prepared(db, "SELECT columns FROM channel_minute_packed WHERE gateway_id = ? AND hour = ?")
    .pluck()
    .get(gatewayId, hour) as Uint8Array | undefined;
  if (packed === undefined) return;
  const set = prepared(
    db,
    `INSERT INTO channel_minute (gateway_id, frequency_hz, minute, receptions, crc_bad, airtime_us, busy_us)
     VALUES (?, ?, ?, ?, ?, ?, ?)`,
  );
  for (const { frequencyHz, minute, receptions, crcBad, airtimeUs, busyUs } of decodeMinutes(packed, hour))
    set.run(gatewayId, frequencyHz, minute, receptions, crcBad, airtimeUs, busyUs);
  prepared(db, "DELETE FROM channel_minute_packed WHERE gateway_id = ? AND hour = ?").run(gatewayId, hour);
}

/** Puts all minutes back into rows. */
export function unpackAllMinutes(db: Store): void {
  const packed = prepared(db, "SELECT gateway_id, hour FROM channel_minute_packed").raw();
  for (const [gatewayId, hour] of packed.all() as [number, number][]) unpackMinutes(db, gatewayId, hour);
}
