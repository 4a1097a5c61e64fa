/**
 * Which dropouts does each counter life have? Hands the heard counters to the ledger's watch, life by life, and keeps
 * the `gap` rows that come of it. What came late or was counted again sends a life back to its last stored state, or to
 * its beginning.
 */
import {
  draftOf,
  type GapDraft,
  type LifeWatch,
  newLifeWatch,
  notRecordedBetween,
  openSilence,
  rhythmOfLife,
  watchCounter,
} from "../../ledger/gaps/gap-detector.ts";
import { isAtRest } from "../../ledger/gaps/loss-detector.ts";
import type { Store } from "../open.ts";
import { removedToUs } from "../retention.ts";
import {
  contextOf,
  gapRowOf,
  type LifeEnding,
  type Tag,
  type WatchStatements,
  watchStatements,
} from "./gap-rows.ts";
import type { OutageWriter } from "./outages.ts";

/** Lives whose watch stays in memory; the longest unheard leave first. */
const MAX_LIVES = 20_000;
/** Of them, those taken up at a start: the newest heard. */
const MAX_AT_START = 2_000;
/** Of them, in one step: reading a life that sent for months takes some 20 ms. */
const LIVES_A_STEP = 8;
/** A life of so few frames between two endings is part of one interruption. Chosen: what a rejoin loop gets through. */
const SHORT_LIFE = 3;
/** Frames after which a life's watch is stored. */
const STORE_EVERY = 256;
/** Frames after which it is kept for questions about past windows. Chosen: some 20 ms to go through. */
const KEEP_EVERY = 1_000;

interface Entry {
  readonly devAddr: number;
  readonly life: number;
  watch: LifeWatch;
  sinceStored: number;
  /** Frames heard from which the next state is kept for the past. */
  keepFrom: number;
  /** A silence that goes on has a row. */
  hasOpenRow: boolean;
  /** up to which it reaches. */
  openToUs: number;
  /** A later life took its place. */
  isOver: boolean;
}

/** A first hearing of a counter, as the frames tell it. */
export interface WatchedFrame {
  readonly devAddr: number;
  readonly life: number;
  readonly counter: number;
  readonly atUs: number;
  readonly gatewayIds: readonly number[];
}

export class DetectorState {
  readonly #entries = new Map<string, Entry>();
  /** Newest life of each address that was gone through. */
  readonly #newest = new Map<number, number>();
  /** Lives that are still to be taken up at the start, the newest heard last; null: not looked for yet. */
  #toTakeUp: { readonly devAddr: number; readonly number: number }[] | null = null;
  readonly #shared = new Set<number>();
  /** Addresses whose interruptions ran across a life that goes on after all. */
  readonly #astray = new Set<number>();
  readonly #db: Store;
  readonly #outages: OutageWriter;
  readonly #sql: WatchStatements;

  constructor(db: Store, outages: OutageWriter) {
    this.#db = db;
    this.#outages = outages;
    this.#sql = watchStatements(db);
  }

  /** Takes the next frame in order of time. `frontierUs`: everything before it has been gone through. */
  take(frame: WatchedFrame, frontierUs: number): void {
    const { devAddr, life } = frame;
    const entry = this.#entry(devAddr, life, frontierUs);
    const newest = this.#newest.get(devAddr) ?? life;
    if (life < newest) this.#shared.add(devAddr);
    if (entry.watch.lastCounter < 0 && life > 1) this.#endBefore(devAddr, life, frame.atUs, frontierUs);
    this.#newest.set(devAddr, Math.max(newest, life));
    if (frame.counter <= entry.watch.lastCounter) {
      this.#goBack(entry, frame.counter, Math.max(frontierUs, frame.atUs));
      return;
    }
    this.#step(entry, frame);
    entry.sinceStored += 1;
    if (entry.sinceStored >= STORE_EVERY) this.#store(entry);
  }

  /**
   * Goes through all lives of an address anew, up to the frontier. A gap that comes out as it was keeps its finding when
   * nothing that the finding may rest on lies after `changedUs`, before which nothing changed.
   */
  redo(devAddr: number, changedUs: number, frontierUs: number): void {
    const findings = this.#sql.findings.all(devAddr, changedUs) as GapColumns[];
    const sharedBefore = this.#sharedOf(devAddr);
    for (const entry of [...this.#entries.values()]) {
      if (entry.devAddr === devAddr) this.#entries.delete(keyOf(devAddr, entry.life));
    }
    this.#sql.removeGapsOfAddress.run(devAddr);
    this.#sql.removeWatchesOfAddress.run(devAddr);
    this.#sql.removeStatesOfAddress.run(devAddr);
    const lives = this.#sql.lives.all(devAddr, frontierUs) as LifeEnding[];
    for (const { number, lastAtUs } of lives) {
      const entry = this.#fresh(devAddr, number);
      const isPast = lastAtUs < removedToUs(this.#db);
      const held = this.#heldWatch(devAddr, number);
      if (held !== null) this.#takeUp(entry, held);
      if (!isPast) this.#replay(entry, entry.watch.lastCounter, frontierUs);
      if (held !== null)
        entry.isOver =
          this.#sql.hasEnd.get({ addr: devAddr, life: number, at: entry.watch.lastAtUs }) !== undefined;
    }
    for (const { number, firstAtUs } of lives) {
      if (number > 1 && firstAtUs >= removedToUs(this.#db))
        this.#endBefore(devAddr, number, firstAtUs, frontierUs);
      this.#newest.set(devAddr, Math.max(this.#newest.get(devAddr) ?? 0, number));
    }
    if (lives.length > 1) this.#writeShared(devAddr, frontierUs);
    const sharedNow = this.#sharedOf(devAddr);
    for (const finding of findings) {
      // That two lives take turns is part of what a finding rests on.
      if (turnsWithin(sharedBefore, finding) === turnsWithin(sharedNow, finding))
        this.#sql.keepFinding.run(finding);
    }
  }

  #sharedOf(devAddr: number): GapColumns | null {
    return (this.#sql.shared.get(devAddr) as GapColumns | undefined) ?? null;
  }

  /** Writes the silences that go on at a moment, and the addresses that two devices share. */
  look(nowUs: number, frontierUs: number, patient: boolean): void {
    for (const devAddr of this.#astray) this.redo(devAddr, Number.MIN_SAFE_INTEGER, frontierUs);
    this.#astray.clear();
    for (const entry of this.#entries.values()) {
      if (entry.isOver || entry.watch.lastCounter < 0) continue;
      const silence = openSilence(entry.watch, nowUs, this.#outages.notRecorded);
      if (silence === null) continue;
      // In a patient look a long silence need not grow by the second.
      const grown = silence.toUs - entry.openToUs;
      if (patient && entry.hasOpenRow && grown < Math.max(10e6, 0.05 * (silence.toUs - silence.fromUs)))
        continue;
      entry.hasOpenRow = true;
      entry.openToUs = silence.toUs;
      this.#write(entry, silence, "run");
    }
    for (const devAddr of this.#shared) this.#writeShared(devAddr, frontierUs);
    this.#shared.clear();
  }

  /** Takes up lives that memory does not hold and that may be silent, some in each step of a start. True: there are more. */
  load(frontierUs: number): boolean {
    this.#toTakeUp ??= (
      this.#sql.recentLives.all(frontierUs, MAX_AT_START) as { devAddr: number; number: number }[]
    ).reverse();
    for (const { devAddr, number } of this.#toTakeUp.splice(-LIVES_A_STEP).reverse()) {
      this.#entry(devAddr, number, frontierUs);
      this.#newest.set(devAddr, Math.max(this.#newest.get(devAddr) ?? 0, number));
    }
    return this.#toTakeUp.length > 0;
  }

  storeAll(): void {
    for (const entry of this.#entries.values()) if (entry.sinceStored > 0) this.#store(entry);
  }

  flush(): void {
    for (const [key, entry] of this.#entries) {
      if (this.#entries.size <= MAX_LIVES) break;
      this.#store(entry);
      this.#entries.delete(key);
    }
  }

  forget(): void {
    this.#entries.clear();
    this.#newest.clear();
    this.#toTakeUp = null;
    this.#shared.clear();
    this.#astray.clear();
  }

  #entry(devAddr: number, life: number, frontierUs: number): Entry {
    const key = keyOf(devAddr, life);
    const known = this.#entries.get(key);
    if (known !== undefined) {
      this.#entries.delete(key);
      this.#entries.set(key, known);
      return known;
    }
    const entry = this.#fresh(devAddr, life);
    const stored = this.#sql.state.get(devAddr, life) as string | undefined;
    if (stored !== undefined) entry.watch = JSON.parse(stored) as LifeWatch;
    else entry.watch = this.#heldWatch(devAddr, life) ?? entry.watch;
    entry.keepFrom = entry.watch.heard + KEEP_EVERY;
    this.#replay(entry, entry.watch.lastCounter, frontierUs);
    const openToUs = this.#sql.openToUs.get(devAddr, life) as number | undefined;
    entry.hasOpenRow = openToUs !== undefined;
    entry.openToUs = openToUs ?? 0;
    entry.isOver = this.#sql.hasEnd.get({ addr: devAddr, life, at: entry.watch.lastAtUs }) !== undefined;
    return entry;
  }

  #fresh(devAddr: number, life: number): Entry {
    const entry: Entry = {
      devAddr,
      life,
      watch: newLifeWatch(),
      sinceStored: 0,
      keepFrom: KEEP_EVERY,
      hasOpenRow: false,
      openToUs: 0,
      isOver: false,
    };
    this.#entries.set(keyOf(devAddr, life), entry);
    return entry;
  }

  /** A counter came late: from the last stored state before it, or from the beginning. */
  #goBack(entry: Entry, counter: number, frontierUs: number): void {
    const { devAddr, life } = entry;
    const stored = this.#sql.state.get(devAddr, life) as string | undefined;
    const watch = stored === undefined ? newLifeWatch() : (JSON.parse(stored) as LifeWatch);
    const base = watch.lastCounter < counter ? watch : (this.#heldWatch(devAddr, life) ?? newLifeWatch());
    const sinceUs = base.lastCounter < 0 ? Number.MIN_SAFE_INTEGER : base.lastAtUs;
    this.#sql.removeGapsSince.run(devAddr, life, sinceUs);
    this.#sql.removeStatesFrom.run(devAddr, life, counter);
    this.#takeUp(entry, base);
    this.#replay(entry, entry.watch.lastCounter, frontierUs);
  }

  /** Goes on from a state; a loss that was under way gets its row. */
  #takeUp(entry: Entry, watch: LifeWatch): void {
    entry.watch = watch;
    entry.keepFrom = watch.heard + KEEP_EVERY;
    entry.hasOpenRow = false;
    const { episode } = watch.loss;
    if (episode === null) return;
    const draft = draftOf(episode, rhythmOfLife(watch)?.medianUs ?? null, false);
    this.#write(entry, draft, "episode");
  }

  /** Where a life stood when the receptions before were removed; null: none were, or it began later. */
  #heldWatch(devAddr: number, life: number): LifeWatch | null {
    const state = this.#sql.heldState.get(devAddr, life, removedToUs(this.#db)) as string | undefined;
    return state === undefined ? null : (JSON.parse(state) as LifeWatch);
  }

  /**
   * Stores where the search stood in the lives of an address at a moment, as far as `most` frames reach: from then on it
   * goes through nothing before. True: all of it is done.
   */
  hold(devAddr: number, beforeUs: number, most: number): boolean {
    let left = most;
    for (const { number } of this.#sql.lives.all(devAddr, beforeUs - 1) as LifeEnding[]) {
      const state = this.#sql.heldState.get(devAddr, number, beforeUs) as string | undefined;
      const watch = state === undefined ? newLifeWatch() : (JSON.parse(state) as LifeWatch);
      const rows = this.#sql.someCounters.all(
        devAddr,
        number,
        watch.lastCounter,
        beforeUs - 1,
        left,
      ) as CounterRow[];
      for (const { counter, atUs, gateways } of rows) {
        const heard = { counter, atUs, gatewayIds: gatewaysOf(gateways) };
        watchCounter(watch, heard, this.#outages.outOfReach, this.#outages.notRecorded);
      }
      if (rows.length > 0) {
        const { lastAtUs, lastCounter } = watch;
        this.#sql.keepState.run(devAddr, number, lastAtUs, lastCounter, JSON.stringify(watch));
        this.#sql.removeStatesBefore.run(devAddr, number, lastAtUs);
      }
      left -= rows.length;
      if (left <= 0) return false;
    }
    return true;
  }

  /** Goes through the stored counters above one, in order of the counters. */
  #replay(entry: Entry, aboveCounter: number, frontierUs: number): void {
    const { devAddr, life } = entry;
    const rows = this.#sql.counters.all(devAddr, life, aboveCounter, frontierUs) as CounterRow[];
    for (const { counter, atUs, gateways } of rows) {
      this.#step(entry, { devAddr, life, counter, atUs, gatewayIds: gatewaysOf(gateways) });
    }
    entry.sinceStored += rows.length;
    if (entry.sinceStored >= STORE_EVERY) this.#store(entry);
  }

  #step(entry: Entry, frame: WatchedFrame): void {
    if (entry.hasOpenRow) {
      this.#sql.removeOpenRow.run(entry.devAddr, entry.life);
      entry.hasOpenRow = false;
    }
    if (entry.isOver) {
      // It goes on beside the life that seemed to take its place.
      entry.isOver = false;
      if (this.#sql.removeEnd.run(entry.devAddr, entry.life).changes === 0) this.#astray.add(entry.devAddr);
    }
    for (const draft of watchCounter(
      entry.watch,
      frame,
      this.#outages.outOfReach,
      this.#outages.notRecorded,
    )) {
      this.#write(entry, draft, draft.tag);
    }
    const { watch } = entry;
    if (watch.heard < entry.keepFrom || !isAtRest(watch.loss, watch.lastCounter)) return;
    entry.keepFrom = watch.heard + KEEP_EVERY;
    const { devAddr, life } = entry;
    this.#sql.keepState.run(devAddr, life, watch.lastAtUs, watch.lastCounter, JSON.stringify(watch));
  }

  /** The life that came before a new one ended with it, when a join or a reset began the new one. */
  #endBefore(devAddr: number, life: number, atUs: number, frontierUs: number): void {
    const next = this.#sql.life.get(devAddr, life) as LifeEnding | undefined;
    const before = this.#sql.lifeBefore.get(devAddr, life, atUs) as LifeEnding | undefined;
    if (next === undefined || before === undefined) return;
    const entry = this.#entry(devAddr, before.number, frontierUs);
    // Its newest frame came after: the two go on side by side.
    if (entry.watch.lastCounter < 0 || entry.watch.lastAtUs > atUs || entry.isOver) return;
    const isRestart = next.begunBy === "join" || next.begunBy === "counter-reset";
    if (!isRestart) return;
    entry.isOver = true;
    if (entry.hasOpenRow) this.#sql.removeOpenRow.run(devAddr, before.number);
    entry.hasOpenRow = false;
    // What happened while nothing was recorded is not known: the silence reaches as far as anything was.
    const [unknown] = notRecordedBetween(entry.watch, atUs, this.#outages.notRecorded);
    const missed = next.firstCounter <= 16 && unknown === undefined ? next.firstCounter : 0;
    const earlier = entry.watch.heard > SHORT_LIFE ? null : this.#endedInto(devAddr, before.firstAtUs);
    const fromUs = earlier?.fromUs ?? entry.watch.lastAtUs;
    const rhythmUs = earlier === null ? (rhythmOfLife(entry.watch)?.medianUs ?? null) : earlier.rhythmUs;
    const silenceUs = rhythmOfLife(entry.watch)?.silenceUs ?? 4 * (rhythmUs ?? Number.POSITIVE_INFINITY);
    const toUs = Math.max(fromUs, unknown?.fromUs ?? atUs);
    if (unknown !== undefined && toUs - fromUs <= silenceUs) return;
    const draft: GapDraft = {
      tag: "run",
      kind: toUs - fromUs > silenceUs ? "silence" : "counters",
      open: false,
      final: true,
      fromUs,
      toUs,
      missed: missed + (earlier?.missed ?? 0),
      firstMissed: missed > 0 ? 0 : null,
      lastMissed: missed > 0 ? missed - 1 : null,
      heard: 0,
      expectedByRhythm: rhythmUs === null ? null : (toUs - fromUs) / rhythmUs,
      rhythmUs,
      lacking: 0,
    };
    this.#write({ devAddr, life: earlier?.life ?? before.number }, draft, "end");
  }

  /** The ending that led into a life that began at a moment. */
  #endedInto(devAddr: number, firstAtUs: number): Ending | null {
    return (this.#sql.endingAt.get(devAddr, firstAtUs) as Ending | undefined) ?? null;
  }

  /** Two lives that take turns: one row for the younger, from its first frame to the newest of both. */
  #writeShared(devAddr: number, frontierUs: number): void {
    this.#sql.removeShared.run(devAddr);
    const turns = this.#sql.turns.get({ addr: devAddr, to: frontierUs }) as
      | { returns: number; life: number; fromUs: number; toUs: number; heard: number }
      | undefined;
    if (turns === undefined || turns.returns < 3) return;
    const entry = this.#entry(devAddr, turns.life, frontierUs);
    const { fromUs, toUs } = turns;
    const rhythmUs = rhythmOfLife(entry.watch)?.medianUs ?? null;
    this.#write(
      entry,
      {
        tag: "episode",
        kind: "steady",
        open: false,
        final: true,
        fromUs,
        toUs,
        missed: 0,
        firstMissed: null,
        lastMissed: null,
        heard: turns.heard,
        expectedByRhythm: null,
        rhythmUs,
        lacking: 0,
      },
      "shared",
    );
  }

  #write({ devAddr, life }: Pick<Entry, "devAddr" | "life">, draft: GapDraft, tag: Tag): void {
    const context = contextOf(draft);
    this.#sql.write.run({
      ...gapRowOf(devAddr, life, draft, tag),
      tag,
      contextFromUs: context.fromUs,
      contextToUs: context.toUs,
    });
  }

  #store(entry: Entry): void {
    this.#sql.storeState.run(entry.devAddr, entry.life, JSON.stringify(entry.watch));
    entry.sinceStored = 0;
  }
}

interface Ending {
  readonly life: number;
  readonly fromUs: number;
  readonly missed: number;
  readonly rhythmUs: number | null;
}

/** A row of `gap`, all columns; named are those that are read here. */
interface GapColumns {
  readonly life: number;
  readonly from_us: number;
  readonly to_us: number;
  readonly context_to_us: number;
}

/** What the finding of a gap sees of the row that tells of two lives taking turns. */
function turnsWithin(shared: GapColumns | null, gap: GapColumns): string {
  if (shared === null || shared.from_us >= gap.to_us) return "none";
  return `${shared.life} ${shared.from_us} ${Math.min(shared.to_us, gap.context_to_us)}`;
}

interface CounterRow {
  counter: number;
  atUs: number;
  gateways: string | null;
}

/** "3,1" as numbers. */
export function gatewaysOf(list: string | null): number[] {
  return list === null || list === "" ? [] : list.split(",").map(Number);
}

function keyOf(devAddr: number, life: number): string {
  return `${devAddr}/${life}`;
}
