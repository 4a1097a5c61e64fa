/**
 * How does a forgotten gateway or node leave hours whose receptions were removed? They cannot be gathered anew: the frames
 * of the node, or those that the gateway alone had heard, are taken out of the rows as they stand. What a row sums up of
 * frames that others heard too stays as it was gathered.
 */
import type { Store } from "../open.ts";
import { removedToUs } from "../retention.ts";
import { withoutFrames } from "./frame-columns.ts";
import { GATHERED_HOUR_US } from "./gathered.ts";

export interface ForgottenFrames {
  /** Of these lives, row ids. */
  readonly lifeIds: ReadonlySet<number>;
  /** And that this gateway alone had heard, a row id; null: none. */
  readonly gatewayId: number | null;
}

/** Hours gone through in one step: some 10 ms. */
const HOURS_A_STEP = 24;

/** Where the work on a store stands; begun again after a restart, which changes nothing that was done. */
const places = new WeakMap<Store, { readonly of: string; hour: number }>();

/** Goes through some hours. True: through all of them. `of` names what is forgotten. */
export function forgetInRemovedHours(db: Store, of: string, forgotten: ForgottenFrames): boolean {
  let place = places.get(db);
  if (place?.of !== of) {
    place = { of, hour: Number.MIN_SAFE_INTEGER };
    places.set(db, place);
  }
  const rows = db
    .prepare("SELECT hour, columns FROM frame_hour WHERE hour > ? AND hour < ? ORDER BY hour LIMIT ?")
    .all(place.hour, removedToUs(db) / GATHERED_HOUR_US, HOURS_A_STEP) as {
    hour: number;
    columns: Uint8Array;
  }[];
  const write = db.prepare("UPDATE frame_hour SET columns = ? WHERE hour = ?");
  for (const { hour, columns } of rows) {
    const left = withoutFrames(columns, forgotten);
    if (left !== null) write.run(left, hour);
    place.hour = hour;
  }
  if (rows.length === HOURS_A_STEP) return false;
  places.delete(db);
  return true;
}
