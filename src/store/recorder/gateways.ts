/**
 * Which gateway is this, when was it heard, did its counter start anew? Keeps the `gateway` rows, the
 * heartbeat by minute, and the restarts.
 */
import type { Statement } from "better-sqlite3";
import { newPathClock, type PathClock, pathDelayUs, returnsToLeft } from "../../ledger/concentrator-time.ts";
import type { Eui } from "../../model/identifiers.ts";
import { minuteOf } from "../../model/time-range.ts";
import { beganAtUs, type CounterReading, restartedBetween } from "../../radio/clock.ts";
import type { Store } from "../open.ts";
import { gatewaysOfPeople } from "../queries/gateways.ts";
import { Newcomers } from "./reports.ts";

/** More gateways than this are not followed: a stranger can invent identifiers faster than anyone can look at them. */
export const MAX_GATEWAYS = 4096;
/** From here on not every newcomer is followed at once. */
const FEW_PLACES_FROM = MAX_GATEWAYS - 128;
/** From here on identifiers that never settled give way, so many at once. */
const GIVE_WAY_FROM = MAX_GATEWAYS - 32;
const GIVE_WAY_AT_ONCE = 64;
/** After a look for such that found none: not again for so long. */
const LOOK_AGAIN_US = 10_000_000;
/**
 * What makes a gateway settled, any of it: heard in so many different minutes, so many status reports, so many
 * keepalives, or a person's word. Chosen: a gateway has it after two minutes.
 */
const SETTLED = { minutes: 3, reports: 2, keepalives: 5 };

/** Two sources that ask in turn within this time ask at the same time. Chosen: several keepalives. */
const RIVAL_WITHIN_US = 120_000_000;

export interface GatewayEntry {
  readonly id: number;
  readonly eui: Eui;
  lastAtUs: number;
  firstAtUs: number;
  versions: number;
  pushSource: string | null;
  pullSource: string | null;
  /** Who asked for downlinks before the present source, and when last. */
  pulledBefore: { source: string; atUs: number } | null;
  pulledAtUs: number;
  /** Another source that asks in this gateway's name at the same time. */
  rival: { source: string; atUs: number } | null;
  /** When the newest of its PUSH_DATA came. */
  pushedAtUs: number;
  reading: CounterReading | null;
  /** Newest readings of counters that its packets left: a second board under its identifier comes back to them. */
  readonly leftCounters: CounterReading[];
  pathClock: PathClock | null;
}

type MinuteCount = "datagrams" | "keepalives" | "status_reports" | "crc_ok" | "crc_bad" | "crc_none";
const MINUTE_COUNTS: readonly MinuteCount[] = [
  "datagrams",
  "keepalives",
  "status_reports",
  "crc_ok",
  "crc_bad",
  "crc_none",
];

interface GatewayRow {
  id: number;
  first_at_us: number;
  last_at_us: number;
  versions: number;
  push_source: string | null;
  pull_source: string | null;
  rival_source: string | null;
  rival_at_us: number | null;
  push_at_us: number;
  pull_at_us: number;
}

export class GatewayWriter {
  readonly #byEui = new Map<Eui, GatewayEntry>();
  /** Of them, those whose rows are to be written. */
  readonly #changed = new Set<GatewayEntry>();
  readonly #minutes = new Map<
    string,
    { gatewayId: number; minute: number; counts: Map<MinuteCount, number> }
  >();
  readonly #db: Store;
  readonly #find: Statement;
  readonly #count: Statement;
  readonly #insert: Statement;
  readonly #update: Statement;
  readonly #restart: Statement;
  readonly #noRestart: Statement;
  readonly #readingBefore: Statement;
  readonly #readingAfter: Statement;
  readonly #addMinute: Statement;
  readonly #callers: Statement;
  readonly #unsettled: Statement;
  /** Made when places are few. */
  #newcomers: Newcomers | null = null;
  /** Rows of `gateway`; null: to be counted. */
  #size: number | null = null;
  /** Row ids are not given again while memory may hold something of them. */
  #lastId = 0;
  #lookAgainUs = Number.NEGATIVE_INFINITY;

  constructor(db: Store) {
    this.#find = db.prepare("SELECT * FROM gateway WHERE eui = ?");
    this.#callers = db
      .prepare("SELECT id FROM gateway WHERE pull_source = ? ORDER BY pull_at_us DESC LIMIT 1")
      .pluck();
    this.#count = db.prepare("SELECT count(*) FROM gateway").pluck();
    this.#insert = db.prepare(
      `INSERT INTO gateway (id, eui, first_at_us, last_at_us)
       VALUES (max(@id, (SELECT coalesce(max(id), 0) + 1 FROM gateway)), @eui, @at, @at)`,
    );
    this.#unsettled = db
      .prepare(
        `SELECT eui FROM gateway g WHERE
           (SELECT count(*) FROM (SELECT 1 FROM gateway_minute WHERE gateway_id = g.id LIMIT ${SETTLED.minutes}))
             < ${SETTLED.minutes}
           AND (SELECT count(*) FROM (SELECT 1 FROM status_report WHERE gateway_id = g.id LIMIT ${SETTLED.reports}))
             < ${SETTLED.reports}
           AND (SELECT coalesce(sum(keepalives), 0) FROM gateway_minute WHERE gateway_id = g.id) < ${SETTLED.keepalives}
           AND eui NOT IN (SELECT value FROM json_each(?))
         ORDER BY last_at_us, id LIMIT ${GIVE_WAY_AT_ONCE}`,
      )
      .pluck();
    this.#db = db;
    this.#update = db.prepare(
      `UPDATE gateway SET first_at_us = min(first_at_us, ?), last_at_us = max(last_at_us, ?), versions = versions | ?,
       push_source = ?, pull_source = ?, rival_source = ?, rival_at_us = ?, push_at_us = ?, pull_at_us = ?
       WHERE id = ?`,
    );
    this.#restart = db.prepare("INSERT OR IGNORE INTO gateway_restart (gateway_id, at_us) VALUES (?, ?)");
    this.#noRestart = db.prepare(
      "DELETE FROM gateway_restart WHERE gateway_id = ? AND at_us > ? AND at_us <= ?",
    );
    const reading = (when: string, order: string) =>
      db.prepare(
        `SELECT tmst_key AS tmstUs, at_us AS atUs FROM reception INDEXED BY reception_by_gateway
         WHERE gateway_id = ? AND at_us ${when} ? AND tmst_key >= 0 AND delayed = 0
         ORDER BY at_us ${order}, tmst_key LIMIT 1`,
      );
    this.#readingBefore = reading("<", "DESC");
    this.#readingAfter = reading(">", "ASC");
    this.#addMinute = db.prepare(
      `INSERT INTO gateway_minute (gateway_id, minute, ${MINUTE_COUNTS.join(", ")})
       VALUES (?, ?, ?, ?, ?, ?, ?, ?)
       ON CONFLICT DO UPDATE SET ${MINUTE_COUNTS.map((name) => `${name} = ${name} + excluded.${name}`).join(", ")}`,
    );
  }

  /** The gateway's entry, made when it is new; null when there are too many already. */
  entry(eui: Eui, atUs: number): GatewayEntry | null {
    const known = this.#byEui.get(eui);
    if (known !== undefined) return known;
    let row = this.#find.get(eui) as GatewayRow | undefined;
    if (row === undefined) {
      this.#size ??= this.#count.get() as number;
      if (this.#size >= MAX_GATEWAYS) return null;
      if (this.#size >= FEW_PLACES_FROM) {
        this.#newcomers ??= new Newcomers();
        if (!this.#newcomers.admit(eui, atUs)) return null;
      }
      this.#insert.run({ id: this.#lastId + 1, eui, at: atUs });
      row = this.#find.get(eui) as GatewayRow;
      this.#lastId = row.id;
      this.#size += 1;
    }
    const reading = this.#readingBefore.get(row.id, Number.MAX_SAFE_INTEGER) as CounterReading | undefined;
    const entry: GatewayEntry = {
      id: row.id,
      eui,
      firstAtUs: row.first_at_us,
      lastAtUs: row.last_at_us,
      versions: row.versions,
      pushSource: row.push_source,
      pullSource: row.pull_source,
      pulledBefore: null,
      pulledAtUs: row.pull_at_us,
      rival:
        row.rival_source === null || row.rival_at_us === null
          ? null
          : { source: row.rival_source, atUs: row.rival_at_us },
      pushedAtUs: row.push_at_us,
      reading: reading ?? null,
      leftCounters: [],
      pathClock: null,
    };
    this.#byEui.set(eui, entry);
    return entry;
  }

  /**
   * Id of the gateway that calls (PULL_DATA) from this source, "address port"; 0: none that is known. Several have
   * called from there when a gateway was replaced or got another identifier: the one that called last.
   */
  calledFrom(source: string): number {
    let newest: GatewayEntry | null = null;
    for (const entry of this.#byEui.values())
      if (entry.pullSource === source && entry.pulledAtUs > (newest?.pulledAtUs ?? Number.NEGATIVE_INFINITY))
        newest = entry;
    if (newest !== null) return newest.id;
    return (this.#callers.get(source) as number | undefined) ?? 0;
  }

  /**
   * Identifiers that never settled and are to give way now, those silent longest first; none while there is room, or
   * when all are settled.
   */
  givingWay(atUs: number): Eui[] {
    this.#size ??= this.#count.get() as number;
    if (this.#size < GIVE_WAY_FROM || Math.abs(atUs - this.#lookAgainUs) < LOOK_AGAIN_US) return [];
    const ofPeople = JSON.stringify([...gatewaysOfPeople(this.#db)]);
    const found = this.#unsettled.all(ofPeople) as Eui[];
    if (found.length === 0) this.#lookAgainUs = atUs;
    return found;
  }

  /** The row of a gateway was taken away. */
  gone(eui: Eui): void {
    this.#byEui.delete(eui);
    if (this.#size !== null) this.#size -= 1;
  }

  /** Notes who asks for downlinks in this gateway's name; two that take turns are rivals. */
  pulled(entry: GatewayEntry, source: string, atUs: number): void {
    // An older one, read out of order, says nothing of now.
    if (atUs < entry.pulledAtUs) return;
    if (entry.pullSource !== null && entry.pullSource !== source) {
      const before = entry.pulledBefore;
      if (before?.source === source && Math.abs(atUs - before.atUs) <= RIVAL_WITHIN_US)
        entry.rival = { source: entry.pullSource, atUs };
      entry.pulledBefore = { source: entry.pullSource, atUs: entry.pulledAtUs };
    }
    entry.pullSource = source;
    entry.pulledAtUs = atUs;
  }

  /** Notes that the gateway was heard. */
  heard(entry: GatewayEntry, atUs: number, version: number): void {
    entry.firstAtUs = Math.min(entry.firstAtUs, atUs);
    entry.lastAtUs = Math.max(entry.lastAtUs, atUs);
    entry.versions |= 1 << (version - 1);
    this.#changed.add(entry);
  }

  /** Notes where its PUSH_DATA comes from: the newest holds, in whatever order they come. */
  pushed(entry: GatewayEntry, source: string, atUs: number): void {
    if (atUs < entry.pushedAtUs) return;
    entry.pushSource = source;
    entry.pushedAtUs = atUs;
  }

  /** Takes one count back. */
  uncount(entry: GatewayEntry, atUs: number, what: MinuteCount): void {
    this.count(entry, atUs, what, -1);
  }

  count(entry: GatewayEntry, atUs: number, what: MinuteCount, by = 1): void {
    const minute = minuteOf(atUs);
    const key = `${entry.id}/${minute}`;
    let cell = this.#minutes.get(key);
    if (cell === undefined) {
      cell = { gatewayId: entry.id, minute, counts: new Map() };
      this.#minutes.set(key, cell);
    }
    cell.counts.set(what, (cell.counts.get(what) ?? 0) + by);
  }

  /** When a packet was heard, on the capturing clock: its arrival, dated back when the path held it up. */
  heardAtUs(entry: GatewayEntry, reading: CounterReading): number {
    if (entry.pathClock === null) {
      entry.pathClock = newPathClock(reading);
      return reading.atUs;
    }
    return reading.atUs - pathDelayUs(entry.pathClock, reading);
  }

  /**
   * Follows the concentrator's counter; a restart is dated where the counter then stood at zero. A reading that comes
   * out of order is judged between its neighbours in time, so that the order of arrival does not show.
   */
  followCounter(entry: GatewayEntry, reading: CounterReading): void {
    const newest = entry.reading;
    if (newest === null || reading.atUs > newest.atUs) {
      if (newest !== null && !returnsToLeft(entry.leftCounters, newest, reading))
        this.#judgeRestart(entry.id, newest, reading);
      entry.reading = reading;
      return;
    }
    if (reading.atUs === newest.atUs) return;
    const before = this.#readingBefore.get(entry.id, reading.atUs) as CounterReading | undefined;
    const after = this.#readingAfter.get(entry.id, reading.atUs) as CounterReading | undefined;
    if (before !== undefined && after !== undefined) this.#noRestart.run(entry.id, before.atUs, after.atUs);
    if (before !== undefined) this.#judgeRestart(entry.id, before, reading);
    if (after !== undefined) this.#judgeRestart(entry.id, reading, after);
  }

  #judgeRestart(gatewayId: number, before: CounterReading, after: CounterReading): void {
    if (restartedBetween(before, after)) this.#restart.run(gatewayId, beganAtUs(before, after));
  }

  /** Writes what the transaction gathered. */
  flush(): void {
    for (const entry of this.#changed) {
      this.#update.run(
        entry.firstAtUs,
        entry.lastAtUs,
        entry.versions,
        entry.pushSource,
        entry.pullSource,
        entry.rival?.source ?? null,
        entry.rival?.atUs ?? null,
        entry.pushedAtUs,
        entry.pulledAtUs,
        entry.id,
      );
    }
    this.#changed.clear();
    for (const cell of this.#minutes.values()) {
      this.#addMinute.run(
        cell.gatewayId,
        cell.minute,
        ...MINUTE_COUNTS.map((name) => cell.counts.get(name) ?? 0),
      );
    }
    this.#minutes.clear();
  }

  forget(): void {
    this.#size = null;
    this.#byEui.clear();
    this.#changed.clear();
    this.#minutes.clear();
  }
}
