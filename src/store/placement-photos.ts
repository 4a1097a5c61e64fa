/** What does a placement look like? Writes and reads the `placement_photo` rows: one photo a placement. */
import { createHash } from "node:crypto";
import type { Picture, PictureType } from "../wire/picture/plain-picture.ts";
import type { Store } from "./open.ts";

/** Photos in one store; with the most that each may hold some 300 MB. Chosen. */
export const MOST_PHOTOS = 200;
/** Octets of one photo. Chosen: a picture of 1,600 by 1,200 in good quality. */
export const MOST_PHOTO_OCTETS = 1_500_000;

/** Why no photo was written. */
export const PHOTO_FAILS = { noPlacement: 0, full: -1 } as const;

/** Sets or (null) removes the photo of a placement; its number, or one of PHOTO_FAILS. */
export function writePlacementPhoto(db: Store, id: number, picture: Picture | null): number {
  if (db.prepare("SELECT 1 FROM placement WHERE id = ?").get(id) === undefined)
    return PHOTO_FAILS.noPlacement;
  if (picture === null) {
    db.prepare("DELETE FROM placement_photo WHERE placement_id = ?").run(id);
    return id;
  }
  const others = Number(
    db.prepare("SELECT count(*) FROM placement_photo WHERE placement_id <> ?").pluck().get(id),
  );
  if (others >= MOST_PHOTOS) return PHOTO_FAILS.full;
  const digest = createHash("sha256").update(picture.octets).digest("hex").slice(0, 12);
  db.prepare(
    "INSERT OR REPLACE INTO placement_photo (placement_id, type, octets, digest) VALUES (?, ?, ?, ?)",
  ).run(id, picture.type, Buffer.from(picture.octets), digest);
  return id;
}

/** The photo of a placement; null: it has none. */
export function placementPhoto(store: Store, id: number): Picture | null {
  const row = store.prepare("SELECT type, octets FROM placement_photo WHERE placement_id = ?").get(id) as
    | { readonly type: PictureType; readonly octets: Buffer }
    | undefined;
  return row ?? null;
}
