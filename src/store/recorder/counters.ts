/**
 * In which counter life is a frame, and what does that do to the life's record? Keeps the accounting state of
 * the addresses heard of late in memory, and the `life` rows. A frame that comes out of order is accounted with what
 * lies behind it, from the stored state before it; where much lies behind, in bounded steps.
 */
import type { Assignment, CountedFrame, JoinHeard } from "../../ledger/counters.ts";
import { accountWithKeys, type KeyedAssignment, type Surroundings } from "../../ledger/keys/counters.ts";
import { type NumberedKeys, type Proof, proveSender } from "../../ledger/keys/proof.ts";
import { type AddressState, type LifeState, newAddressState } from "../../ledger/life-state.ts";
import { decodePhyPayload } from "../../wire/lorawan/phy-payload.ts";
import { addressesWithKeys, keysOfAddress } from "../keys.ts";
import type { Store } from "../open.ts";
import { removedToUs } from "../retention.ts";
import { AddressStates, type StoredState } from "./address-states.ts";
import { type AccountStatements, accountStatements } from "./counter-statements.ts";

/** Addresses whose state stays in memory; the longest unheard leave first. A stranger can invent any number. */
const MAX_ADDRESSES = 20_000;
/** Frames after which an address's state is stored, so that a restart reads at most these again. */
const STORE_EVERY_FRAMES = 256;
/** Frames accounted again within the transaction that brought a late one: some 5 ms. More waits for `recountSome`. */
const MAX_FRAMES_AT_ONCE = 128;
/** A frame of an address with keys takes as long as so many others: its MIC is computed with each. Measured. */
const KEYED_COST = 8;
/** Of those at once, half as many as without keys: some 25 ms, so that a new session's first frames are shown at once. Chosen. */
const KEYED_COST_AT_ONCE = 2;
const FIRST_US = Number.MIN_SAFE_INTEGER;

interface AddressEntry {
  readonly state: AddressState;
  /** Sets of keys that may prove frames of this address; empty for almost every one. */
  readonly keys: readonly NumberedKeys[];
  readonly lifeIds: Map<number, number>;
  /** Accounted so far. */
  frames: number;
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
  lifeId: number | null;
  replay: number;
}

/** Frames of an address were accounted again; those before the moment are as they were. */
export interface Recounted {
  readonly devAddr: number;
  readonly fromUs: number;
}

export interface RecountStep {
  readonly recounted: readonly Recounted[];
  /** Of them, the addresses that are done. */
  readonly settled: readonly number[];
  /** Others are due still. */
  readonly isMore: boolean;
}

/** Where an accounted frame belongs; null: its address is to be accounted again first. */
export interface Account {
  readonly lifeId: number;
  readonly counter: number;
  readonly repeat: boolean;
  /** 1 valid, 0 fits no key available, null: no key could say. */
  readonly micVerdict: 0 | 1 | null;
  /** The set of keys that proved it. */
  readonly keyId: number | null;
  readonly replay: boolean;
}

export class CounterAssigner {
  readonly #entries = new Map<number, AddressEntry>();
  readonly #replaysAtUs: number[] = [];
  /** From when on the frames of an address are to be accounted again. */
  readonly #due = new Map<number, number>();
  /** Of them, those with more to do than a transaction that brings traffic has time for. */
  readonly #long = new Set<number>();
  readonly #keyed = new Set<number>();
  readonly #db: Store;
  readonly #sql: AccountStatements;
  readonly #states: AddressStates;

  constructor(db: Store) {
    this.#db = db;
    this.#sql = accountStatements(db);
    this.#states = new AddressStates(db);
    this.#loadDue();
  }

  /** Replays that the newest accounting found, by time; asked for once. */
  takeReplays(): number[] {
    return this.#replaysAtUs.splice(0);
  }

  /** Accounts for a new frame at the end of its address's past; null when it lies before that end. */
  account(devAddr: number, frame: FrameToAccount): Account | null {
    const dueFromUs = this.#due.get(devAddr);
    if (dueFromUs !== undefined) {
      if (frame.atUs < dueFromUs) this.markDue(devAddr, frame.atUs);
      return null;
    }
    const entry = this.#entry(devAddr);
    if (isBefore(frame, entry.state)) {
      this.markDue(devAddr, frame.atUs);
      return null;
    }
    const assignment = this.#assign(entry, frame);
    const lifeId = this.#writeLives(devAddr, entry, assignment);
    if (assignment.replay) this.#replaysAtUs.push(frame.atUs);
    if (entry.framesSinceStored >= STORE_EVERY_FRAMES) this.#storeState(devAddr, entry);
    return accountOf(lifeId, assignment);
  }

  /** Frames of an address from this moment on are to be accounted again. */
  markDue(devAddr: number, fromUs: number): void {
    const earliestUs = Math.min(fromUs, this.#due.get(devAddr) ?? fromUs);
    this.#due.set(devAddr, earliestUs);
    this.#sql.markDue.run(devAddr, finite(fromUs));
  }

  /** Accounts again for every address that is due, to the end. */
  settle(): Recounted[] {
    const settled = [...this.#due].map(([devAddr, fromUs]) => ({ devAddr, fromUs }));
    for (const { devAddr } of settled) this.#recount(devAddr, Number.MAX_SAFE_INTEGER);
    return settled;
  }

  /** Accounts again where it takes a few milliseconds in all; the addresses that are done. */
  settleQuick(): Recounted[] {
    const settled: Recounted[] = [];
    let left = MAX_FRAMES_AT_ONCE;
    for (const [devAddr, fromUs] of [...this.#due]) {
      if (left <= 0) break;
      if (this.#long.has(devAddr)) continue;
      const cost = this.#keyed.has(devAddr) ? KEYED_COST_AT_ONCE : 1;
      const count = this.#recount(devAddr, Math.floor(MAX_FRAMES_AT_ONCE / cost), true);
      left -= Math.max(1, count * cost);
      if (this.#due.has(devAddr)) this.#long.add(devAddr);
      else settled.push({ devAddr, fromUs });
    }
    return settled;
  }

  /** Accounts again for some frames, fewer where keys are asked. */
  recountSome(maxFrames: number): RecountStep {
    const recounted: Recounted[] = [];
    const settled: number[] = [];
    let left = maxFrames;
    for (const [devAddr, fromUs] of [...this.#due]) {
      if (left <= 0) break;
      const cost = this.#keyed.has(devAddr) ? KEYED_COST : 1;
      left -= Math.max(1, cost * this.#recount(devAddr, Math.ceil(left / cost)));
      recounted.push({ devAddr, fromUs });
      if (!this.#due.has(devAddr)) settled.push(devAddr);
    }
    return { recounted, settled, isMore: this.#due.size > 0 };
  }

  /**
   * Stores where the accounting of an address stood at a moment, as far as `most` frames reach: from then on nothing
   * before it is counted again. True: all of it is done.
   */
  hold(devAddr: number, beforeUs: number, most: number): boolean {
    const entry = this.#entryFrom(devAddr, this.#states.before(devAddr, beforeUs));
    const found = this.#framesAfter(devAddr, entry.state, most);
    const frames = found.filter(({ atUs }) => atUs < beforeUs);
    for (const frame of frames) this.#assign(entry, frame);
    if (frames.length > 0) this.#states.hold(devAddr, entry);
    return frames.length < most;
  }

  flush(): void {
    for (const [devAddr, entry] of this.#entries) {
      if (this.#entries.size <= MAX_ADDRESSES) break;
      this.#storeState(devAddr, entry);
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
    this.#replaysAtUs.length = 0;
    this.#due.clear();
    this.#long.clear();
    this.#loadDue();
  }

  /** Keys were handed in or taken away: their addresses are due. */
  forgetKeys(): void {
    this.#loadDue();
  }

  readonly #around: Surroundings = {
    joinsHeard: (fromUs, toUs) => this.#sql.join.all(fromUs, toUs) as JoinHeard[],
    provedBefore: (session, content, beforeUs) =>
      this.#sql.provedBefore.get(session, content, beforeUs) !== undefined,
  };

  #loadDue(): void {
    for (const { devAddr, fromUs } of this.#sql.due.all() as { devAddr: number; fromUs: number }[])
      this.#due.set(devAddr, fromUs);
    this.#keyed.clear();
    for (const devAddr of addressesWithKeys(this.#db)) this.#keyed.add(devAddr);
  }

  #keysOf(devAddr: number): readonly NumberedKeys[] {
    return this.#keyed.has(devAddr) ? keysOfAddress(this.#db, devAddr) : NO_KEYS;
  }

  #framesAfter(devAddr: number, { lastAtUs, lastContent }: AddressState, most: number): StoredFrame[] {
    const frames = this.#keyed.has(devAddr) ? this.#sql.framesWithPayload : this.#sql.framesAfter;
    const atUs = finite(lastAtUs);
    return (frames.all(devAddr, atUs, atUs, lastContent, most) as StoredFrame[]).map((frame) => {
      const { dataRate, gatewayId, rssiTenths } = frame;
      return { ...frame, radio: gatewayId === null ? undefined : { dataRate, gatewayId, rssiTenths } };
    });
  }

  #assign(entry: AddressEntry, frame: FrameToAccount): KeyedAssignment {
    const { state, keys } = entry;
    entry.frames += 1;
    entry.framesSinceStored += 1;
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
    const entry = this.#entryFrom(devAddr, this.#states.newest(devAddr));
    // Without a life none of its frames is accounted: the address is new.
    const isNew = entry.lifeIds.size === 0 && entry.frames === 0;
    if (isNew) {
      this.#entries.set(devAddr, entry);
      return entry;
    }
    for (const frame of this.#framesAfter(devAddr, entry.state, Number.MAX_SAFE_INTEGER))
      this.#assign(entry, frame);
    this.#entries.set(devAddr, entry);
    return entry;
  }

  #entryFrom(devAddr: number, stored: StoredState | null): AddressEntry {
    const lives = this.#sql.lives.all(devAddr) as { number: number; id: number }[];
    return {
      state: stored?.state ?? newAddressState(),
      keys: this.#keysOf(devAddr),
      lifeIds: new Map(lives.map((row) => [row.number, row.id])),
      frames: stored?.frames ?? 0,
      framesSinceStored: 0,
    };
  }

  /**
   * Accounts again from the stored state before the moment from which an address is due, `most` frames at most; how
   * many. An address that is done is due no more. `whole`: all of it or nothing.
   */
  #recount(devAddr: number, most: number, whole = false): number {
    // What was removed stands as it was held.
    const fromUs = Math.max(this.#due.get(devAddr) ?? FIRST_US, removedToUs(this.#db) || FIRST_US);
    const entry = this.#entryFrom(devAddr, this.#states.before(devAddr, finite(fromUs)));
    const { state } = entry;
    const frames = this.#framesAfter(devAddr, state, Math.min(most + 1, Number.MAX_SAFE_INTEGER));
    const isCut = frames.length > most;
    if (isCut && whole) return 0;
    this.#entries.delete(devAddr);
    this.#states.removeAfter(devAddr, finite(state.lastAtUs));
    for (const life of state.lives) this.#writeLife(devAddr, entry, life);
    let isMarked = false;
    for (const frame of isCut ? frames.slice(0, most) : frames) {
      // The next late frame is likely to lie just behind this one: it will find the state right before itself.
      if (!isMarked && frame.atUs > fromUs) {
        isMarked = true;
        if (entry.framesSinceStored > 0) this.#storeState(devAddr, entry);
      }
      this.#accountStored(devAddr, entry, frame);
      if (entry.framesSinceStored >= STORE_EVERY_FRAMES) this.#storeState(devAddr, entry);
    }
    if (isCut) {
      this.#storeState(devAddr, entry);
      this.#due.set(devAddr, state.lastAtUs + 1);
      this.#sql.setDue.run(devAddr, state.lastAtUs + 1);
      return most;
    }
    // Lives that are begun no more; their frames are in others by now.
    this.#sql.removeLivesAfter.run(devAddr, state.begun);
    for (const number of [...entry.lifeIds.keys()]) if (number > state.begun) entry.lifeIds.delete(number);
    this.#due.delete(devAddr);
    this.#long.delete(devAddr);
    this.#sql.unmarkDue.run(devAddr);
    this.#entries.set(devAddr, entry);
    return frames.length;
  }

  #accountStored(devAddr: number, entry: AddressEntry, frame: StoredFrame): void {
    const assignment = this.#assign(entry, frame);
    const account = accountOf(this.#writeLives(devAddr, entry, assignment), assignment);
    const { lifeId, counter, micVerdict, keyId } = account;
    const replay = account.replay ? 1 : 0;
    this.#sql.setAccount.run(lifeId, counter, account.repeat ? 1 : 0, micVerdict, keyId, replay, frame.id);
    // A replay that was found before has been reported.
    if (account.replay && frame.replay === 0) this.#replaysAtUs.push(frame.atUs);
  }

  /** Writes the lives that changed; the row id of the frame's own. */
  #writeLives(devAddr: number, entry: AddressEntry, assignment: Assignment): number {
    for (const life of assignment.changed) this.#writeLife(devAddr, entry, life);
    const id = entry.lifeIds.get(assignment.life.number);
    if (id === undefined) throw new Error(`Life ${assignment.life.number} has no row: the ledger is broken.`);
    return id;
  }

  #writeLife(devAddr: number, entry: AddressEntry, life: LifeState): void {
    const id = entry.lifeIds.get(life.number);
    if (id === undefined) entry.lifeIds.set(life.number, this.#insertLife(devAddr, life));
    else this.#updateLife(id, life);
  }

  #insertLife(devAddr: number, life: LifeState): number {
    const row = { devAddr, number: life.number, ...columnsOf(life) };
    return Number(this.#sql.insertLife.run(row).lastInsertRowid);
  }

  #updateLife(id: number, life: LifeState): void {
    this.#sql.updateLife.run({ id, ...columnsOf(life) });
  }

  #storeState(devAddr: number, entry: AddressEntry): void {
    if (!Number.isFinite(entry.state.lastAtUs)) return;
    this.#states.store(devAddr, entry);
    entry.framesSinceStored = 0;
  }
}

const NO_KEYS: readonly NumberedKeys[] = [];

function proofOf(state: AddressState, keys: readonly NumberedKeys[], frame: FrameToAccount): Proof {
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

function finite(atUs: number): number {
  return Number.isFinite(atUs) ? atUs : Number.MIN_SAFE_INTEGER;
}

/** What a `life` row holds beside its name. */
function columnsOf(life: LifeState) {
  const { begunBy, reason, firstAtUs, lastAtUs, firstCounter, lastCounter, heard } = life;
  const { devEui = null, session = null, proof = null } = life;
  return { begunBy, reason, firstAtUs, lastAtUs, firstCounter, lastCounter, heard, devEui, session, proof };
}
