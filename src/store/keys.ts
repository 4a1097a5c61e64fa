/**
 * Which keys of your own nodes does this machine hold? Takes them in, those of followed joins too, lists them by name and
 * never by value, and forgets them: the rows of `node_key`, the only place where key material is written or read.
 */
import type { NodeKeysEntry } from "../ledger/keys/file.ts";
import { followJoin, joinWindow } from "../ledger/keys/joins.ts";
import type { NumberedKeys } from "../ledger/keys/proof.ts";
import { type DevAddr, type Eui, formatDevAddr, parseDevAddr } from "../model/identifiers.ts";
import { KEY_NAMES, type KeyName, type LorawanKeys } from "../wire/lorawan/lorawan-keys.ts";
import { restrictToOwner, type Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";

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
 * accounted anew. A set that is held already only gets its note and counter width. Returns how many sets were new.
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
export function keysOfAddress(db: Store, devAddr: number): NumberedKeys[] {
  const sql = `${KEY_ROW} WHERE dev_addr = ? ORDER BY id DESC LIMIT ${MAX_SETS_OF_ADDRESS}`;
  return (prepared(db, sql).all(devAddr) as KeyRow[]).map(heldKeysOf);
}

/** Root and session keys of a device, the newest first. */
export function keysOfDevice(db: Store, devEui: Eui): NumberedKeys[] {
  return (prepared(db, `${KEY_ROW} WHERE dev_eui = ? ORDER BY id DESC`).all(devEui) as KeyRow[]).map(
    heldKeysOf,
  );
}

/** One set, for reading a frame that it proved; null when it has been removed. */
export function keysById(db: Store, id: number): NumberedKeys | null {
  const row = prepared(db, `${KEY_ROW} WHERE id = ?`).get(id) as KeyRow | undefined;
  return row === undefined ? null : heldKeysOf(row);
}

export function heldKeysOf(row: KeyRow): NumberedKeys {
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

// Which sessions follow from the joins that were heard? With a device's root keys, its join-request and the join-accept
// that a capture showed give the address and the session keys: they are held like keys that a person handed in, and
// the device is followed across its new address.

/**
 * A server hands out a join-accept before the second receive window: RX2 opens 6 s after the request in every region
 * (LoRaWAN regional parameters, JOIN_ACCEPT_DELAY2). On top, room for two paths.
 */
const ANSWER_WITHIN_US = 8_000_000;
/** The capturing clock may see the request late: its gateway's path is slower than the one back. Chosen. */
const ANSWER_AHEAD_US = 1_000_000;
/** Answers looked at for one request. Chosen: one for each of many gateways; a flood must not cost more. */
const MAX_ANSWERS = 32;

interface Request {
  readonly frameId: number;
  readonly devEui: string;
  readonly atUs: number;
  readonly payload: Uint8Array;
}

interface Answer {
  readonly gatewayId: number;
  readonly atUs: number;
  readonly tmstUs: number | null;
  readonly payload: Uint8Array;
}

/** How far before and after a join-accept or a join-request its counterpart may stand, microseconds. */
export const JOIN_REACH_US = ANSWER_WITHIN_US + ANSWER_AHEAD_US;

/** Follows the joins requested in this time, both ends included. Returns how many new sessions it found. */
export function followJoins(db: Store, fromUs: number, toUs: number): number {
  let found = 0;
  for (const request of requestsToFollow(db, fromUs, toUs)) {
    const answers = answersTo(db, request);
    if (answers.length === 0) continue;
    const sets = keysOfDevice(db, request.devEui).filter(({ origin }) => origin === "person");
    for (const answer of answers) found += followOne(db, request, answer, sets);
  }
  return found;
}

/** Join-requests of devices whose root keys are held. */
function requestsToFollow(db: Store, fromUs: number, toUs: number): Request[] {
  const sql = `SELECT frame.id AS frameId, dev_eui AS devEui, frame.at_us AS atUs,
    (SELECT payload FROM reception WHERE frame_id = frame.id ORDER BY at_us, gateway_id LIMIT 1) AS payload
    FROM frame WHERE at_us BETWEEN ? AND ? AND message_type = 0 AND dev_eui IN (
      SELECT dev_eui FROM node_key WHERE dev_eui IS NOT NULL AND (app_key IS NOT NULL OR nwk_key IS NOT NULL)
    ) ORDER BY at_us`;
  return prepared(db, sql).all(fromUs, toUs) as Request[];
}

/** Join-accepts (MType 1) handed out in time; of those, the ones that a receive window of the request awaits, if any are. */
function answersTo(db: Store, request: Request): Answer[] {
  const sql = `SELECT gateway_id AS gatewayId, at_us AS atUs, tmst_us AS tmstUs, payload FROM downlink
    WHERE at_us BETWEEN ? AND ? AND substr(payload, 1, 1) >= x'20' AND substr(payload, 1, 1) < x'40'
    ORDER BY at_us LIMIT ${MAX_ANSWERS}`;
  const answers = prepared(db, sql).all(
    request.atUs - ANSWER_AHEAD_US,
    request.atUs + ANSWER_WITHIN_US,
  ) as Answer[];
  const awaited = answers.filter((answer) => isAwaited(db, request, answer));
  return awaited.length > 0 ? awaited : answers;
}

/** The gateway's own counter says in which receive window of which request a join-accept is to be sent. */
function isAwaited(db: Store, request: Request, { gatewayId, tmstUs }: Answer): boolean {
  if (tmstUs === null) return false;
  const sql = "SELECT tmst_key FROM reception WHERE frame_id = ? AND gateway_id = ? AND tmst_key >= 0";
  const heardUs = prepared(db, sql).pluck().all(request.frameId, gatewayId) as number[];
  return heardUs.some((one) => joinWindow(one, tmstUs) !== null);
}

function followOne(db: Store, request: Request, answer: Answer, sets: readonly NumberedKeys[]): number {
  const heard = { request: new Uint8Array(request.payload), accept: new Uint8Array(answer.payload) };
  for (const { devEui, keys, counterBits } of sets) {
    const verdict = followJoin(heard, { devAddr: null, devEui, keys, counterBits });
    if (verdict.verdict !== "valid") continue;
    const { session } = verdict;
    const { isNew } = addSet(db, {
      devAddr: session.devAddr,
      devEui: session.devEui,
      keys: session.keys,
      counterBits,
      note: null,
      origin: "join",
      joinedAtUs: answer.atUs,
    });
    return isNew ? 1 : 0;
  }
  return 0;
}
