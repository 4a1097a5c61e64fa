/**
 * In which counter life is a frame, and what does that do to the life's record? Keeps the accounting state of
 * the addresses heard of late in memory, the `life` rows and the `node_minute` roll-up; accounts a whole
 * address anew when a frame came out of order.
 */
import type { Assignment, CountedFrame } from "../../ledger/counters.ts";
import { accountWithKeys, type KeyedAssignment, type Surroundings } from "../../ledger/keyed-counters.ts";
import { type Proof, proveSender } from "../../ledger/keyed-proof.ts";
import { type AddressState, type LifeState, newAddressState } from "../../ledger/life-state.ts";
import { minuteOf } from "../../model/window.ts";
import { decodePhyPayload } from "../../wire/lorawan/phy-payload.ts";
import { addressesWithKeys, type HeldKeys, keysOfAddress } from "../key-sets.ts";
import type { Store } from "../open.ts";
import { type AccountStatements, accountStatements } from "./account-statements.ts";

/** Addresses whose state stays in memory; the longest unheard leave first. A stranger can invent any number. */
const MOST_ADDRESSES = 20_000;
/** Frames after which an address's state is stored, so that a restart reads at most these again. */
const STORE_EVERY_FRAMES = 256;

interface AddressEntry {
  readonly state: AddressState;
  /** Sets of keys that may prove frames of this address; empty for almost every one. */
  readonly keys: readonly HeldKeys[];
  readonly lifeIds: Map<number, number>;
  framesSinceStored: number;
}

/** A frame that is to be accounted for. */
export interface FrameToAccount extends CountedFrame {
  readonly airtimeUs: number;
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  /** Looked at only where there are keys for the address. */
  readonly payload: Uint8Array | null;
}

interface StoredFrame extends FrameToAccount {
  gatewayId: number | null;
  rssiTenths: number | null;
  id: number;
  receptions: number;
  lifeId: number | null;
  replay: number;
}

interface MinuteDelta {
  lifeId: number;
  minute: number;
  frames: number;
  repeats: number;
  receptions: number;
  airtimeUs: number;
}

/** Where an accounted frame belongs; null: its address is to be accounted anew first. */
export interface Account {
  readonly lifeId: number;
  readonly counter: number;
  readonly repeat: boolean;
  /** 1 valid, 0 fits no key at hand, null: no key could say. */
  readonly micVerdict: 0 | 1 | null;
  /** The set of keys that proved it. */
  readonly keyId: number | null;
  readonly replay: boolean;
}

export class AccountBook {
  readonly #entries = new Map<number, AddressEntry>();
  readonly #replaysAtUs: number[] = [];
  readonly #minutes = new Map<string, MinuteDelta>();
  readonly #due = new Set<number>();
  readonly #keyed = new Set<number>();
  readonly #db: Store;
  readonly #sql: AccountStatements;

  constructor(db: Store) {
    this.#db = db;
    this.#sql = accountStatements(db);
    this.#loadDue();
  }

  /** Replays that the newest accounting found, by time; asked for once. */
  takeReplays(): number[] {
    return this.#replaysAtUs.splice(0);
  }

  /** Accounts for a new frame at the end of its address's past; null when it lies before that end. */
  account(devAddr: number, frame: FrameToAccount): Account | null {
    if (this.#due.has(devAddr)) return null;
    const entry = this.#entry(devAddr);
    if (isBefore(frame, entry.state)) {
      this.markDue(devAddr);
      return null;
    }
    const assignment = this.#assign(entry, frame);
    const lifeId = this.#writeLives(devAddr, entry, assignment);
    const { airtimeUs } = frame;
    const repeats = assignment.repeat ? 1 : 0;
    this.#addMinute(lifeId, frame.atUs, { frames: 1, repeats, receptions: 1, airtimeUs });
    if (assignment.replay) this.#replaysAtUs.push(frame.atUs);
    entry.framesSinceStored += 1;
    if (entry.framesSinceStored >= STORE_EVERY_FRAMES) this.#storeState(devAddr, entry);
    return accountOf(lifeId, assignment);
  }

  /** One more gateway or antenna heard a frame that is accounted already. */
  addReception(lifeId: number, frameAtUs: number): void {
    this.#addMinute(lifeId, frameAtUs, { frames: 0, repeats: 0, receptions: 1, airtimeUs: 0 });
  }

  markDue(devAddr: number): void {
    this.#due.add(devAddr);
    this.#sql.markDue.run(devAddr);
  }

  /** Accounts anew for every address that is due; their numbers. */
  settle(): number[] {
    const settled = [...this.#due];
    // What this transaction gathered for these lives is in the frames already: written first, it is replaced.
    if (settled.length > 0) this.#flushMinutes();
    for (const devAddr of settled) this.#accountAnew(devAddr);
    this.#due.clear();
    return settled;
  }

  flush(): void {
    this.#flushMinutes();
    for (const devAddr of this.#entries.keys()) {
      if (this.#entries.size <= MOST_ADDRESSES) break;
      this.#storeState(devAddr, this.#entries.get(devAddr));
      this.#entries.delete(devAddr);
    }
  }

  /** Stores every address's state; at a clean end. */
  storeAll(): void {
    for (const [devAddr, entry] of this.#entries) {
      if (entry.framesSinceStored > 0) this.#storeState(devAddr, entry);
    }
  }

  /** Drops what memory holds: another connection wrote, or a transaction failed. */
  forget(): void {
    this.#entries.clear();
    this.#minutes.clear();
    this.#replaysAtUs.length = 0;
    this.#due.clear();
    this.#loadDue();
  }

  /** Keys were handed in or taken away: their addresses are due. */
  forgetKeys(): void {
    this.#loadDue();
  }

  readonly #around: Surroundings = {
    joinsHeard: (fromUs, toUs) => (this.#sql.join.get(fromUs, toUs) as string | undefined) ?? null,
    provedBefore: (session, content, beforeUs) =>
      this.#sql.provedBefore.get(session, content, beforeUs) !== undefined,
  };

  #loadDue(): void {
    for (const devAddr of this.#sql.due.all() as number[]) this.#due.add(devAddr);
    this.#keyed.clear();
    for (const devAddr of addressesWithKeys(this.#db)) this.#keyed.add(devAddr);
  }

  #keysOf(devAddr: number): readonly HeldKeys[] {
    return this.#keyed.has(devAddr) ? keysOfAddress(this.#db, devAddr) : NO_KEYS;
  }

  #framesFrom(devAddr: number, fromUs: number): StoredFrame[] {
    const frames = this.#keyed.has(devAddr) ? this.#sql.framesWithPayload : this.#sql.framesFrom;
    return (frames.all(devAddr, fromUs) as StoredFrame[]).map((frame) => {
      const { dataRate, gatewayId, rssiTenths } = frame;
      return { ...frame, radio: gatewayId === null ? undefined : { dataRate, gatewayId, rssiTenths } };
    });
  }

  #assign({ state, keys }: AddressEntry, frame: FrameToAccount): KeyedAssignment {
    return accountWithKeys(state, frame, proofOf(state, keys, frame), this.#around);
  }

  #entry(devAddr: number): AddressEntry {
    const known = this.#entries.get(devAddr);
    if (known !== undefined) {
      // Re-inserted: the map's order is the order of last use.
      this.#entries.delete(devAddr);
      this.#entries.set(devAddr, known);
      return known;
    }
    const stored = this.#sql.state.get(devAddr) as string | undefined;
    const state = stored === undefined ? newAddressState() : readState(stored);
    const after = this.#framesFrom(devAddr, finite(state.lastAtUs)).filter(
      (frame) => !isBefore(frame, state),
    );
    const lifeIds = new Map(
      (this.#sql.lives.all(devAddr) as { number: number; id: number }[]).map((row) => [row.number, row.id]),
    );
    const keys = this.#keysOf(devAddr);
    const entry: AddressEntry = { state, keys, lifeIds, framesSinceStored: after.length };
    for (const frame of after) this.#assign(entry, frame);
    this.#entries.set(devAddr, entry);
    return entry;
  }

  #accountAnew(devAddr: number): void {
    this.#sql.removeMinutes.run(devAddr);
    this.#sql.removeLives.run(devAddr);
    this.#sql.removeState.run(devAddr);
    this.#entries.delete(devAddr);
    const entry: AddressEntry = {
      state: newAddressState(),
      keys: this.#keysOf(devAddr),
      lifeIds: new Map(),
      framesSinceStored: 0,
    };
    for (const frame of this.#framesFrom(devAddr, finite(Number.NEGATIVE_INFINITY))) {
      const assignment = this.#assign(entry, frame);
      const account = accountOf(this.#writeLives(devAddr, entry, assignment), assignment);
      const { lifeId, counter, micVerdict, keyId } = account;
      const repeats = account.repeat ? 1 : 0;
      const replay = account.replay ? 1 : 0;
      this.#sql.setAccount.run(lifeId, counter, repeats, micVerdict, keyId, replay, frame.id);
      // A replay that was found before has been told.
      if (account.replay && frame.replay === 0) this.#replaysAtUs.push(frame.atUs);
      const { receptions, airtimeUs } = frame;
      this.#addMinute(lifeId, frame.atUs, { frames: 1, repeats, receptions, airtimeUs });
    }
    this.#entries.set(devAddr, entry);
    this.#storeState(devAddr, entry);
    this.#sql.unmarkDue.run(devAddr);
  }

  /** Writes the lives that changed; the row id of the frame's own. */
  #writeLives(devAddr: number, entry: AddressEntry, assignment: Assignment): number {
    for (const life of assignment.changed) {
      const id = entry.lifeIds.get(life.number);
      if (id === undefined) entry.lifeIds.set(life.number, this.#insertLife(devAddr, life));
      else this.#updateLife(id, life);
    }
    const id = entry.lifeIds.get(assignment.life.number);
    if (id === undefined) throw new Error(`Life ${assignment.life.number} has no row: the ledger is broken.`);
    return id;
  }

  #insertLife(devAddr: number, life: LifeState): number {
    const { number, begunBy, reason, firstAtUs, lastAtUs, firstCounter, lastCounter, heard } = life;
    const { devEui = null, session = null, proof = null } = life;
    const result = this.#sql.insertLife.run(
      devAddr,
      number,
      begunBy,
      reason,
      firstAtUs,
      lastAtUs,
      firstCounter,
      lastCounter,
      heard,
      devEui,
      session,
      proof,
    );
    return Number(result.lastInsertRowid);
  }

  #updateLife(id: number, life: LifeState): void {
    const { begunBy, reason, lastAtUs, firstCounter, lastCounter, heard } = life;
    const { devEui = null, session = null, proof = null } = life;
    const figures = [begunBy, reason, lastAtUs, firstCounter, lastCounter, heard];
    this.#sql.updateLife.run(...figures, devEui, session, proof, id);
  }

  #addMinute(lifeId: number, atUs: number, more: Omit<MinuteDelta, "lifeId" | "minute">): void {
    const minute = minuteOf(atUs);
    const key = `${lifeId}/${minute}`;
    let cell = this.#minutes.get(key);
    if (cell === undefined) {
      cell = { lifeId, minute, frames: 0, repeats: 0, receptions: 0, airtimeUs: 0 };
      this.#minutes.set(key, cell);
    }
    cell.frames += more.frames;
    cell.repeats += more.repeats;
    cell.receptions += more.receptions;
    cell.airtimeUs += more.airtimeUs;
  }

  #flushMinutes(): void {
    for (const cell of this.#minutes.values()) {
      this.#sql.addMinute.run(
        cell.lifeId,
        cell.minute,
        cell.frames,
        cell.repeats,
        cell.receptions,
        cell.airtimeUs,
      );
    }
    this.#minutes.clear();
  }

  #storeState(devAddr: number, entry: AddressEntry | undefined): void {
    if (entry === undefined || !Number.isFinite(entry.state.lastAtUs)) return;
    this.#sql.storeState.run(devAddr, entry.state.lastAtUs, JSON.stringify(entry.state));
    entry.framesSinceStored = 0;
  }
}

const NO_KEYS: readonly HeldKeys[] = [];

function proofOf(state: AddressState, keys: readonly HeldKeys[], frame: FrameToAccount): Proof {
  if (keys.length === 0 || frame.payload === null) return { kind: "unknown" };
  const decoded = decodePhyPayload(frame.payload);
  if (!decoded.ok || !("fCtrl" in decoded.value)) return { kind: "unknown" };
  return proveSender(state, frame.payload, decoded.value, keys, `${frame.frequencyHz}/${frame.dataRate}`);
}

function accountOf(lifeId: number, { counter, repeat, micValid, session, replay }: KeyedAssignment): Account {
  const micVerdict = micValid === null ? null : micValid ? 1 : 0;
  return { lifeId, counter, repeat, micVerdict, keyId: session, replay };
}

/** Frames are accounted in the order of (time, content): does this one lie before the end? */
function isBefore(frame: CountedFrame, state: AddressState): boolean {
  return frame.atUs < state.lastAtUs || (frame.atUs === state.lastAtUs && frame.content <= state.lastContent);
}

function readState(text: string): AddressState {
  // Written by #storeState of this program version or an older one; a migration clears the table when the form changes.
  return JSON.parse(text) as AddressState;
}

function finite(atUs: number): number {
  return Number.isFinite(atUs) ? atUs : Number.MIN_SAFE_INTEGER;
}
