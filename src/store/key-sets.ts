/**
 * How do sets of keys stand in the store? The rows of `node_key`, the only place where key material is written or read.
 */
import type { NodeKeysEntry } from "../ledger/keys/file.ts";
import type { NumberedKeys } from "../ledger/keys/proof.ts";
import { type Eui, formatDevAddr, parseDevAddr } from "../model/identifiers.ts";
import { KEY_NAMES, type KeyName, type LorawanKeys } from "../wire/lorawan/lorawan-keys.ts";
import type { Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";

/** Keys as the store holds them. `id` names the set where the keys themselves must not be. */
export type HeldKeys = NumberedKeys;

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
const MAX_SETS_OF_ADDRESS = 32;

export interface KeyRow extends Record<KeyName, Uint8Array | null> {
  id: number;
  devAddr: number | null;
  devEui: string | null;
  counterBits: 16 | 32 | null;
  note: string | null;
  origin: "person" | "join";
}

/** Selects rows as KeyRow. */
export const KEY_ROW = `SELECT id, dev_addr AS devAddr, dev_eui AS devEui, counter_bits AS counterBits, note, origin,
  ${KEY_NAMES.map((name) => `${COLUMNS[name]} AS ${name}`).join(", ")} FROM node_key`;

export interface NewSet extends NodeKeysEntry {
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
  // A followed join is found again whenever its time is gone through: nothing new follows from that.
  if (devAddr !== null && (same === undefined || set.origin === "person")) markDue(db, devAddr);
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

/** Addresses for which session keys are held. */
export function addressesWithKeys(db: Store): number[] {
  const sql = "SELECT DISTINCT dev_addr FROM node_key WHERE dev_addr IS NOT NULL";
  return prepared(db, sql).pluck().all() as number[];
}

/** The session keys of an address, the newest first; empty for almost every address. */
export function keysOfAddress(db: Store, devAddr: number): HeldKeys[] {
  const sql = `${KEY_ROW} WHERE dev_addr = ? ORDER BY id DESC LIMIT ${MAX_SETS_OF_ADDRESS}`;
  return (prepared(db, sql).all(devAddr) as KeyRow[]).map(heldKeysOf);
}

/** Root and session keys of a device, the newest first. */
export function keysOfDevice(db: Store, devEui: Eui): HeldKeys[] {
  return (prepared(db, `${KEY_ROW} WHERE dev_eui = ? ORDER BY id DESC`).all(devEui) as KeyRow[]).map(
    heldKeysOf,
  );
}

/** One set, for reading a frame that it proved; null when it has been removed. */
export function keysById(db: Store, id: number): HeldKeys | null {
  const row = prepared(db, `${KEY_ROW} WHERE id = ?`).get(id) as KeyRow | undefined;
  return row === undefined ? null : heldKeysOf(row);
}

export function heldKeysOf(row: KeyRow): HeldKeys {
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

/** The past of an address is to be accounted anew. Of one that was never heard there is nothing to account. */
export function markDue(db: Store, devAddr: number): void {
  prepared(
    db,
    `INSERT OR REPLACE INTO account_due (dev_addr, from_us)
     SELECT dev_addr, ${Number.MIN_SAFE_INTEGER} FROM frame WHERE dev_addr = ? LIMIT 1`,
  ).run(devAddr);
}

function blobOf(octets: Uint8Array | undefined): Buffer | null {
  return octets === undefined ? null : Buffer.from(octets);
}
