/**
 * How do decoded datagrams become rows? One transaction a batch: datagrams, receptions, frames, counters and
 * roll-ups together, so that a commit is a consistent whole and an acknowledgement can follow it.
 *
 * The one writer of a process. Another process may write to the same file in between (an import beside the
 * running service): that is noticed, and what memory holds is read anew.
 */
import type { Statement } from "better-sqlite3";
import type { JudgeGap } from "../model/gap.ts";
import { type DevAddr, type Eui, formatDevAddr } from "../model/identifiers.ts";
import { forgetStep, isForgetting, stepOfGateway } from "./forget.ts";
import { GapAnalyst, type StepOptions } from "./gaps/gap-analyst.ts";
import { type HeldDatagram, HeldLog, type LeftHeld } from "./held-log.ts";
import { HourGatherer } from "./hours/hour-gatherer.ts";
import type { Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";
import { ArrivalWriter, type DecodedArrival } from "./recorder/arrivals.ts";
import type { Recounted } from "./recorder/counters.ts";
import { RejectionWriter } from "./recorder/datagrams.ts";
import { Derivation, JoinWriter } from "./recorder/derive.ts";
import type { DownlinkArrival } from "./recorder/downlinks.ts";
import { GatewayWriter } from "./recorder/gateways.ts";
import { type AdoptedRange, RecordedTimeWriter, type ServiceBegin } from "./recorder/recorded-time-writer.ts";
import { RoundTripWriter } from "./recorder/round-trips.ts";
import { nothingRecorded, type Recorded } from "./recorder/rows.ts";
import { Removal, type RemovalOptions } from "./removal.ts";
import { removedToUs } from "./retention.ts";
import { retraceArrivals } from "./retrace-arrivals.ts";

export type { DecodedArrival } from "./recorder/arrivals.ts";
export type { DownlinkArrival } from "./recorder/downlinks.ts";

/** Frames accounted again in one step behind the traffic: some 20 ms. */
const MAX_FRAMES_A_STEP = 500;

/** Rows of one kind that go with an identifier that gives way; one with more goes in several transactions. */
const MAX_ROWS_GIVING_WAY = 200;

export interface RecordOptions {
  /** True: addresses whose frames came out of order are left to `workOnGaps` (a long import). */
  readonly deferSettling?: boolean;
  /** Asked after each datagram but the last, with how many are done: true ends the batch there. */
  readonly isEnough?: (done: number) => boolean;
  /** The capture that is read, its row. */
  readonly captureId?: number;
  /** Another store's datagrams: recorded time and round trips come from that store itself (`adopt`). */
  readonly isMerged?: boolean;
  /** So many datagrams from the front of the batch are held (`hold`), and are no more once they are rows. */
  readonly held?: number;
}

/** A heartbeat is written this long after the newest heartbeat or datagram: so exactly is a crash dated. Chosen. */
const HEARTBEAT_US = 2_000_000;

export class Recorder {
  readonly #db: Store;
  readonly #beforeWrite: () => void;
  readonly #gateways: GatewayWriter;
  readonly #derivation: Derivation;
  readonly #refusals: RejectionWriter;
  readonly #joins: JoinWriter;
  readonly #gaps: GapAnalyst;
  readonly #hours: HourGatherer;
  readonly #arrivals: ArrivalWriter;
  readonly #roundTrips: RoundTripWriter;
  readonly #recordedTime: RecordedTimeWriter;
  readonly #removal: Removal;
  readonly #held: HeldLog;
  /** The newest moment that is noted in the log of held datagrams. */
  #heldToUs = Number.NEGATIVE_INFINITY;
  /** What is older is not taken in again: it was summed up and removed. */
  #removedToUs: number;
  #dataVersion: number;
  readonly #version: Statement;
  readonly #settledBehind = new Set<DevAddr>();
  #recorded: Recorded = nothingRecorded();

  /**
   * `judge` makes the findings of gaps; without it gaps are found and wait for a process that judges. `beforeWrite` may
   * throw an error of the store: then nothing is written.
   */
  constructor(db: Store, judge: JudgeGap | null = null, beforeWrite: () => void = () => undefined) {
    this.#db = db;
    this.#beforeWrite = beforeWrite;
    this.#recordedTime = new RecordedTimeWriter(db);
    this.#gaps = new GapAnalyst(db, judge, () => this.#recordedTime.time);
    this.#hours = new HourGatherer(db);
    this.#gateways = new GatewayWriter(db);
    this.#derivation = new Derivation(db, {
      fromTheStart: false,
      onFrame: (devAddr, frameAtUs) => this.#gaps.noteFrame(devAddr, frameAtUs),
    });
    this.#refusals = new RejectionWriter(db);
    this.#joins = new JoinWriter(db);
    this.#roundTrips = new RoundTripWriter(db);
    this.#arrivals = new ArrivalWriter(db, {
      gateways: this.#gateways,
      derivation: this.#derivation,
      refusals: this.#refusals,
      joins: this.#joins,
      gaps: this.#gaps,
      roundTrips: this.#roundTrips,
      recordedTime: this.#recordedTime,
    });
    this.#held = new HeldLog(db);
    this.#removal = new Removal(db, {
      holdCounters: (devAddr, beforeUs, most) => this.#derivation.hold(devAddr, beforeUs, most),
      holdGaps: (devAddr, beforeUs, most) => this.#gaps.hold(devAddr, beforeUs, most),
      gatherFull: (hour) => this.#hours.gatherFull(hour),
      removed: (beforeUs) => {
        this.#removedToUs = beforeUs;
        this.#gaps.removed();
      },
    });
    this.#removedToUs = removedToUs(db);
    this.#version = db.prepare("PRAGMA data_version").pluck();
    this.#dataVersion = this.#readDataVersion();
  }

  /** Records a batch in one durable transaction. Throws when the store refuses; then nothing of it is stored. */
  record(batch: readonly (DecodedArrival | DownlinkArrival)[], options: RecordOptions = {}): Recorded {
    return this.#transact(() => {
      this.#arrivals.begin({
        captureId: options.captureId ?? null,
        isMerged: options.isMerged === true,
        removedToUs: this.#removedToUs,
        recorded: this.#recorded,
      });
      // What was accounted again since the last batch is reported with this one.
      for (const devAddr of this.#settledBehind) {
        this.#recorded.nodes.add(devAddr);
        this.#recorded.wide = true;
      }
      this.#settledBehind.clear();
      let done = 0;
      for (const [index, item] of batch.entries()) {
        if (index > 0 && options.isEnough?.(index) === true) break;
        done += 1;
        this.#arrivals.write(item);
      }
      if (this.#joins.follow()) this.#derivation.forgetKeys();
      if (options.deferSettling !== true) this.#noteRecounted(this.#derivation.settleQuick());
      const held = Math.min(done, options.held ?? 0);
      if (held > 0) this.#held.done(held);
    });
  }

  /**
   * Makes datagrams durable as they came, at a tenth of the writing; their rows come with `record`, in the same order.
   * Returns what room is left for more; "none": there was none for these, and nothing is done. Throws when the store refuses.
   */
  hold(datagrams: readonly HeldDatagram[]): "ample" | "little" | "none" {
    if (!this.#append(() => this.#held.append(datagrams))) return "none";
    for (const { atUs } of datagrams) this.#heldToUs = Math.max(this.#heldToUs, atUs);
    return this.#held.isHalfFull ? "little" : "ample";
  }

  #append(append: () => boolean): boolean {
    this.#beforeWrite();
    try {
      return this.#db.transaction(append).immediate();
    } catch (error) {
      this.#held.forget();
      throw error;
    }
  }

  /** What an earlier run held that was killed; call before `listen`, and record it. The time up to there was recorded, too. */
  takeUpHeld(): LeftHeld {
    const left = this.#held.left();
    if (left.datagrams.length > 0 || left.listenedToUs !== null)
      this.#transact(() => this.#recordedTime.resume(left.listenedToUs));
    return left;
  }

  /** Leaves nothing in the log of what is rows already. */
  wipeHeld(): void {
    this.write(() => this.#held.wipe());
  }

  /** Takes in when another store recorded whose datagrams were merged. */
  adopt(ranges: readonly AdoptedRange[]): void {
    this.#transact(() => this.#recordedTime.adopt(ranges));
  }

  /** The service listens from a moment on: after its start, a sleep, or a step of the clock. */
  listen(atUs: number, begunBy: ServiceBegin): void {
    this.#transact(() => this.#recordedTime.begin(atUs, begunBy));
  }

  /**
   * The service listens still: written where `everyUs` passed since the newest heartbeat or datagram. `last`: it ends now,
   * so the moment is written however near the last one is.
   */
  heartbeat(atUs: number, last = false, everyUs = HEARTBEAT_US): void {
    if (!last && atUs - this.#heldToUs < everyUs) return;
    if (this.#recordedTime.alive(atUs, last ? 0 : everyUs)) this.#transact(() => undefined);
  }

  /** The same beside held datagrams: their gateways are not to look silent meanwhile. */
  heartbeatHeld(atUs: number, everyUs = HEARTBEAT_US): void {
    if (atUs - this.#heldToUs < everyUs) return;
    if (this.#append(() => this.#held.noteListening(atUs))) this.#heldToUs = atUs;
  }

  /**
   * Does a bounded part of what is left to do behind the traffic, in a transaction of its own: accounts again for frames
   * that came out of order, then searches for gaps and makes their findings, then gathers hours. True: there is more.
   */
  workOnGaps(options: StepOptions): boolean {
    let isMore = false;
    this.#transact(() => {
      this.#noteRecordedTime();
      const recount = this.#derivation.recountSome(MAX_FRAMES_A_STEP);
      this.#noteRecounted(recount.recounted);
      for (const devAddr of recount.settled) this.#settledBehind.add(formatDevAddr(devAddr));
      isMore =
        recount.isMore ||
        recount.recounted.length > 0 ||
        this.#gaps.step(options) ||
        this.#hours.step(options);
    });
    return isMore;
  }

  /** The newest datagram that is stored; null: none is. */
  newestUs(): number | null {
    return this.#gaps.newestUs();
  }

  /** A capture was read to its end; what came out of order is left to `workOnGaps`. */
  endCapture(): Recorded {
    return this.#transact(() => this.#roundTrips.endOfCapture());
  }

  /** How many receptions `rebuild` would date or judge otherwise, because captures were read out of order. */
  differingByOrder(): number {
    let differing = 0;
    for (const id of this.#arrivals.outOfOrder) differing += retraceArrivals(this.#db, id, { write: false });
    return differing;
  }

  /** Accounts again for the addresses whose frames came out of order, to the end, however long it takes. */
  settle(): Recorded {
    return this.#transact(() => {
      this.#roundTrips.endOfCapture();
      this.#noteRecordedTime();
      this.#noteRecounted(this.#derivation.settle());
    });
  }

  /** What was found in time that a capture covers anew is looked for again. */
  #noteRecordedTime(): void {
    const changed = this.#recordedTime.takeChanged();
    if (changed !== null) this.#gaps.noteRecorded(changed);
  }

  /**
   * After a write that the accounting rests on (keys): takes up afresh what is stored, and accounts at once as far as
   * that takes a few milliseconds. The rest is left to `workOnGaps`; until then the addresses are due.
   */
  takeUp(): Recorded {
    this.#forget();
    return this.#transact(() => {
      this.#noteRecounted(this.#derivation.settleQuick());
    });
  }

  /** True when addresses were accounted again behind the traffic since the last batch, or since this was asked. */
  takeSettled(): boolean {
    const isAny = this.#settledBehind.size > 0;
    this.#settledBehind.clear();
    return isAny;
  }

  /** The same to the end, however long it takes; for a process that answers nobody. */
  reconsider(): Recorded {
    this.#forget();
    return this.settle();
  }

  /** Stores what speeds the next start. Call before closing the connection. */
  close(): void {
    this.#transact(() => {
      this.#derivation.storeStates();
      this.#gaps.storeStates();
      this.#held.wipe();
    });
  }

  /**
   * Any other write of this process (names, keys, captures), in a transaction of its own, so that it is not taken for
   * another process's.
   */
  write<T>(work: (db: Store) => T): T {
    this.#beforeWrite();
    const result = this.#db.transaction(() => work(this.#db)).immediate();
    this.#derivation.forgetKeys();
    return result;
  }

  #transact(work: () => void): Recorded {
    this.#beforeWrite();
    this.#recorded = nothingRecorded();
    try {
      this.#db
        .transaction(() => {
          this.#noticeOthers();
          work();
          this.#noteReplays();
          const newestUs = this.#arrivals.flush();
          this.#roundTrips.flush();
          this.#gateways.flush();
          this.#derivation.flush();
          if (newestUs !== null) this.#makeRoom(newestUs);
          this.#refusals.flush();
          this.#gaps.flush();
          this.#recordedTime.flush();
        })
        .immediate();
    } catch (error) {
      // The rows are rolled back, so what memory gathered beside them is wrong.
      this.#forget();
      throw error;
    }
    this.#roundTrips.committed();
    return this.#recorded;
  }

  #countDatagrams(eui: Eui): number {
    const of = "SELECT count(*) FROM datagram WHERE gateway_id = (SELECT id FROM gateway WHERE eui = ?)";
    return Number(prepared(this.#db, of).pluck().get(eui));
  }

  /** Identifiers that never settled give way before the last place for gateways is taken. */
  #makeRoom(atUs: number): void {
    let isAny = false;
    for (const eui of this.#gateways.givingWay(atUs)) {
      isAny = true;
      const before = this.#countDatagrams(eui);
      const isGone = stepOfGateway(this.#db, eui, MAX_ROWS_GIVING_WAY);
      // They were taken in, and are no longer there: without this the account of what arrived would not add up.
      const count = before - this.#countDatagrams(eui);
      if (count > 0) {
        const sentence = `Datagrams of gateway ${eui}, which was heard too little, went with it.`;
        const gone = { gatewayId: 0, reason: "gave_way_datagram", refused: true, count };
        this.#refusals.note({ ...gone, atUs, sentence, raw: null });
      }
      if (!isGone) continue;
      this.#gateways.gone(eui);
      const sentence = `Gateway ${eui} was heard too little to be kept: its place was needed for another.`;
      this.#refusals.note({ gatewayId: 0, reason: "gave_way", refused: false, atUs, sentence, raw: null });
    }
    if (!isAny) return;
    this.#recorded.wide = true;
    this.#derivation.forgetKeys();
    this.#derivation.forgetFrames();
  }

  /**
   * Removes a bounded part of what the rule of what is kept does not keep, in a transaction of its own. True: there is
   * more to do now.
   */
  removeMore(options: RemovalOptions): boolean {
    let isMore = false;
    if (!this.#removal.isIdle())
      this.#transact(() => {
        isMore = this.#removal.step(options);
      });
    return isMore || this.#removal.shrink();
  }

  /** True while something is to be forgotten. */
  isForgetting(): boolean {
    return isForgetting(this.#db);
  }

  /** Takes away a bounded part of what a person asked to forget. True: there is more. */
  forgetMore(mostRows: number): boolean {
    let isMore = false;
    try {
      this.#transact(() => {
        isMore = forgetStep(this.#db, mostRows);
      });
    } finally {
      // Rows went that memory may hold something of.
      this.#forget();
    }
    return isMore;
  }

  #noteReplays(): void {
    for (const atUs of this.#derivation.takeReplays()) {
      const sentence = "A frame came again at a time when its node did not send it any more.";
      this.#refusals.note({ gatewayId: 0, reason: "replay", refused: false, atUs, sentence, raw: null });
    }
  }

  #noteRecounted(recounted: readonly Recounted[]): void {
    for (const { devAddr, fromUs } of recounted) {
      this.#recorded.nodes.add(formatDevAddr(devAddr));
      this.#recorded.wide = true;
      this.#gaps.noteRedone(devAddr, fromUs);
    }
  }

  /** `data_version` changes only when another connection committed. */
  #noticeOthers(): void {
    const version = this.#readDataVersion();
    if (version === this.#dataVersion) return;
    this.#dataVersion = version;
    this.#forget();
  }

  #readDataVersion(): number {
    return Number(this.#version.get());
  }

  #forget(): void {
    this.#recordedTime.invalidate();
    this.#joins.forget();
    this.#arrivals.forget();
    this.#roundTrips.rollBack();
    this.#gateways.forget();
    this.#derivation.forget();
    this.#refusals.forget();
    this.#gaps.forget();
    this.#removal.forget();
    this.#held.forget();
    this.#removedToUs = removedToUs(this.#db);
  }
}
