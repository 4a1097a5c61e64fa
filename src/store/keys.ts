/**
 * Which keys of one's own nodes does this machine hold? Takes them in, lists them by name and never by value, and
 * forgets them.
 */
import type { NodeKeysEntry } from "../ledger/keys/file.ts";
import { KeyRing } from "../ledger/keys/joins.ts";
import { type DevAddr, type Eui, formatDevAddr, parseDevAddr } from "../model/identifiers.ts";
import { KEY_NAMES, type KeyName } from "../wire/lorawan/lorawan-keys.ts";
import { followJoins } from "./joins.ts";
import { addSet, heldKeysOf, KEY_ROW, type KeyRow, markDue } from "./key-sets.ts";
import { restrictToOwner, type Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";

export { keysById, keysOfAddress } from "./key-sets.ts";

/** What may be shown of a set of keys. */
export interface KeysListed {
  readonly id: number;
  readonly devAddr: DevAddr | null;
  readonly devEui: Eui | null;
  readonly counterBits: 16 | 32 | null;
  readonly note: string | null;
  readonly origin: "person" | "join";
  /** Which keys are held, by the names of a key file. */
  readonly holds: readonly KeyName[];
}

/**
 * Adds what a key file said, follows the joins that it opens, and marks the past of the addresses concerned as to be
 * accounted anew. A set that is held
 * already only gets its note and counter width. Returns how many sets were new.
 */
export function addKeys(db: Store, entries: readonly NodeKeysEntry[]): number {
  restrictToOwner(db);
  let added = 0;
  for (const entry of entries) {
    if (addSet(db, { ...entry, origin: "person", joinedAtUs: null }).isNew) added += 1;
  }
  followJoins(db, Number.MIN_SAFE_INTEGER, Number.MAX_SAFE_INTEGER);
  return added;
}

/** Every set that is held, without its keys, in order of address and device. */
export function listKeys(db: Store): KeysListed[] {
  const rows = prepared(db, `${KEY_ROW} ORDER BY dev_addr, dev_eui, id`).all() as KeyRow[];
  return rows.map((row) => ({
    id: row.id,
    devAddr: row.devAddr === null ? null : formatDevAddr(row.devAddr),
    devEui: row.devEui,
    counterBits: row.counterBits,
    note: row.note,
    origin: row.origin,
    holds: KEY_NAMES.filter((name) => row[name] !== null),
  }));
}

/**
 * Removes the sets of an address or of a device, sessions derived from its joins included; how many. The past of the
 * addresses concerned becomes due. The octets are overwritten in the file, not only unlinked.
 */
export function removeKeys(db: Store, of: { devAddr: DevAddr } | { devEui: Eui }): number {
  db.pragma("secure_delete = ON");
  const [where, value] =
    "devAddr" in of ? ["dev_addr = ?", parseDevAddr(of.devAddr)] : ["dev_eui = ?", of.devEui];
  const addresses = prepared(
    db,
    `SELECT DISTINCT dev_addr FROM node_key WHERE ${where} AND dev_addr IS NOT NULL`,
  ).pluck();
  for (const devAddr of addresses.all(value) as number[]) markDue(db, devAddr);
  return prepared(db, `DELETE FROM node_key WHERE ${where}`).run(value).changes;
}

/** All keys, for the ledger. */
export function loadKeyRing(db: Store): KeyRing {
  return new KeyRing((prepared(db, `${KEY_ROW} ORDER BY id`).all() as KeyRow[]).map(heldKeysOf));
}
