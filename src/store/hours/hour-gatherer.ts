/**
 * Gathers what whole hours hold, one hour a step, behind the traffic: first the hours of which rows changed since, then
 * those that have ended meanwhile. Triggers of the schema note every change, whoever makes it (migrations/018-hours.sql).
 */
import type { Statement } from "better-sqlite3";
import { MINUTE_US } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { framesInWindow } from "../queries/frames.ts";
import { countRegathered } from "../settings.ts";
import { MinutePacker, unpackAllMinutes } from "./channel-minutes.ts";
import { encodeFrameHour } from "./frame-columns.ts";
import { GatewayHourWriter } from "./gateway-hours.ts";
import { GATHERED_HOUR_US } from "./gathered.ts";

/** Live, an hour is gathered so long after its end: what the path holds up comes in by then. Chosen. */
const SETTLED_US = 120_000_000;
/** Receptions of one hour beyond which it stays ungathered and is read from its rows: a step must not take long. */
const MAX_RECEPTIONS = 50_000;
/** The same for an hour whose rows are to go: it must be summed up first. Chosen: about a second. */
const MAX_RECEPTIONS_LEAVING = 500_000;

export interface GatherOptions {
  /** True: hours that ended just now may wait. */
  readonly patient: boolean;
  /** The present; null: what is stored ends with its newest. */
  readonly nowUs: number | null;
}

export class HourGatherer {
  readonly #db: Store;
  readonly #closedTo: Statement;
  readonly #close: Statement;
  readonly #due: Statement;
  readonly #done: Statement;
  readonly #setDue: Statement;
  readonly #newest: Statement;
  readonly #next: Statement;
  readonly #count: Statement;
  readonly #setFrames: Statement;
  readonly #dropFrames: Statement;
  readonly #gateways: GatewayHourWriter;
  readonly #minutes: MinutePacker;
  /** Hours found too full since the start. */
  readonly #tooFull = new Set<number>();

  constructor(db: Store) {
    this.#db = db;
    this.#gateways = new GatewayHourWriter(db);
    this.#minutes = new MinutePacker(db);
    this.#closedTo = db.prepare("SELECT closed_to_us FROM hour_progress WHERE id = 1").pluck();
    this.#close = db.prepare("UPDATE hour_progress SET closed_to_us = ? WHERE id = 1");
    this.#due = db.prepare("SELECT hour FROM hour_due WHERE hour < ? ORDER BY hour").pluck();
    this.#done = db.prepare("DELETE FROM hour_due WHERE hour = ?");
    this.#setDue = db.prepare("INSERT OR IGNORE INTO hour_due (hour) VALUES (?)");
    this.#newest = db.prepare("SELECT max(last_at_us) FROM gateway").pluck();
    this.#next = db
      .prepare(
        `SELECT min(at_us) FROM (SELECT min(at_us) AS at_us FROM reception WHERE at_us >= @from UNION ALL
           SELECT (SELECT min(at_us) FROM datagram WHERE gateway_id = gateway.id AND at_us >= @from) FROM gateway)`,
      )
      .pluck();
    this.#count = db
      .prepare("SELECT count(*) FROM (SELECT 1 FROM reception WHERE at_us >= ? AND at_us < ? LIMIT ?)")
      .pluck();
    this.#setFrames = db.prepare("INSERT OR REPLACE INTO frame_hour (hour, columns) VALUES (?, ?)");
    this.#dropFrames = db.prepare("DELETE FROM frame_hour WHERE hour = ?");
  }

  /** Gathers one hour. True: it did, and there may be more. */
  step({ patient, nowUs }: GatherOptions): boolean {
    const newestUs = this.#newest.get() as number | null;
    if (newestUs === null) return false;
    const settledUs = Math.min(newestUs, nowUs ?? newestUs) - (patient ? SETTLED_US : 0);
    const endedHour = Math.floor(settledUs / GATHERED_HOUR_US);
    const dueHours = this.#due.all(endedHour) as number[];
    const due = dueHours.find((hour) => !this.#tooFull.has(hour));
    if (due !== undefined) {
      if (this.#gather(due, MAX_RECEPTIONS)) this.#isDone(due);
      return true;
    }
    const closedToUs = this.#closedTo.get() as number;
    const nextUs = this.#next.get({ from: closedToUs }) as number | null;
    const hour = nextUs === null ? endedHour : Math.floor(nextUs / GATHERED_HOUR_US);
    if (hour >= endedHour) return this.#minutes.packNext(closedToUs / MINUTE_US);
    if (!this.#gather(hour, MAX_RECEPTIONS)) this.#setDue.run(hour);
    this.#close.run((hour + 1) * GATHERED_HOUR_US);
    return true;
  }

  /** Gathers an hour that is due and whose rows are to go; false: not even so. */
  gatherFull(hour: number): boolean {
    if (!this.#gather(hour, MAX_RECEPTIONS_LEAVING)) return false;
    this.#isDone(hour);
    return true;
  }

  #isDone(hour: number): void {
    this.#done.run(hour);
    countRegathered(this.#db);
  }

  /** False: the hour holds too much; it stays due, and is read from its rows. */
  #gather(hour: number, most: number): boolean {
    const fromUs = hour * GATHERED_HOUR_US;
    const toUs = fromUs + GATHERED_HOUR_US;
    const count = this.#count.get(fromUs, toUs, most + 1) as number;
    if (count > most) {
      this.#tooFull.add(hour);
      return false;
    }
    const frames = framesInWindow(this.#db, { fromUs, toUs });
    const columns = frames.length === 0 ? null : encodeFrameHour(frames, fromUs);
    this.#minutes.unpack(hour);
    this.#gateways.write(hour);
    this.#minutes.pack(hour);
    if (columns !== null) this.#setFrames.run(hour, columns);
    else this.#dropFrames.run(hour);
    if (columns !== null || frames.length === 0) return true;
    this.#tooFull.add(hour);
    return false;
  }
}

/** Takes back everything gathered: it is gathered anew from the beginning. */
export function dropGathered(db: Store): void {
  unpackAllMinutes(db);
  db.exec(`UPDATE hour_progress SET closed_to_us = 0; DELETE FROM hour_due; DELETE FROM frame_hour;
    DELETE FROM gateway_hour; DELETE FROM packet_hour; DELETE FROM channel_hour;`);
  countRegathered(db);
}
