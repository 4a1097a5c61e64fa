/** Where did people say that things stand? Reads and writes the `position` rows. */
import type { Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";

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

/** Rows written or taken back. */
export function writePosition(db: Store, { kind, id, position }: PositionRequest): number {
  if (position === null) {
    return db.prepare("DELETE FROM position WHERE kind = ? AND id = ?").run(kind, id).changes;
  }
  return db
    .prepare(
      `INSERT OR REPLACE INTO position (kind, id, latitude_deg, longitude_deg, east_m, north_m, height_m, eirp_dbm,
       antenna_gain_dbi)
     VALUES (@kind, @id, @latitudeDeg, @longitudeDeg, @eastM, @northM, @heightM, @eirpDbm, @antennaGainDbi)`,
    )
    .run({ kind, id, ...position }).changes;
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
