/**
 * Where did the accounting of an address stand at some moments of its past? A frame that comes late is accounted from the
 * stored state before it, and a restart goes on from the newest.
 */
import { constants, deflateSync, inflateSync } from "node:zlib";
import type { Statement } from "better-sqlite3";
import type { AddressState } from "../../ledger/life-state.ts";
import type { Store } from "../open.ts";
import { removedToUs } from "../retention.ts";

/** Stored states of one address. Chosen: with twice the distance from one to the next older one, enough for any past. */
const MAX_STATES = 24;

export interface StoredState {
  /** Accounted up to here. */
  readonly frames: number;
  readonly state: AddressState;
}

interface StateRow {
  readonly frames: number;
  readonly state: Buffer;
}

export class AddressStates {
  readonly #db: Store;
  readonly #newest: Statement;
  readonly #before: Statement;
  readonly #all: Statement;
  readonly #store: Statement;
  readonly #remove: Statement;
  readonly #removeAfter: Statement;
  readonly #removeBefore: Statement;

  constructor(db: Store) {
    this.#db = db;
    this.#newest = db.prepare(
      "SELECT frames, state FROM address_state WHERE dev_addr = ? ORDER BY last_at_us DESC LIMIT 1",
    );
    this.#before = db.prepare(
      `SELECT frames, state FROM address_state WHERE dev_addr = ? AND last_at_us < ?
       ORDER BY last_at_us DESC LIMIT 1`,
    );
    this.#all = db.prepare(
      "SELECT last_at_us AS lastAtUs, frames FROM address_state WHERE dev_addr = ? ORDER BY last_at_us",
    );
    this.#store = db.prepare(
      `INSERT OR REPLACE INTO address_state (dev_addr, last_at_us, last_content, frames, state)
       VALUES (?, ?, ?, ?, ?)`,
    );
    this.#remove = db.prepare("DELETE FROM address_state WHERE dev_addr = ? AND last_at_us = ?");
    this.#removeAfter = db.prepare("DELETE FROM address_state WHERE dev_addr = ? AND last_at_us > ?");
    this.#removeBefore = db.prepare("DELETE FROM address_state WHERE dev_addr = ? AND last_at_us < ?");
  }

  /** null: none is stored. */
  newest(devAddr: number): StoredState | null {
    return readState(this.#newest.get(devAddr));
  }

  /** The newest one whose last frame came before a moment; null: none. */
  before(devAddr: number, atUs: number): StoredState | null {
    return readState(this.#before.get(devAddr, atUs));
  }

  /** Stores one that holds a frame; of too many, one goes. */
  store(devAddr: number, stored: StoredState): void {
    this.#write(devAddr, stored);
    const states = this.#all.all(devAddr) as { lastAtUs: number; frames: number }[];
    if (states.length <= MAX_STATES) return;
    // The state that stands for what was removed stays.
    const isHeld = (states[0]?.lastAtUs ?? 0) < removedToUs(this.#db);
    this.#remove.run(devAddr, leastMissed(isHeld ? states.slice(1) : states));
  }

  /** Stores one before which nothing will be accounted again; those before it go. */
  hold(devAddr: number, stored: StoredState): void {
    this.#write(devAddr, stored);
    this.#removeBefore.run(devAddr, stored.state.lastAtUs);
  }

  /** Those whose last frame came after a moment do not hold any more. */
  removeAfter(devAddr: number, atUs: number): void {
    this.#removeAfter.run(devAddr, atUs);
  }

  #write(devAddr: number, { frames, state }: StoredState): void {
    this.#store.run(devAddr, state.lastAtUs, state.lastContent, frames, packed(state));
  }
}

/** The state whose going leaves the smallest hole in proportion to its distance from the newest, so that all distances double. */
function leastMissed(states: readonly { lastAtUs: number; frames: number }[]): number {
  const newest = states.at(-1)?.frames ?? 0;
  let least = { lastAtUs: states[0]?.lastAtUs ?? 0, hole: Number.POSITIVE_INFINITY };
  for (const [index, { lastAtUs }] of states.entries()) {
    const before = states[index - 1]?.frames ?? 0;
    const after = states[index + 1];
    if (after === undefined) break;
    const hole = (after.frames - before) / (newest - before + 1);
    if (hole < least.hole) least = { lastAtUs, hole };
  }
  return least.lastAtUs;
}

function packed(state: AddressState): Buffer {
  return deflateSync(JSON.stringify(state), { level: constants.Z_BEST_SPEED });
}

/** Written by this program version or an older one; a migration clears the table when the form changes. */
function readState(row: unknown): StoredState | null {
  if (row === undefined) return null;
  const { frames, state } = row as StateRow;
  // Before migration 024 it was not packed.
  const text = state[0] === BRACE ? state : inflateSync(state);
  return { frames, state: JSON.parse(text.toString()) as AddressState };
}

/** "{": no head of zlib's begins so (RFC 1950, section 2.2: 0x78 for its usual window). */
const BRACE = 0x7b;
