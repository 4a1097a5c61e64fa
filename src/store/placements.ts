/** Where did people say that gateways and antennas stand? Writes the `placement` rows; queries/placements.ts reads them. */

import { createHash } from "node:crypto";
import type { Picture, PictureType } from "../wire/picture/plain-picture.ts";
import type { Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";
import { type NotWritten, notWritten, type Written, written } from "./written.ts";

/** A placement as written; times are microseconds since 1970. */
export interface NewPlacement {
  readonly name: string;
  readonly gatewayEui: string;
  /** null: the whole gateway. */
  readonly antenna: number | null;
  readonly fromUs: number;
  readonly heightM: number | null;
  readonly antennaGainDbi: number | null;
  readonly cableLossDb: number | null;
  readonly direction: string | null;
  readonly note: string | null;
}

/** What a change may say; a field left out stays. A placement never changes its gateway: it would be another one. */
export type PlacementEdit = Partial<Omit<NewPlacement, "gatewayEui" | "antenna">>;

export type PlacementWork =
  | { readonly kind: "add"; readonly placement: NewPlacement }
  | { readonly kind: "change"; readonly id: number; readonly edit: PlacementEdit }
  | { readonly kind: "remove"; readonly id: number };

/** Years of moving one gateway a day. */
export const MAX_PLACEMENTS = 2_000;

/** Adds, changes or removes a placement. Fails when there is none such, it is in conflict, or the limit is reached. */
export function changePlacements(db: Store, work: PlacementWork): Written {
  switch (work.kind) {
    case "add":
      return add(db, work.placement);
    case "change":
      return change(db, work.id, work.edit);
    case "remove": {
      const removed = db.prepare("DELETE FROM placement WHERE id = ?").run(work.id).changes;
      return removed > 0 ? written(work.id) : notWritten("no-such-placement");
    }
  }
}

function add(db: Store, placement: NewPlacement): Written {
  const kept = Number(db.prepare("SELECT count(*) FROM placement").pluck().get());
  if (kept >= MAX_PLACEMENTS) return notWritten("placements-full");
  const fail = conflict(db, placement, 0);
  if (fail !== null) return fail;
  const { lastInsertRowid } = db
    .prepare(
      `INSERT INTO placement (gateway_eui, antenna, name, from_us, height_m, gain_tenths, loss_tenths, direction, note)
       VALUES (@gatewayEui, @antenna, @name, @fromUs, @heightM, @gainTenths, @lossTenths, @direction, @note)`,
    )
    .run(columns(placement));
  return written(Number(lastInsertRowid));
}

function change(db: Store, id: number, edit: PlacementEdit): Written {
  const before = db
    .prepare(
      `SELECT gateway_eui AS gatewayEui, antenna, name, from_us AS fromUs, height_m AS heightM,
              gain_tenths / 10.0 AS antennaGainDbi, loss_tenths / 10.0 AS cableLossDb, direction, note
       FROM placement WHERE id = ?`,
    )
    .get(id) as NewPlacement | undefined;
  if (before === undefined) return notWritten("no-such-placement");
  const said = Object.fromEntries(Object.entries(edit).filter(([, value]) => value !== undefined));
  const after: NewPlacement = { ...before, ...said };
  const fail = conflict(db, after, id);
  if (fail !== null) return fail;
  db.prepare(
    `UPDATE placement SET name = @name, from_us = @fromUs, height_m = @heightM, gain_tenths = @gainTenths,
       loss_tenths = @lossTenths, direction = @direction, note = @note
     WHERE id = @id`,
  ).run({ ...columns(after), id });
  return written(id);
}

/**
 * Two placements of one antenna cannot begin at one moment; and one name means one antenna, or a comparison by name
 * would not know which is meant (the same place twice, A-B-A-B, is one name).
 */
function conflict(db: Store, placement: NewPlacement, ownId: number): NotWritten | null {
  const { gatewayEui, antenna, name, fromUs } = placement;
  const same = db
    .prepare(
      "SELECT 1 FROM placement WHERE gateway_eui = ? AND coalesce(antenna, -1) = ? AND from_us = ? AND id <> ?",
    )
    .get(gatewayEui, antenna ?? -1, fromUs, ownId);
  if (same !== undefined) return notWritten("placement-begins-twice");
  const elsewhere = db
    .prepare(
      `SELECT 1 FROM placement WHERE name = ? COLLATE NOCASE AND id <> ?
         AND (gateway_eui <> ? OR coalesce(antenna, -1) <> ?)`,
    )
    .get(name, ownId, gatewayEui, antenna ?? -1);
  return elsewhere === undefined ? null : notWritten("placement-elsewhere");
}

function columns({ antennaGainDbi, cableLossDb, ...rest }: NewPlacement): Record<string, unknown> {
  const tenths = (db: number | null) => (db === null ? null : Math.round(db * 10));
  // A REAL column of a strict table takes whole numbers too; better-sqlite3 binds both alike.
  return { ...rest, gainTenths: tenths(antennaGainDbi), lossTenths: tenths(cableLossDb) };
}

// What does a placement look like? Writes and reads the `placement_photo` rows: one photo a placement.

/** Photos in one store; with the most that each may hold some 300 MB. Chosen. */
export const MAX_PHOTOS = 200;
/** Octets of one photo. Chosen: a picture of 1,600 by 1,200 in good quality. */
export const MAX_PHOTO_OCTETS = 1_500_000;

/** Sets or (null) removes the photo of a placement. Fails when there is no such placement, or the limit is reached. */
export function writePlacementPhoto(db: Store, id: number, picture: Picture | null): Written {
  if (db.prepare("SELECT 1 FROM placement WHERE id = ?").get(id) === undefined)
    return notWritten("no-such-placement");
  if (picture === null) {
    db.prepare("DELETE FROM placement_photo WHERE placement_id = ?").run(id);
    return written(id);
  }
  const others = Number(
    db.prepare("SELECT count(*) FROM placement_photo WHERE placement_id <> ?").pluck().get(id),
  );
  if (others >= MAX_PHOTOS) return notWritten("photos-full");
  const digest = createHash("sha256").update(picture.octets).digest("hex").slice(0, 12);
  db.prepare(
    "INSERT OR REPLACE INTO placement_photo (placement_id, type, octets, digest) VALUES (?, ?, ?, ?)",
  ).run(id, picture.type, Buffer.from(picture.octets), digest);
  return written(id);
}

/** The photo of a placement; null: it has none. */
export function placementPhoto(store: Store, id: number): Picture | null {
  const row = store.prepare("SELECT type, octets FROM placement_photo WHERE placement_id = ?").get(id) as
    | { readonly type: PictureType; readonly octets: Buffer }
    | undefined;
  return row ?? null;
}

// Where does each gateway and antenna stand, from when to when?

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
