/** Which notes did people pin to moments? Writes the `mark` rows; src/store/user-data.ts reads them. */

import type { TimeRange } from "../model/time-range.ts";
import type { Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";
import { writeSetting } from "./settings.ts";
import { notWritten, type Written, written } from "./written.ts";

export interface MarkPosition {
  readonly latitude: number | null;
  readonly longitude: number | null;
  readonly eastMetres: number | null;
  readonly northMetres: number | null;
}

export const NO_POSITION: MarkPosition = {
  latitude: null,
  longitude: null,
  eastMetres: null,
  northMetres: null,
};

/** A mark as written. Times are microseconds since 1970. */
export interface NewMark extends MarkPosition {
  readonly atUs: number;
  readonly untilUs: number | null;
  readonly kind: "note" | "stop";
  readonly text: string;
  readonly gatewayEui: string | null;
  readonly devAddr: string | null;
}

/** What a change may say; a field left out stays. */
export type MarkEdit = Partial<Omit<NewMark, "kind">>;

/** A change that a person asks for. */
export type MarkWork =
  | { readonly kind: "add"; readonly mark: NewMark }
  | { readonly kind: "change"; readonly id: number; readonly edit: MarkEdit }
  | { readonly kind: "remove"; readonly id: number };

/** As many marks as a store keeps: years of a diligent person's, and no stranger's flood. */
export const MAX_MARKS = 10_000;

/** Adds, changes or removes a mark. Fails when there is no such mark, it ends before it begins, or the limit is reached. */
export function changeMarks(db: Store, work: MarkWork): Written {
  switch (work.kind) {
    case "add":
      return addMark(db, work.mark);
    case "change":
      return changeMark(db, work.id, work.edit);
    case "remove": {
      const removed = db.prepare("DELETE FROM mark WHERE id = ?").run(work.id).changes;
      return removed > 0 ? written(work.id) : notWritten("no-such-mark");
    }
  }
}

function addMark(db: Store, mark: NewMark): Written {
  if (mark.untilUs !== null && mark.untilUs < mark.atUs) return notWritten("mark-ends-early");
  const kept = Number(db.prepare("SELECT count(*) FROM mark").pluck().get());
  if (kept >= MAX_MARKS) return notWritten("marks-full");
  const outcome = db
    .prepare(
      `INSERT INTO mark (at_us, until_us, kind, text, gateway_eui, dev_addr, latitude, longitude, east_metres,
         north_metres)
       VALUES (@atUs, @untilUs, @kind, @text, @gatewayEui, @devAddr, @latitude, @longitude, @eastMetres,
         @northMetres)`,
    )
    .run(mark);
  return written(Number(outcome.lastInsertRowid));
}

const COLUMNS: Readonly<Record<keyof MarkEdit, string>> = {
  atUs: "at_us",
  untilUs: "until_us",
  text: "text",
  gatewayEui: "gateway_eui",
  devAddr: "dev_addr",
  latitude: "latitude",
  longitude: "longitude",
  eastMetres: "east_metres",
  northMetres: "north_metres",
};

/** A mark that is now about a gateway is no longer about a node, and the other way round. */
function changeMark(db: Store, id: number, edit: MarkEdit): Written {
  const before = db.prepare("SELECT at_us AS atUs, until_us AS untilUs FROM mark WHERE id = ?").get(id) as
    | { atUs: number; untilUs: number | null }
    | undefined;
  if (before === undefined) return notWritten("no-such-mark");
  const whole: MarkEdit = {
    ...edit,
    ...(edit.gatewayEui != null ? { devAddr: null } : edit.devAddr != null ? { gatewayEui: null } : {}),
  };
  const atUs = whole.atUs ?? before.atUs;
  const untilUs = whole.untilUs === undefined ? before.untilUs : whole.untilUs;
  if (untilUs !== null && untilUs < atUs) return notWritten("mark-ends-early");
  const changed = Object.entries(whole).filter(([, value]) => value !== undefined);
  if (changed.length === 0) return written(id);
  const set = changed.map(([name]) => `${COLUMNS[name as keyof MarkEdit]} = ?`).join(", ");
  db.prepare(`UPDATE mark SET ${set} WHERE id = ?`).run(...changed.map(([, value]) => value), id);
  return written(id);
}

// Where did people say that things stand? Reads and writes the `position` rows.

export interface PositionRecord {
  readonly kind: "gateway" | "node";
  readonly id: string;
  readonly latitudeDeg: number | null;
  readonly longitudeDeg: number | null;
  readonly eastM: number | null;
  readonly northM: number | null;
  readonly heightM: number | null;
  readonly eirpDbm: number | null;
  readonly antennaGainDbi: number | null;
}

/** A whole position, or null to take it back. */
export interface PositionRequest {
  readonly kind: "gateway" | "node";
  readonly id: string;
  readonly position: Omit<PositionRecord, "kind" | "id"> | null;
}

/** Writes a position, or takes it back; one that is not there is taken back without a fault. */
export function writePosition(db: Store, { kind, id, position }: PositionRequest): Written {
  if (position === null) {
    const removed = db.prepare("DELETE FROM position WHERE kind = ? AND id = ?").run(kind, id);
    return written(removed.changes);
  }
  const outcome = db
    .prepare(
      `INSERT OR REPLACE INTO position (kind, id, latitude_deg, longitude_deg, east_m, north_m, height_m, eirp_dbm,
       antenna_gain_dbi)
     VALUES (@kind, @id, @latitudeDeg, @longitudeDeg, @eastM, @northM, @heightM, @eirpDbm, @antennaGainDbi)`,
    )
    .run({ kind, id, ...position });
  return written(outcome.changes);
}

export function positions(store: Store): PositionRecord[] {
  return prepared(
    store,
    `SELECT kind, id, latitude_deg AS latitudeDeg, longitude_deg AS longitudeDeg, east_m AS eastM, north_m AS northM,
            height_m AS heightM, eirp_dbm AS eirpDbm, antenna_gain_dbi AS antennaGainDbi
     FROM position ORDER BY kind, id`,
  ).all() as PositionRecord[];
}

export interface GpsRecord {
  readonly eui: string;
  readonly latitudeDeg: number;
  readonly longitudeDeg: number;
  readonly altitudeM: number | null;
}

/** Where gateways say themselves that they stand. 0, 0 is what a receiver without a fix says. */
export function gpsPositions(store: Store): GpsRecord[] {
  return prepared(
    store,
    `SELECT eui, latitude AS latitudeDeg, longitude AS longitudeDeg, altitude_m AS altitudeM FROM gateway
     WHERE latitude IS NOT NULL AND longitude IS NOT NULL AND NOT (latitude = 0 AND longitude = 0)`,
  ).all() as GpsRecord[];
}

// Which names did people give, and what did they call their own? Writes the `label` rows, and the site's name.

export interface LabelChangeRow {
  readonly kind: "gateway" | "node";
  readonly id: string;
  /** null takes the name back; undefined leaves it. */
  readonly name?: string | null | undefined;
  readonly own?: boolean | null | undefined;
  /** Of a gateway: the site that it belongs to; null: none. */
  readonly site?: string | null | undefined;
  /** True: leave a name that is there. */
  readonly unlessNamed?: boolean | undefined;
}

/** Names a thing, marks whose it is, or puts a gateway into a site; what is left out stays. Only gateways have a site. */
export function writeLabel(db: Store, change: LabelChangeRow): Written {
  db.prepare("INSERT OR IGNORE INTO label (kind, id) VALUES (?, ?)").run(change.kind, change.id);
  const isNamed = db
    .prepare("SELECT 1 FROM label WHERE kind = ? AND id = ? AND name IS NOT NULL")
    .pluck()
    .get(change.kind, change.id);
  if (change.name !== undefined && (change.unlessNamed !== true || isNamed === undefined)) {
    const name = change.name === null || change.name === "" ? null : change.name;
    db.prepare("UPDATE label SET name = ? WHERE kind = ? AND id = ?").run(name, change.kind, change.id);
  }
  if (change.own !== undefined) {
    const own = change.own === null ? null : Number(change.own);
    db.prepare("UPDATE label SET own = ? WHERE kind = ? AND id = ?").run(own, change.kind, change.id);
  }
  if (change.site !== undefined && change.kind === "gateway") writeSite(db, change.id, change.site);
  db.prepare(
    "DELETE FROM label WHERE kind = ? AND id = ? AND name IS NULL AND own IS NULL AND site IS NULL",
  ).run(change.kind, change.id);
  return written(1);
}

function writeSite(db: Store, eui: string, name: string | null): void {
  const site = name === null || name.trim() === "" ? null : name.trim();
  const { changes } = db
    .prepare("UPDATE label SET site = @site WHERE kind = 'gateway' AND id = @eui AND site IS NOT @site")
    .run({ site, eui });
  // Whether all gateways were silent is asked of the site's: findings are made anew, behind the traffic.
  if (changes > 0) db.prepare("UPDATE gap SET judged_to_us = NULL").run();
}

/** What the site is called; null or nothing but spaces takes the name back. */
export function writeSiteName(db: Store, name: string | null): Written {
  writeSetting(db, "site-name", name?.trim() || null);
  return written(1);
}

// Which marks touch a stretch of time?

export interface MarkRecord extends NewMark {
  readonly id: number;
}

export interface MarkFilter {
  readonly gatewayEui?: string | undefined;
  readonly devAddr?: string | undefined;
  readonly kind?: "note" | "stop" | undefined;
}

const MARK = `SELECT id, at_us AS atUs, until_us AS untilUs, kind, text, gateway_eui AS gatewayEui, dev_addr AS devAddr,
  latitude, longitude, east_metres AS eastMetres, north_metres AS northMetres FROM mark`;

/** The marks that touch the window (`null`: all), newest first, at most `most`. */
export function marksIn(
  store: Store,
  window: TimeRange | null,
  most: number,
  filter: MarkFilter = {},
): MarkRecord[] {
  return prepared(
    store,
    `${MARK} WHERE at_us < ? AND coalesce(until_us, at_us) >= ? AND (? IS NULL OR gateway_eui = ?)
       AND (? IS NULL OR dev_addr = ?) AND (? IS NULL OR kind = ?)
     ORDER BY at_us DESC, id DESC LIMIT ?`,
  ).all(
    window?.toUs ?? Number.MAX_SAFE_INTEGER,
    window?.fromUs ?? Number.MIN_SAFE_INTEGER,
    ...[filter.gatewayEui, filter.devAddr, filter.kind].flatMap((value) => [value ?? null, value ?? null]),
    most,
  ) as MarkRecord[];
}

/** The mark of a number; null: there is none. */
export function markOf(store: Store, id: number): MarkRecord | null {
  return (prepared(store, `${MARK} WHERE id = ?`).get(id) as MarkRecord | undefined) ?? null;
}
