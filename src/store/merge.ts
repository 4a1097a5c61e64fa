/**
 * What of another store is taken over as it is: what people wrote, when it recorded, which captures it read, how long
 * acknowledgements took. Its datagrams go through the recorder (src/intake/store-merge.ts). Taking it over twice changes
 * nothing. Where both stores say something of one thing, this store's word stays, and the thing is named.
 */
import { addSet, followJoins, heldKeysOf, KEY_ROW, type KeyRow } from "./keys.ts";
import { restrictToOwner, type Store } from "./open.ts";
import { changePlacements, placementPhoto, placements, writePlacementPhoto } from "./placements.ts";
import { labels } from "./queries/lives.ts";
import type { AdoptedRange } from "./recorder/recorded-time-writer.ts";
import { removedToUs } from "./retention.ts";
import { benchRecords, writeBenchRecord } from "./settings.ts";
import { changeMarks, type NewMark, positions, writeLabel, writePosition } from "./user-data.ts";

export interface MergedWords {
  readonly names: number;
  readonly marks: number;
  readonly placements: number;
  readonly positions: number;
  /** Gateways with a serial number or a signing off. */
  readonly benchRecords: number;
  /** What both stores say differently, and this one's word stays: "the name of 01A2B3C4". */
  readonly differing: readonly string[];
}

/** Takes over what people wrote. */
export function mergeWords(db: Store, other: Store): MergedWords {
  const differing: string[] = [];
  const names = mergeLabels(db, other, differing);
  const marks = mergeMarks(db, other);
  const placed = mergePlacements(db, other, differing);
  const own = new Map(positions(db).map((one) => [`${one.kind} ${one.id}`, JSON.stringify(one)]));
  let stands = 0;
  for (const one of positions(other)) {
    const before = own.get(`${one.kind} ${one.id}`);
    if (before === undefined) {
      const { kind, id, ...position } = one;
      writePosition(db, { kind, id, position });
      stands += 1;
    } else if (before !== JSON.stringify(one)) differing.push(`the position of ${one.id}`);
  }
  const benched = mergeBenchRecords(db, other, differing);
  return { names, marks, placements: placed, positions: stands, benchRecords: benched, differing };
}

function mergeLabels(db: Store, other: Store, differing: string[]): number {
  let added = 0;
  for (const kind of ["gateway", "node"] as const) {
    const own = labels(db, kind);
    for (const { id, name, own: isOwn, site } of labels(other, kind).values()) {
      const before = own.get(id);
      if (name !== null && before?.name != null && before.name !== name) differing.push(`the name of ${id}`);
      if (site !== null && before?.site != null && before.site !== site) differing.push(`the site of ${id}`);
      const newSite = before?.site == null && site !== null;
      const newName = before?.name == null && name !== null;
      const newOwn = before?.own == null && isOwn !== null;
      if (!newName && !newOwn && !newSite) continue;
      added += 1;
      writeLabel(db, {
        kind,
        id,
        ...(newName ? { name } : {}),
        ...(newOwn ? { own: isOwn === 1 } : {}),
        ...(newSite ? { site } : {}),
      });
    }
  }
  return added;
}

function mergeBenchRecords(db: Store, other: Store, differing: string[]): number {
  let added = 0;
  const own = benchRecords(db);
  for (const { eui, serial, signedOffUs } of benchRecords(other).values()) {
    const before = own.get(eui);
    if (serial !== null && before?.serial != null && before.serial !== serial)
      differing.push(`the serial number of ${eui}`);
    if (signedOffUs !== null && before?.signedOffUs != null && before.signedOffUs !== signedOffUs)
      differing.push(`the signing off of ${eui}`);
    const newSerial = before?.serial == null && serial !== null;
    const newSigning = before?.signedOffUs == null && signedOffUs !== null;
    if (!newSerial && !newSigning) continue;
    const change = { eui, ...(newSerial ? { serial } : {}), ...(newSigning ? { signedOffUs } : {}) };
    if (writeBenchRecord(db, change).ok) added += 1;
  }
  return added;
}

const MARK = `SELECT at_us AS atUs, until_us AS untilUs, kind, text, gateway_eui AS gatewayEui, dev_addr AS devAddr,
  latitude, longitude, east_metres AS eastMetres, north_metres AS northMetres FROM mark ORDER BY at_us, id`;

function mergeMarks(db: Store, other: Store): number {
  const own = new Set(
    db
      .prepare(MARK)
      .raw()
      .all()
      .map((row) => JSON.stringify(row)),
  );
  let added = 0;
  for (const mark of other.prepare(MARK).all() as NewMark[]) {
    if (own.has(JSON.stringify(Object.values(mark)))) continue;
    if (changeMarks(db, { kind: "add", mark }).ok) added += 1;
  }
  return added;
}

function mergePlacements(db: Store, other: Store, differing: string[]): number {
  const key = (one: { gatewayEui: string; antenna: number | null; fromUs: number }) =>
    `${one.gatewayEui} ${one.antenna} ${one.fromUs}`;
  const own = new Map(placements(db).map((one) => [key(one), one]));
  let added = 0;
  for (const { id, toUs: _, photoDigest, ...placement } of placements(other)) {
    const before = own.get(key(placement));
    let ownId = before?.id;
    if (before === undefined) {
      const outcome = changePlacements(db, { kind: "add", placement });
      if (!outcome.ok) {
        differing.push(`the placement "${placement.name}"`);
        continue;
      }
      ownId = outcome.result;
      added += 1;
    } else if (before.name !== placement.name) differing.push(`the placement "${placement.name}"`);
    const isNewPhoto = photoDigest !== null && (before?.photoDigest ?? null) === null;
    if (isNewPhoto && ownId !== undefined) writePlacementPhoto(db, ownId, placementPhoto(other, id));
  }
  return added;
}

/** Takes over the keys; returns how many sets were new. */
export function mergeKeys(db: Store, other: Store): number {
  restrictToOwner(db);
  let added = 0;
  const rows = other.prepare(`${KEY_ROW} ORDER BY id`).all() as KeyRow[];
  for (const row of rows) {
    if (row.origin !== "person") continue;
    const { devAddr, devEui, counterBits, keys } = heldKeysOf(row);
    const set = {
      devAddr,
      devEui,
      counterBits,
      keys,
      note: row.note,
      origin: "person",
      joinedAtUs: null,
    } as const;
    if (addSet(db, set).isNew) added += 1;
  }
  followJoins(db, Number.MIN_SAFE_INTEGER, Number.MAX_SAFE_INTEGER);
  return added;
}

/** Captures that the other store read to their end: reading one here as well changes nothing. By row id there, the id here. */
function mergeCaptures(db: Store, other: Store): ReadonlyMap<number, number> {
  const columns =
    "name, digest, size, state, started_at_us, finished_at_us, from_us, to_us, datagrams, receptions, known_already, refused, trouble, answers";
  const known = db.prepare("SELECT id FROM capture WHERE digest = ? AND state = 'done'").pluck();
  const insert = db.prepare(
    `INSERT INTO capture (${columns}) VALUES (${columns
      .split(", ")
      .map((name) => `@${name}`)
      .join(", ")})`,
  );
  const ids = new Map<number, number>();
  const rows = other.prepare(`SELECT id, ${columns} FROM capture WHERE state = 'done' ORDER BY id`).all() as {
    id: number;
    digest: string;
  }[];
  for (const { id, ...row } of rows) {
    const here = known.get(row.digest) as number | undefined;
    ids.set(id, here ?? Number(insert.run(row).lastInsertRowid));
  }
  return ids;
}

/** When the other store recorded, with row ids of this one; its captures are taken over with it. */
export function recordedRanges(db: Store, other: Store): AdoptedRange[] {
  const captures = mergeCaptures(db, other);
  const gateways = gatewayIds(db, other);
  // Of what was removed there nothing comes: here it counts as not recorded.
  const fromUs = removedToUs(other);
  const rows = other
    .prepare(
      `SELECT id, source, capture_id AS captureId, max(from_us, @fromUs) AS fromUs, to_us AS toUs, datagrams,
         begun_by AS begunBy
       FROM recorded_range WHERE to_us >= @fromUs ORDER BY from_us, id`,
    )
    .all({ fromUs }) as (Omit<AdoptedRange, "gatewayIds"> & { id: number })[];
  const heard = other.prepare("SELECT gateway_id FROM recorded_gateway WHERE range_id = ?").pluck();
  // A service records a gateway from the range on in which it first heard it.
  const ofService = new Set<number>();
  return rows.map(({ id, captureId, ...range }) => {
    const own = (heard.all(id) as number[]).flatMap((there) => gateways.get(there) ?? []);
    if (range.source === "service") for (const gatewayId of own) ofService.add(gatewayId);
    return {
      ...range,
      captureId: captureId === null ? null : (captures.get(captureId) ?? null),
      gatewayIds: range.source === "service" ? [...ofService] : own,
    };
  });
}

/** Row ids of this store's gateways by those of the other's. */
function gatewayIds(db: Store, other: Store): ReadonlyMap<number, number> {
  const here = db.prepare("SELECT id FROM gateway WHERE eui = ?").pluck();
  const rows = other.prepare("SELECT id, eui FROM gateway").all() as { id: number; eui: string }[];
  return new Map(
    rows.flatMap(({ id, eui }): [number, number][] => {
      const own = here.get(eui) as number | undefined;
      return own === undefined ? [] : [[id, own]];
    }),
  );
}

/**
 * Takes over the counts of acknowledgements. Of a minute that both stores counted, the larger count stays: both saw the
 * same datagrams there, or each a part.
 */
export function mergeRoundTrips(db: Store, other: Store): void {
  const gateways = gatewayIds(db, other);
  const put = db.prepare(
    `INSERT INTO round_trip_minute (gateway_id, minute, kind, class, count) VALUES (?, ?, ?, ?, ?)
     ON CONFLICT DO UPDATE SET count = max(count, excluded.count)`,
  );
  const page = other.prepare(
    `SELECT gateway_id, minute, kind, class, count FROM round_trip_minute
     WHERE (gateway_id, minute, kind, class) > (?, ?, ?, ?) ORDER BY gateway_id, minute, kind, class LIMIT 5000`,
  );
  let last = [-1, 0, 0, 0];
  for (;;) {
    const rows = page.raw().all(...last) as [number, number, number, number, number][];
    for (const [there, ...rest] of rows) {
      const here = gateways.get(there);
      if (here !== undefined) put.run(here, ...rest);
    }
    const end = rows.at(-1);
    if (end === undefined) return;
    last = end.slice(0, 4);
  }
}
