/**
 * What happens to the rows of time that counts as removed (removal.ts)? In bounded steps receptions, frames and what is kept
 * of each gateway go, and the gathered hours are packed, a day in a row. These rows cannot be gathered anew: a node or gateway that is
 * forgotten leaves them as they stand, its frames taken out. What a row sums up of frames that others heard too stays.
 */
import type { Statement } from "better-sqlite3";
import { withoutFrames } from "./hours/frame-columns.ts";
import { packFrameDay, unpackFrameDay } from "./hours/frame-days.ts";
import { GATHERED_HOUR_US } from "./hours/gathered.ts";
import { DAY_HOURS, type HourRow } from "./hours/packed.ts";
import { packPacketDay } from "./hours/packet-days.ts";
import type { Store } from "./open.ts";
import { removedToUs } from "./retention.ts";

/** Of a gateway's datagrams before the moment, so much stays before the newest: its interval is read from there. */
const LOOK_BACK_US = 3_600_000_000;

/** A row and where it stands in the order in which rows go. */
interface Place {
  readonly atUs: number;
  readonly id: number;
}

const BEGIN: Place = { atUs: Number.MIN_SAFE_INTEGER, id: 0 };

/** Tables of single moments and minutes; the first bound is a gateway's own. */
const OF_GATEWAY = ["datagram", "status_report"] as const;
const OF_TIME = [
  ["transmit_outcome", "at_us", 1],
  ["downlink", "at_us", 1],
  ["gateway_minute", "minute", 60_000_000],
  ["channel_minute_packed", "hour", GATHERED_HOUR_US],
  ["round_trip_minute", "minute", 60_000_000],
] as const;

/** Takes the rows of what counts as removed away. */
export class Sweep {
  readonly #db: Store;
  readonly #state: Statement;
  readonly #receptions: Statement;
  readonly #frames: Statement;
  readonly #dropReception: Statement;
  readonly #dropFrame: Statement;
  readonly #isNewest: Statement;
  readonly #firstHour: Statement;
  /** Receptions and frames that were looked at since the start; those that stay are not looked at twice. */
  #reception = BEGIN;
  #frame = BEGIN;
  /** The day at which packing goes on; null: it has not begun. */
  #packed: number | null = null;

  constructor(db: Store) {
    this.#db = db;
    this.#state = db.prepare(
      "SELECT removed_to_us AS beforeUs, swept_to_us AS sweptUs FROM removal WHERE id = 1 AND swept_to_us < removed_to_us",
    );
    this.#receptions = db.prepare(
      `SELECT r.id, r.at_us AS atUs, f.id AS frameId, f.life_id AS lifeId, f.at_us AS frameUs
       FROM reception r INDEXED BY reception_by_time LEFT JOIN frame f ON f.id = r.frame_id
       WHERE (r.at_us, r.id) > (@atUs, @id) AND r.at_us < @before ORDER BY r.at_us, r.id LIMIT @most`,
    );
    this.#frames = db.prepare(
      `SELECT id, at_us AS atUs, id AS frameId, life_id AS lifeId, at_us AS frameUs FROM frame INDEXED BY frame_by_time
       WHERE (at_us, id) > (@atUs, @id) AND at_us < @before ORDER BY at_us, id LIMIT @most`,
    );
    this.#dropReception = db.prepare("DELETE FROM reception WHERE id = ?");
    this.#dropFrame = db.prepare("DELETE FROM frame WHERE id = ?");
    this.#firstHour = db
      .prepare(
        "SELECT min(hour) FROM (SELECT min(hour) AS hour FROM frame_hour UNION ALL SELECT min(hour) FROM packet_hour)",
      )
      .pluck();
    this.#isNewest = db.prepare(
      `SELECT 1 WHERE NOT EXISTS (SELECT 1 FROM frame
         WHERE dev_addr = (SELECT dev_addr FROM life WHERE id = @lifeId) AND life_id = @lifeId AND at_us > @frameUs AND at_us < @before AND replay = 0)`,
    );
  }

  isDone(): boolean {
    return this.#state.get() === undefined;
  }

  /** True: there is more. */
  step(most: number): boolean {
    const state = this.#state.get() as { beforeUs: number; sweptUs: number } | undefined;
    if (state === undefined) return false;
    const { beforeUs, sweptUs } = state;
    const receptions = this.#take(this.#receptions, this.#dropReception, this.#reception, beforeUs, most);
    this.#reception = receptions.at(-1) ?? this.#reception;
    if (receptions.length === most) return true;
    const frames = this.#take(this.#frames, this.#dropFrame, this.#frame, beforeUs, most);
    this.#frame = frames.at(-1) ?? this.#frame;
    if (frames.length === most || this.#ofGateways(beforeUs, most)) return true;
    const dayOf = (atUs: number) => Math.floor(atUs / GATHERED_HOUR_US / DAY_HOURS);
    // Never before the first that there is: it may be many years since 1970.
    const firstHour = this.#firstHour.get() as number | null;
    const firstDay = firstHour === null ? dayOf(beforeUs) : Math.floor(firstHour / DAY_HOURS);
    const day = Math.max(this.#packed ?? dayOf(sweptUs), firstDay);
    if (day < dayOf(beforeUs)) {
      packHours(this.#db, day);
      this.#packed = day + 1;
      return true;
    }
    this.forget();
    this.#db.prepare("UPDATE removal SET swept_to_us = removed_to_us WHERE id = 1").run();
    return true;
  }

  forget(): void {
    this.#reception = BEGIN;
    this.#frame = BEGIN;
    this.#packed = null;
  }

  /** Looks at the next rows and drops those of no life's newest frame. */
  #take(find: Statement, drop: Statement, from: Place, beforeUs: number, most: number): Place[] {
    const rows = find.all({ ...from, before: beforeUs, most }) as (Place & {
      readonly lifeId: number | null;
      readonly frameUs: number | null;
    })[];
    for (const { id, lifeId, frameUs } of rows) {
      const stays =
        lifeId !== null && this.#isNewest.get({ lifeId, frameUs, before: beforeUs }) !== undefined;
      if (!stays) drop.run(id);
    }
    return rows;
  }

  /** True: there is more. */
  #ofGateways(beforeUs: number, most: number): boolean {
    const ids = this.#db.prepare("SELECT 0 AS id UNION SELECT id FROM gateway").pluck().all() as number[];
    for (const id of ids) {
      const lastUs = this.#db
        .prepare("SELECT max(at_us) FROM datagram WHERE gateway_id = ? AND at_us < ?")
        .pluck()
        .get(id, beforeUs) as number | null;
      // Gateway 0 stands for refused datagrams of captures.
      const staysFromUs = id === 0 || lastUs === null ? beforeUs : lastUs - LOOK_BACK_US;
      for (const table of OF_GATEWAY)
        if (this.#drop(table, "at_us", id, staysFromUs, most) >= most) return true;
      for (const [table, column, unit] of OF_TIME)
        if (this.#drop(table, column, id, beforeUs / unit, most) >= most) return true;
      if (this.#channels(id, beforeUs, most) >= most) return true;
    }
    return false;
  }

  #drop(table: string, column: string, id: number, before: number, most: number): number {
    const { changes } = this.#db
      .prepare(
        `DELETE FROM ${table} WHERE gateway_id = @id AND ${column} < @before AND ${column} <= coalesce(
           (SELECT ${column} FROM ${table} WHERE gateway_id = @id ORDER BY ${column} LIMIT 1 OFFSET @last), 9e18)`,
      )
      .run({ id, before, last: most - 1 });
    return changes;
  }

  /** The channels by leaps through the primary key, as in src/store/queries/channels.ts. */
  #channels(id: number, beforeUs: number, most: number): number {
    const { changes } = this.#db
      .prepare(
        `WITH RECURSIVE channel(frequency) AS (
           SELECT (SELECT min(frequency_hz) FROM channel_minute WHERE gateway_id = @id)
           UNION ALL
           SELECT (SELECT min(frequency_hz) FROM channel_minute WHERE gateway_id = @id AND frequency_hz > channel.frequency)
           FROM channel WHERE frequency IS NOT NULL)
         DELETE FROM channel_minute WHERE (gateway_id, frequency_hz, minute) IN (
           SELECT gateway_id, frequency_hz, minute FROM channel CROSS JOIN channel_minute
             ON gateway_id = @id AND frequency_hz = channel.frequency
           WHERE minute < @before LIMIT @most)`,
      )
      .run({ id, before: beforeUs / 60_000_000, most });
    return changes;
  }
}

/** Packs the hours of a day, some 20 ms; those that do not fit into one row stay as they are. */
function packHours(db: Store, day: number): void {
  const hours = { from: day * DAY_HOURS, to: (day + 1) * DAY_HOURS };
  const rows = db
    .prepare("SELECT hour, columns FROM frame_hour WHERE hour >= @from AND hour < @to ORDER BY hour")
    .all(hours) as HourRow[];
  const packed = rows.length === 0 ? null : packFrameDay(rows);
  if (packed !== null) {
    db.prepare("INSERT INTO frame_day (day, columns) VALUES (?, ?)").run(day, packed);
    db.prepare("DELETE FROM frame_hour WHERE hour >= @from AND hour < @to").run(hours);
  }
  const packets = db.prepare(
    "SELECT hour, columns FROM packet_hour WHERE gateway_id = @id AND hour >= @from AND hour < @to ORDER BY hour",
  );
  const setPackets = db.prepare("INSERT INTO packet_day (gateway_id, day, columns) VALUES (?, ?, ?)");
  const drop = db.prepare("DELETE FROM packet_hour WHERE gateway_id = @id AND hour >= @from AND hour < @to");
  for (const id of db.prepare("SELECT id FROM gateway").pluck().all() as number[]) {
    const own = packets.all({ id, ...hours }) as HourRow[];
    if (own.length === 0) continue;
    setPackets.run(id, day, packPacketDay(own));
    drop.run({ id, ...hours });
  }
}

export interface ForgottenFrames {
  /** Of these lives, row ids. */
  readonly lifeIds: ReadonlySet<number>;
  /** And that this gateway alone had heard, a row id; null: none. */
  readonly gatewayId: number | null;
}

/** The last day that was gone through; begun again after a restart, which changes nothing that was done. */
const places = new WeakMap<Store, { readonly of: string; day: number }>();

/** Goes through a day, some 30 ms. True: through all of them. `of` names what is forgotten. */
export function forgetInRemovedHours(db: Store, of: string, forgotten: ForgottenFrames): boolean {
  let place = places.get(db);
  if (place?.of !== of) {
    place = { of, day: -MAX_DAY };
    places.set(db, place);
  }
  const next = db
    .prepare(
      `SELECT (SELECT min(day) FROM frame_day WHERE day > @day) AS day,
              (SELECT min(hour) FROM frame_hour WHERE hour >= @hour AND hour < @end) AS hour`,
    )
    .get({
      day: place.day,
      hour: (place.day + 1) * DAY_HOURS,
      end: removedToUs(db) / GATHERED_HOUR_US,
    }) as { day: number | null; hour: number | null };
  const day = Math.min(next.day ?? MAX_DAY, next.hour === null ? MAX_DAY : Math.floor(next.hour / DAY_HOURS));
  if (day === MAX_DAY) {
    places.delete(db);
    return true;
  }
  forgetInDay(db, day, forgotten);
  place.day = day;
  return false;
}

/** No day has this number; nor its negative. */
const MAX_DAY = 1e9;

function forgetInDay(db: Store, day: number, forgotten: ForgottenFrames): void {
  const packed = db.prepare("SELECT columns FROM frame_day WHERE day = ?").pluck().get(day) as
    | Uint8Array
    | undefined;
  if (packed !== undefined) {
    const hours = unpackFrameDay(packed);
    const left = hours.map(({ hour, columns }) => ({ hour, columns: withoutFrames(columns, forgotten) }));
    if (left.some(({ columns }) => columns !== null)) {
      const rows = left.map(({ hour, columns }, i) => ({
        hour,
        columns: columns ?? hours[i]?.columns ?? new Uint8Array(),
      }));
      db.prepare("UPDATE frame_day SET columns = ? WHERE day = ?").run(packFrameDay(rows), day);
    }
  }
  const write = db.prepare("UPDATE frame_hour SET columns = ? WHERE hour = ?");
  const rows = db
    .prepare("SELECT hour, columns FROM frame_hour WHERE hour >= ? AND hour < ?")
    .all(day * DAY_HOURS, (day + 1) * DAY_HOURS) as HourRow[];
  for (const { hour, columns } of rows) {
    const left = withoutFrames(columns, forgotten);
    if (left !== null) write.run(left, hour);
  }
}
