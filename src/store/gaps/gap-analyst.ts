/**
 * How do gaps and findings keep up with what is stored? In steps of bounded work, each within the writer's transaction,
 * behind a frontier that follows the newest data: up to it everything has been gone through in order of time. What
 * comes in behind the frontier is noted with the transaction that brings it and gone through anew. The answer depends on
 * what is stored alone, never on the order or the pieces in which it came.
 */
import type { Statement } from "better-sqlite3";
import type { GapJudgement, JudgeGap } from "../../model/gap.ts";
import type { TimeRange } from "../../model/time-range.ts";
import type { Store } from "../open.ts";
import { type RecordedTime, recordedTimeOf } from "../recorded-time.ts";
import { SceneBlocks } from "./context-cache.ts";
import { DetectorState, gatewaysOf } from "./detector-state.ts";
import { type GapRecord, SceneReader } from "./gap-context.ts";
import { findingText, GATEWAYS_OF_FRAME, REMOVED_TO } from "./gap-rows.ts";
import { type Disorder, LateData } from "./late-data.ts";
import { OutageWriter } from "./outages.ts";

/** The newest seconds wait: the other gateways' receptions of the same frames are still on their way. */
const SETTLE_US = 5_000_000;
/** Work of one step, so that an acknowledgement waits no longer than some 20 ms. */
const FRAMES_A_STEP = 500;
const FINDINGS_A_STEP = 4;
const REDOS_A_STEP = 20;
/** A finding whose surroundings still grow is made anew after so long, in a patient step. */
const PATIENCE_US = 60_000_000;

/** In a patient step a silent gateway is looked at again once its silence has grown by so much. Chosen. */
const PATIENT_SHARE = 0.1;

/** While nothing comes of it, the frontier is stored so seldom: a page each second wears an SD card. Chosen. */
const MAX_BEHIND_US = 60_000_000;

/** The clock that stamps datagrams may be corrected by so much while the service runs. Chosen. */
const MAX_AHEAD_US = 60_000_000;

export interface StepOptions {
  /** True: the newest seconds and findings made lately may wait (live). False: everything, to the last frame. */
  readonly patient: boolean;
  /** The present, where time goes on although nothing arrives (live); null: what is stored ends with its newest. */
  readonly nowUs: number | null;
  /** False: a finding that was made stays, though its surroundings grew since. Absent: true. */
  readonly remake?: boolean;
}

export class GapAnalyst {
  readonly #db: Store;
  readonly #judge: JudgeGap | null;
  readonly #disorder: LateData;
  readonly #outages: OutageWriter;
  readonly #watches: DetectorState;
  readonly #blocks: SceneBlocks;
  readonly #scenes: SceneReader;
  readonly #frames: Statement;
  readonly #due: Statement;
  readonly #setFinding: Statement;
  readonly #dropGap: Statement;
  readonly #setFrontier: Statement;
  /** Silent gateways in which no outage was found: identifiers that somebody invented have none, and may be thousands. */
  readonly #scannedSilent = new Map<
    number,
    { readonly lastUs: number; readonly toUs: number; readonly nowUs: number; readonly againUs: number }
  >();
  readonly #totalChanges: Statement;
  #frontierUs: number;
  /** As it is stored: it may lie behind, as long as nothing else was written that came of what lies between. */
  #storedFrontierUs: number;
  #loaded = false;

  /** `judge` null: gaps are found, their findings are left to a process that judges. `recorded`: the recorded time as it is known now. */
  constructor(db: Store, judge: JudgeGap | null, recorded: () => RecordedTime = recordedTimeOf(db)) {
    this.#db = db;
    this.#judge = judge;
    this.#disorder = new LateData(db);
    this.#outages = new OutageWriter(db, recorded);
    this.#watches = new DetectorState(db, this.#outages);
    this.#blocks = new SceneBlocks(db);
    this.#scenes = new SceneReader(db, this.#blocks, this.#outages);
    this.#frames = db.prepare(
      `SELECT f.id, l.dev_addr AS devAddr, l.number AS life, f.counter, f.at_us AS atUs, ${GATEWAYS_OF_FRAME} AS gateways
       FROM frame f INDEXED BY frame_by_time JOIN life l ON l.id = f.life_id
       WHERE f.at_us > ? AND f.at_us <= ? AND f.repeat = 0 AND f.replay = 0 ORDER BY f.at_us, f.id LIMIT ?`,
    );
    this.#due = db.prepare(
      `SELECT id, dev_addr AS devAddr, life, kind, open, from_us AS fromUs, to_us AS toUs, missed,
       first_missed AS firstMissed, last_missed AS lastMissed, heard, expected AS expectedByRhythm, rhythm_us AS rhythmUs,
       lacking
       FROM gap INDEXED BY gap_due_for_judgement
       WHERE (judged_to_us IS NULL OR judged_to_us < context_to_us)
         AND (judged_to_us IS NULL
           OR judged_to_us < min(context_to_us, @frontier - @patience) AND context_from_us >= ${REMOVED_TO})
       ORDER BY from_us, id LIMIT ${FINDINGS_A_STEP}`,
    );
    this.#setFinding = db.prepare(
      `UPDATE gap SET judged_to_us = @judgedToUs, cause = @cause, confidence = @confidence, scope = @scope,
       gateway_id = @gatewayId, ended_us = @endedUs, finding = @finding, shown = @shown WHERE id = @id`,
    );
    this.#dropGap = db.prepare("DELETE FROM gap WHERE id = ?");
    this.#setFrontier = db.prepare(
      "INSERT INTO gap_progress (id, frontier_us) VALUES (1, ?) ON CONFLICT DO UPDATE SET frontier_us = excluded.frontier_us",
    );
    this.#totalChanges = db.prepare("SELECT total_changes()").pluck();
    this.#frontierUs = this.#readFrontier();
    this.#storedFrontierUs = this.#frontierUs;
  }

  /** A datagram was stored (of a gateway; 0: of a server), or a packet of it was dated back. */
  noteDatagram(gatewayId: number, atUs: number): void {
    if (atUs <= this.#frontierUs) this.#disorder.noteGateway(gatewayId, atUs);
  }

  /** A frame of an address was stored, or was heard by one more gateway. */
  noteFrame(devAddr: number, frameAtUs: number): void {
    if (frameAtUs <= this.#frontierUs) this.#disorder.noteAddress(devAddr, frameAtUs);
  }

  /** The frames of an address were counted again from a moment on. */
  noteRedone(devAddr: number, fromUs: number): void {
    if (fromUs <= this.#frontierUs) this.#disorder.noteAddress(devAddr, fromUs);
    // Its frames may belong to other lives now.
    this.#blocks.forget();
  }

  /** The recorded time of a range changed: what lies in it and was gone through is gone through again. */
  noteRecorded({ fromUs, toUs }: TimeRange): void {
    if (fromUs > this.#frontierUs) return;
    for (const devAddr of this.#addressesIn({ fromUs, toUs })) this.#disorder.noteAddress(devAddr, fromUs);
    for (const gatewayId of this.#gatewaysIn({ fromUs, toUs }))
      this.#disorder.noteGateway(gatewayId, Math.max(fromUs, Math.min(toUs, this.#frontierUs)));
  }

  /** Writes what came behind the frontier; in the transaction that brought it. */
  flush(): void {
    this.#disorder.flush();
  }

  /** Does a bounded part of what is to be done. True: there is more. */
  step(options: StepOptions): boolean {
    const before = this.#totalChanges.get() as number;
    const isMore = this.#goOn(options);
    const isWritten = (this.#totalChanges.get() as number) !== before;
    const isFar = this.#frontierUs - this.#storedFrontierUs > MAX_BEHIND_US;
    if (!options.patient || isWritten || isFar) this.#storeFrontier();
    return isMore;
  }

  #storeFrontier(): void {
    if (this.#frontierUs === this.#storedFrontierUs || !Number.isFinite(this.#frontierUs)) return;
    this.#setFrontier.run(this.#frontierUs);
    this.#storedFrontierUs = this.#frontierUs;
  }

  #goOn({ patient, nowUs, remake = true }: StepOptions): boolean {
    const newestUs = this.newestUs();
    if (newestUs === null) return false;
    if (nowUs !== null) this.#returnToPresent(nowUs);
    const now = nowUs === null ? newestUs : Math.max(nowUs, Math.min(newestUs, nowUs + MAX_AHEAD_US));
    if (!this.#loaded) {
      this.#loaded = !this.#watches.load(this.#frontierUs);
      if (!this.#loaded) return true;
    }
    const disorder = this.#disorder.take(REDOS_A_STEP);
    if (disorder.length > 0) {
      this.#mend(disorder, now);
      return true;
    }
    const limitUs = Math.min(patient ? newestUs - SETTLE_US : newestUs, nowUs ?? newestUs);
    if (this.#followFrames(limitUs, now)) return true;
    this.#scanOpenOutages(now, patient);
    this.#watches.look(now, this.#frontierUs, patient);
    this.#watches.flush();
    const patienceUs = patient ? PATIENCE_US : 0;
    return this.#judgeSome(remake ? patienceUs : Number.POSITIVE_INFINITY, now);
  }

  storeStates(): void {
    this.#watches.storeAll();
    this.#storeFrontier();
  }

  /** Holds the search in the lives of an address at a moment; true: all of it is done. */
  hold(devAddr: number, beforeUs: number, most: number): boolean {
    return this.#watches.hold(devAddr, beforeUs, most);
  }

  /** Receptions were removed. */
  removed(): void {
    this.#blocks.forget();
  }

  forget(): void {
    this.#outages.forget();
    this.#scannedSilent.clear();
    this.#watches.forget();
    this.#blocks.forget();
    this.#disorder.forget();
    this.#loaded = false;
    this.#frontierUs = this.#readFrontier();
    this.#storedFrontierUs = this.#frontierUs;
  }

  #readFrontier(): number {
    const stored = this.#db.prepare("SELECT frontier_us FROM gap_progress WHERE id = 1").pluck().get();
    return typeof stored === "number" ? stored : Number.NEGATIVE_INFINITY;
  }

  /** The newest datagram that is stored; null: none is. */
  newestUs(): number | null {
    return this.#db.prepare("SELECT max(last_at_us) FROM gateway").pluck().get() as number | null;
  }

  #mend(disorder: readonly Disorder[], nowUs: number): void {
    const redo = new Map<number, number>();
    const changed = (devAddr: number, fromUs: number) =>
      redo.set(devAddr, Math.min(fromUs, redo.get(devAddr) ?? fromUs));
    for (const { devAddr, gatewayId, fromUs, toUs } of disorder) {
      if (devAddr >= 0) {
        changed(devAddr, fromUs);
        continue;
      }
      const stretch = { fromUs, toUs };
      this.#blocks.drop(stretch);
      this.#dueAgain(stretch);
      // A keepalive interval is estimated from the hours before a silence.
      const around = { fromUs: fromUs - 1, toUs: Math.min(this.#frontierUs, toUs + 90_000_000_000) };
      if (gatewayId > 0 && this.#outages.scan(gatewayId, around, nowUs)) {
        for (const address of this.#addressesIn(around)) changed(address, around.fromUs);
      }
    }
    if (redo.size > 0) this.#blocks.forget();
    for (const [devAddr, fromUs] of redo) this.#watches.redo(devAddr, fromUs, this.#frontierUs);
  }

  #dueAgain({ fromUs, toUs }: TimeRange): void {
    this.#db
      .prepare(
        `UPDATE gap SET judged_to_us = NULL
         WHERE context_from_us <= ? AND context_to_us >= ? AND context_from_us >= ${REMOVED_TO}`,
      )
      .run(toUs, fromUs);
  }

  /**
   * A capture with a wrong clock may have moved the frontier ahead of the present. All that comes in live would then lie behind it,
   * and each frame would have its address gone through again: the frontier returns, and what lies ahead waits for its time.
   */
  #returnToPresent(nowUs: number): void {
    if (this.#frontierUs <= nowUs + MAX_AHEAD_US) return;
    const ahead = this.#db
      .prepare("SELECT DISTINCT dev_addr FROM frame WHERE at_us > ? AND dev_addr IS NOT NULL")
      .pluck()
      .all(nowUs) as number[];
    for (const devAddr of ahead) this.#disorder.noteAddress(devAddr, nowUs);
    this.#blocks.forget();
    this.#frontierUs = nowUs;
    this.#storeFrontier();
    this.#disorder.flush();
  }

  #addressesIn({ fromUs, toUs }: TimeRange): number[] {
    return this.#db
      .prepare("SELECT DISTINCT dev_addr FROM life WHERE first_at_us <= ? AND last_at_us >= ?")
      .pluck()
      .all(toUs, fromUs) as number[];
  }

  /** Goes on with the frontier. True: there is more. */
  #followFrames(limitUs: number, nowUs: number): boolean {
    if (limitUs <= this.#frontierUs) return false;
    const from = Number.isFinite(this.#frontierUs) ? this.#frontierUs : Number.MIN_SAFE_INTEGER;
    let rows = this.#frames.all(from, limitUs, FRAMES_A_STEP) as FrameRow[];
    let toUs = limitUs;
    const last = rows.at(-1);
    const isCut = rows.length === FRAMES_A_STEP;
    if (isCut && last !== undefined && last.atUs > (rows[0]?.atUs ?? 0)) {
      // Frames of one moment stay together.
      toUs = last.atUs - 1;
      rows = rows.filter(({ atUs }) => atUs <= toUs);
    } else if (isCut && last !== undefined) {
      toUs = last.atUs;
      rows = this.#frames.all(from, toUs, Number.MAX_SAFE_INTEGER) as FrameRow[];
    }
    for (const gatewayId of this.#gatewaysHeardSince(from)) {
      this.#outages.scan(gatewayId, { fromUs: from, toUs }, toUs < limitUs ? toUs : nowUs);
    }
    const before = this.#frontierUs;
    this.#frontierUs = toUs;
    for (const { gateways, ...row } of rows) {
      this.#watches.take({ ...row, gatewayIds: gatewaysOf(gateways) }, Math.max(before, from));
    }
    return isCut;
  }

  #gatewaysIn({ fromUs, toUs }: TimeRange): number[] {
    return this.#db
      .prepare("SELECT id FROM gateway WHERE first_at_us <= ? AND last_at_us >= ?")
      .pluck()
      .all(toUs, fromUs) as number[];
  }

  #gatewaysHeardSince(fromUs: number): number[] {
    return this.#db.prepare("SELECT id FROM gateway WHERE last_at_us > ?").pluck().all(fromUs) as number[];
  }

  /** Gateways that fell silent since their newest datagram: nothing arrives that would tell. */
  #scanOpenOutages(nowUs: number, patient: boolean): void {
    const silent = this.#db
      .prepare(
        `SELECT id, last_at_us AS lastUs FROM gateway WHERE last_at_us < ? AND last_at_us > ?
         AND NOT EXISTS (SELECT 1 FROM gateway_outage WHERE gateway_id = gateway.id AND to_us IS NULL)`,
      )
      .all(nowUs - 30_000_000, nowUs - 7 * 86_400_000_000) as { id: number; lastUs: number }[];
    for (const { id, lastUs } of silent) {
      // Its newest datagram may lie past the frontier, which stands while nothing arrives.
      const toUs = Math.max(this.#frontierUs, lastUs);
      const scanned = this.#scannedSilent.get(id);
      if (
        scanned?.lastUs === lastUs &&
        (patient ? nowUs < scanned.againUs : nowUs === scanned.nowUs && toUs === scanned.toUs)
      )
        continue;
      this.#outages.scan(id, { fromUs: this.#frontierUs - 1, toUs }, nowUs);
      this.#scannedSilent.set(id, { lastUs, toUs, nowUs, againUs: nowUs + PATIENT_SHARE * (nowUs - lastUs) });
    }
  }

  /** Makes findings that are due. True: there are more. */
  #judgeSome(patienceUs: number, nowUs: number): boolean {
    if (this.#judge === null) return false;
    const due = this.#due.all({ frontier: this.#frontierUs, patience: patienceUs }) as DueRow[];
    for (const row of due) {
      const gap: GapRecord = { ...row, open: row.open === 1 };
      const scene = this.#scenes.read(gap, nowUs, this.#frontierUs);
      if (scene === null) {
        this.#dropGap.run(gap.id);
        continue;
      }
      const judgement = this.#judge(scene);
      this.#keep(gap, judgement, scene.successor?.firstAtUs ?? null);
    }
    return due.length === FINDINGS_A_STEP;
  }

  #keep(gap: GapRecord, judgement: GapJudgement, successorUs: number | null): void {
    this.#setFinding.run({
      id: gap.id,
      judgedToUs: this.#frontierUs,
      cause: judgement.cause,
      confidence: judgement.confidence,
      scope: judgement.scope,
      gatewayId: judgement.gatewayId,
      endedUs: judgement.cause === "node-restarted" && gap.open ? successorUs : null,
      finding: findingText(gap, judgement),
      shown: judgement.isChance ? 0 : 1,
    });
  }
}

interface DueRow extends Omit<GapRecord, "open"> {
  readonly open: number;
}

interface FrameRow {
  id: number;
  devAddr: number;
  life: number;
  counter: number;
  atUs: number;
  gateways: string | null;
}
