/**
 * How do old receptions leave the store by the rule of what is kept? A whole day or more at a time, up to a midnight (UTC)
 * that all derived work has passed: first the accounting and the search for gaps are held at that moment, so that nothing
 * is ever worked out again from what is gone; then, in one transaction, everything before it counts as removed; then the
 * rows go. In bounded steps, each a part of a transaction; a stop in between is taken up again.
 *
 * What stays: gathered hours, lives with their newest frame, gaps, findings, outages, restarts, what people wrote; and of
 * each gateway the datagrams of the hour before its newest, from which a silence is measured.
 */
import { type KeptRule, keptRuleText } from "../words/format.ts";
import { GATHERED_HOUR_US } from "./hours/gathered.ts";
import type { Store } from "./open.ts";
import { Sweep } from "./removed-rows.ts";
import { givesBack, removedToUs } from "./retention.ts";
import { keptRule } from "./settings.ts";

const DAY_US = 86_400_000_000;
/** The search for gaps looks so far past a gap (contextOf in gaps/gap-rows.ts). */
const GAP_CONTEXT_US = 7_200_000_000;
/** A clock that stamps datagrams may be so far ahead of the present. Chosen. */
const MAX_AHEAD_US = 60_000_000;
/** Free pages that stay in the file, as a share of it: what comes next goes there, instead of growing it again. Chosen. */
const FREE_SHARE = 0.05;
/** Free pages given back in one step: some 10 ms. */
const PAGES_A_STEP = 100;
/** Fewer are not worth a step. */
const MIN_PAGES_GIVEN = 16;

/** What holds derived work at a moment; the recorder's parts. */
export interface Holding {
  /** Holds the counters of an address; at most `most` frames. True: all of it is held. */
  holdCounters(devAddr: number, beforeUs: number, most: number): boolean;
  /** Holds the search for gaps in the lives of an address; true: all of it is held. */
  holdGaps(devAddr: number, beforeUs: number, most: number): boolean;
  /** Gathers an hour that was too full to be gathered behind the traffic; false: it cannot be. */
  gatherFull(hour: number): boolean;
  /** From now on nothing before the moment is read. */
  removed(beforeUs: number): void;
}

export interface RemovalOptions {
  /** The present; null: what is stored ends with its newest. */
  readonly nowUs: number | null;
  /** Rows, or frames gone through, in one step. */
  readonly most: number;
}

interface Plan {
  readonly beforeUs: number;
  readonly rule: string;
  /** Addresses that are still to be held. */
  readonly addresses: number[];
}

export class Removal {
  readonly #db: Store;
  readonly #holding: Holding;
  readonly #sweep: Sweep;
  #plan: Plan | null = null;

  constructor(db: Store, holding: Holding) {
    this.#db = db;
    this.#holding = holding;
    this.#sweep = new Sweep(db);
  }

  /** True while everything is kept and nothing is on its way out: then there is no need to hold the store. Reads only. */
  isIdle(): boolean {
    const { maxAgeDays, maxBytes } = keptRule(this.#db);
    return this.#plan === null && maxAgeDays === null && maxBytes === null && this.#sweep.isDone();
  }

  /** Does a bounded part, inside a transaction of its caller. True: there is more to do now. */
  step({ nowUs, most }: RemovalOptions): boolean {
    if (this.#sweep.step(most)) return true;
    if (this.#plan === null) {
      this.#plan = this.#next(nowUs);
      return this.#plan !== null;
    }
    const { beforeUs, addresses } = this.#plan;
    const [devAddr] = addresses;
    if (devAddr !== undefined) {
      const isHeld =
        this.#holding.holdCounters(devAddr, beforeUs, most) &&
        this.#holding.holdGaps(devAddr, beforeUs, most);
      if (isHeld) addresses.shift();
      return true;
    }
    this.#commit(this.#plan);
    this.#plan = null;
    return true;
  }

  /** Gives free pages back to the file system, outside of a transaction. True: there are more. */
  shrink(): boolean {
    const number = (pragma: string) => Number(this.#db.pragma(pragma, { simple: true }));
    if (removedToUs(this.#db) === 0 || !givesBack(this.#db)) return false;
    const spare = Math.ceil(FREE_SHARE * number("page_count"));
    if (number("freelist_count") <= spare + MIN_PAGES_GIVEN) return false;
    this.#db.pragma(`incremental_vacuum(${PAGES_A_STEP})`);
    return true;
  }

  /** A transaction failed, or another connection wrote. */
  forget(): void {
    this.#plan = null;
    this.#sweep.forget();
  }

  /** What is to be removed next; null: nothing, or derived work has not come so far. */
  #next(nowUs: number | null): Plan | null {
    const rule = keptRule(this.#db);
    const wantedUs = this.#wantedUs(rule, nowUs);
    if (wantedUs === null) return null;
    const beforeUs = this.#gatheredUs(wantedUs);
    if (beforeUs <= removedToUs(this.#db) || !this.#isSettled(beforeUs)) return null;
    const addresses = this.#db
      .prepare("SELECT DISTINCT dev_addr FROM life WHERE first_at_us < ? AND last_at_us >= ?")
      .pluck()
      .all(beforeUs, removedToUs(this.#db)) as number[];
    return { beforeUs, rule: keptRuleText(rule), addresses };
  }

  /** The midnight before which the rule wants nothing kept; null: nothing there. */
  #wantedUs({ maxAgeDays, maxBytes }: KeptRule, nowUs: number | null): number | null {
    if (maxAgeDays === null && maxBytes === null) return null;
    const newestUs = this.#db.prepare("SELECT max(last_at_us) FROM gateway").pluck().get() as number | null;
    if (newestUs === null) return null;
    // A datagram with a wrong date ahead must not remove everything.
    const presentUs = Math.min(newestUs, nowUs === null ? newestUs : nowUs + MAX_AHEAD_US);
    const oldestUs = oldestRowUs(this.#db, removedToUs(this.#db));
    if (oldestUs === null) return null;
    const latestUs = midnight(presentUs - DAY_US);
    const byAge = maxAgeDays === null ? 0 : midnight(presentUs - maxAgeDays * DAY_US);
    const bySize = maxBytes !== null && usedBytes(this.#db) > maxBytes ? midnight(oldestUs) + DAY_US : 0;
    const wantedUs = Math.min(latestUs, Math.max(byAge, bySize));
    return oldestUs < wantedUs ? wantedUs : null;
  }

  /** The latest midnight up to which every hour is gathered. */
  #gatheredUs(wantedUs: number): number {
    const closedToUs = this.#db.prepare("SELECT closed_to_us FROM hour_progress WHERE id = 1").pluck().get();
    const openUs = oldestRowUs(this.#db, Math.max(Number(closedToUs), removedToUs(this.#db)));
    const toUs = openUs !== null && openUs < wantedUs ? midnight(openUs) : wantedUs;
    const due = this.#db.prepare("SELECT hour FROM hour_due WHERE hour < ? ORDER BY hour").pluck();
    for (const hour of due.all(toUs / GATHERED_HOUR_US) as number[])
      if (!this.#holding.gatherFull(hour)) return midnight(hour * GATHERED_HOUR_US);
    return toUs;
  }

  /** Nothing from before is still to be worked out. */
  #isSettled(beforeUs: number): boolean {
    const isAny = (sql: string) => this.#db.prepare(sql).get(beforeUs) !== undefined;
    if (isAny("SELECT 1 FROM account_due WHERE from_us < ? LIMIT 1")) return false;
    if (isAny("SELECT 1 FROM gap_disorder WHERE from_us < ? LIMIT 1")) return false;
    if (this.#db.prepare("SELECT 1 FROM forgetting LIMIT 1").get() !== undefined) return false;
    const frontierUs = this.#db.prepare("SELECT frontier_us FROM gap_progress WHERE id = 1").pluck().get();
    return typeof frontierUs === "number" && frontierUs >= beforeUs + GAP_CONTEXT_US;
  }

  #commit({ beforeUs, rule }: Plan): void {
    // What came in meanwhile has to be worked out first.
    if (!this.#isSettled(beforeUs) || this.#gatheredUs(beforeUs) < beforeUs) return;
    this.#db.prepare("UPDATE removal SET removed_to_us = ?, rule = ? WHERE id = 1").run(beforeUs, rule);
    this.#db
      .prepare("UPDATE hour_progress SET closed_to_us = max(closed_to_us, ?) WHERE id = 1")
      .run(beforeUs);
    this.#holding.removed(beforeUs);
  }
}

/** What a rule would take away now. */
export interface WouldRemove {
  /** Receptions before the moment that its age sets. */
  readonly beforeUs: number;
  readonly receptions: number;
  /** Octets that the file holds, where that is more than its size; else null. */
  readonly tooManyBytes: number | null;
}

/** null: nothing. */
export function wouldRemove(store: Store, { maxAgeDays, maxBytes }: KeptRule): WouldRemove | null {
  const newestUs = store.prepare("SELECT max(last_at_us) FROM gateway").pluck().get() as number | null;
  if (newestUs === null) return null;
  const beforeUs = maxAgeDays === null ? 0 : midnight(newestUs - maxAgeDays * DAY_US);
  const receptions = store
    .prepare("SELECT count(*) FROM reception WHERE at_us >= ? AND at_us < ?")
    .pluck()
    .get(removedToUs(store), beforeUs) as number;
  const bytes = usedBytes(store);
  const tooManyBytes = maxBytes !== null && bytes > maxBytes ? bytes : null;
  return receptions === 0 && tooManyBytes === null ? null : { beforeUs, receptions, tooManyBytes };
}

function midnight(atUs: number): number {
  return Math.floor(atUs / DAY_US) * DAY_US;
}

/** The oldest reception or datagram from a moment on. */
function oldestRowUs(db: Store, fromUs: number): number | null {
  return db
    .prepare(
      `SELECT min(at_us) FROM (SELECT min(at_us) AS at_us FROM reception WHERE at_us >= @from UNION ALL
         SELECT (SELECT min(at_us) FROM datagram WHERE gateway_id = gateway.id AND at_us >= @from) FROM gateway)`,
    )
    .pluck()
    .get({ from: fromUs }) as number | null;
}

/** Octets of the store's file that hold something. */
function usedBytes(db: Store): number {
  const number = (pragma: string) => Number(db.pragma(pragma, { simple: true }));
  return (number("page_count") - number("freelist_count")) * number("page_size");
}
