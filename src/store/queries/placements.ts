/** Where does each gateway and antenna stand, from when to when? */
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

export interface PlacementRecord {
  readonly id: number;
  readonly name: string;
  readonly gatewayEui: string;
  readonly antenna: number | null;
  readonly fromUs: number;
  /** Begin of the next of the same gateway and antenna; null: it still stands. */
  readonly toUs: number | null;
  readonly heightM: number | null;
  readonly antennaGainDbi: number | null;
  readonly cableLossDb: number | null;
  readonly direction: string | null;
  readonly note: string | null;
  /** Begin of its photo's SHA-256; null: it has none. */
  readonly photoDigest: string | null;
}

/** All placements in order of their begin. */
export function placements(store: Store): PlacementRecord[] {
  return prepared(
    store,
    `SELECT id, name, gateway_eui AS gatewayEui, antenna, from_us AS fromUs,
            lead(from_us) OVER (PARTITION BY gateway_eui, coalesce(antenna, -1) ORDER BY from_us) AS toUs,
            height_m AS heightM, gain_tenths / 10.0 AS antennaGainDbi, loss_tenths / 10.0 AS cableLossDb,
            direction, note, digest AS photoDigest
     FROM placement LEFT JOIN placement_photo ON placement_id = id ORDER BY from_us, id`,
  ).all() as PlacementRecord[];
}
