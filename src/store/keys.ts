/**
 * Which keys of one's own nodes does this machine hold? The only place that reads or writes key material in the
 * store. What it lists names the keys and never shows one.
 */
import type { NodeKeysEntry } from "../ledger/keyed-file.ts";
import type { NumberedKeys } from "../ledger/keyed-proof.ts";
import { KeyRing } from "../ledger/keyed-ring.ts";
import { type DevAddr, type Eui, formatDevAddr, parseDevAddr } from "../model/identifiers.ts";
import { KEY_NAMES, type KeyName, type LorawanKeys } from "../wire/lorawan/lorawan-keys.ts";
import { restrictToOwner, type Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";

/** Keys as the store holds them. `id` names the set where the keys themselves must not be. */
export type HeldKeys = NumberedKeys;

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

const COLUMNS = {
  nwkSKey: "nwk_s_key",
  appSKey: "app_s_key",
  fNwkSIntKey: "f_nwk_s_int_key",
  sNwkSIntKey: "s_nwk_s_int_key",
  nwkSEncKey: "nwk_s_enc_key",
  appKey: "app_key",
  nwkKey: "nwk_key",
  jsIntKey: "js_int_key",
  jsEncKey: "js_enc_key",
} as const satisfies Record<KeyName, string>;
const COLUMN_LIST = KEY_NAMES.map((name) => COLUMNS[name]).join(", ");

/** Sets of one address that are tried. Chosen: bounds what a foreign frame costs to 32 × 16 trials, some 13 ms. */
const MOST_SETS_OF_ADDRESS = 32;

interface KeyRow extends Record<KeyName, Uint8Array | null> {
  id: number;
  devAddr: number | null;
  devEui: string | null;
  counterBits: 16 | 32 | null;
  note: string | null;
  origin: "person" | "join";
}

const ROW = `SELECT id, dev_addr AS devAddr, dev_eui AS devEui, counter_bits AS counterBits, note, origin,
  ${KEY_NAMES.map((name) => `${COLUMNS[name]} AS ${name}`).join(", ")} FROM node_key`;

/**
 * Adds what a key file said and marks the past of the addresses concerned as to be accounted anew. A set that is held
 * already only gets its note and counter width. Returns how many sets were new.
 */
export function addKeys(db: Store, entries: readonly NodeKeysEntry[]): number {
  restrictToOwner(db);
  let added = 0;
  for (const entry of entries) {
    if (addSet(db, { ...entry, origin: "person", joinedAtUs: null }).isNew) added += 1;
  }
  return added;
}

interface NewSet extends NodeKeysEntry {
  readonly origin: "person" | "join";
  readonly joinedAtUs: number | null;
}

/** Adds one set; the session of a followed join comes in this way too. */
export function addSet(db: Store, set: NewSet): { readonly id: number; readonly isNew: boolean } {
  const devAddr = set.devAddr === null ? null : parseDevAddr(set.devAddr);
  const octets = KEY_NAMES.map((name) => blobOf(set.keys[name]));
  const same = prepared(
    db,
    `SELECT id FROM node_key WHERE dev_addr IS ? AND dev_eui IS ?
     ${KEY_NAMES.map((name) => `AND ${COLUMNS[name]} IS ?`).join(" ")}`,
  )
    .pluck()
    .get(devAddr, set.devEui, ...octets) as number | undefined;
  if (devAddr !== null) markDue(db, devAddr);
  if (same !== undefined) {
    prepared(
      db,
      `UPDATE node_key SET note = coalesce(?, note), counter_bits = coalesce(?, counter_bits) WHERE id = ?`,
    ).run(set.note, set.counterBits, same);
    return { id: same, isNew: false };
  }
  const result = prepared(
    db,
    `INSERT INTO node_key (dev_addr, dev_eui, counter_bits, note, origin, joined_at_us, ${COLUMN_LIST})
     VALUES (?, ?, ?, ?, ?, ?, ${KEY_NAMES.map(() => "?").join(", ")})`,
  ).run(devAddr, set.devEui, set.counterBits, set.note, set.origin, set.joinedAtUs, ...octets);
  return { id: Number(result.lastInsertRowid), isNew: true };
}

/** Every set that is held, without its keys, in order of address and device. */
export function listKeys(db: Store): KeysListed[] {
  const rows = prepared(db, `${ROW} ORDER BY dev_addr, dev_eui, id`).all() as KeyRow[];
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
  return new KeyRing((prepared(db, `${ROW} ORDER BY id`).all() as KeyRow[]).map(heldKeysOf));
}

/** Addresses for which session keys are held. */
export function addressesWithKeys(db: Store): number[] {
  const sql = "SELECT DISTINCT dev_addr FROM node_key WHERE dev_addr IS NOT NULL";
  return prepared(db, sql).pluck().all() as number[];
}

/** The session keys of an address, the newest first; empty for almost every address. */
export function keysOfAddress(db: Store, devAddr: number): HeldKeys[] {
  const sql = `${ROW} WHERE dev_addr = ? ORDER BY id DESC LIMIT ${MOST_SETS_OF_ADDRESS}`;
  return (prepared(db, sql).all(devAddr) as KeyRow[]).map(heldKeysOf);
}

/** One set, for reading a frame that it proved; null when it has been removed. */
export function keysById(db: Store, id: number): HeldKeys | null {
  const row = prepared(db, `${ROW} WHERE id = ?`).get(id) as KeyRow | undefined;
  return row === undefined ? null : heldKeysOf(row);
}

function heldKeysOf(row: KeyRow): HeldKeys {
  const keys: Partial<Record<KeyName, Uint8Array>> = {};
  for (const name of KEY_NAMES) {
    const octets = row[name];
    if (octets !== null) keys[name] = new Uint8Array(octets);
  }
  return {
    id: row.id,
    devAddr: row.devAddr === null ? null : formatDevAddr(row.devAddr),
    devEui: row.devEui,
    counterBits: row.counterBits,
    keys: keys satisfies LorawanKeys,
    origin: row.origin,
  };
}

/** Of an address that was never heard there is nothing to account. */
function markDue(db: Store, devAddr: number): void {
  prepared(
    db,
    `INSERT OR IGNORE INTO account_due (dev_addr)
     SELECT dev_addr FROM frame WHERE dev_addr = ? LIMIT 1`,
  ).run(devAddr);
}

function blobOf(octets: Uint8Array | undefined): Buffer | null {
  return octets === undefined ? null : Buffer.from(octets);
}
