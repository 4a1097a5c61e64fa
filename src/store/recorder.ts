/**
 * How do decoded datagrams become rows? One transaction a batch: datagrams, receptions, frames, counters and
 * roll-ups together, so that a commit is a consistent whole and an acknowledgement can follow it.
 *
 * The one writer of a process. Another process may write to the same file in between (an import beside the
 * running service): that is noticed, and what memory holds is read anew.
 */
import type { Statement } from "better-sqlite3";
import type { Arrival, Crc, PushData, RadioPacket, Signal, StatusReport, TxAck } from "../model/datagram.ts";
import { describeFault, type Oddity } from "../model/fault.ts";
import type { JudgeGap } from "../model/gap.ts";
import { type DevAddr, type Eui, formatDevAddr } from "../model/identifiers.ts";
import { airtimeOfReception } from "../radio/airtime.ts";
import { refusedReasons, type UpstreamDecoding } from "../wire/forwarder/upstream.ts";
import { codingRateCode, dataRateCode } from "./data-rate-code.ts";
import { forgetStep, isForgetting, stepOfGateway } from "./forget.ts";
import { GapAnalyst, type StepOptions } from "./gaps/gap-analyst.ts";
import { type HeldDatagram, HeldLog, type LeftHeld } from "./held-log.ts";
import { HourGatherer } from "./hours/hour-gatherer.ts";
import type { Store } from "./open.ts";
import { prepared } from "./queries/statement.ts";
import type { Recounted } from "./recorder/counters.ts";
import { DatagramWriter, RejectionWriter } from "./recorder/datagrams.ts";
import { Derivation, JoinWriter } from "./recorder/derive.ts";
import { type DownlinkArrival, DownlinkWriter } from "./recorder/downlinks.ts";
import { type GatewayEntry, GatewayWriter } from "./recorder/gateways.ts";
import type { Sought } from "./recorder/reception-memory.ts";
import { ReceptionWriter, soughtOf, tenths, tmstKeyOf } from "./recorder/receptions.ts";
import {
  type AdoptedRange,
  type RecordedSource,
  RecordedTimeWriter,
  type ServiceBegin,
} from "./recorder/recorded-time-writer.ts";
import { ReportWriter } from "./recorder/reports.ts";
import { RoundTripWriter } from "./recorder/round-trips.ts";
import { endpointText, type NewReception, nothingRecorded, type Recorded } from "./recorder/rows.ts";
import { Removal, type RemovalOptions } from "./removal.ts";
import { removedToUs } from "./retention.ts";
import { retraceArrivals } from "./retrace-arrivals.ts";

export type { DownlinkArrival } from "./recorder/downlinks.ts";

/** A datagram as a door received it, with what the wire floor made of it. */
export interface DecodedArrival {
  readonly arrival: Arrival;
  readonly decoding: UpstreamDecoding;
}

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
  readonly #datagrams: DatagramWriter;
  readonly #receptions: ReceptionWriter;
  readonly #derivation: Derivation;
  readonly #refusals: RejectionWriter;
  readonly #reports: ReportWriter;
  readonly #joins: JoinWriter;
  readonly #gaps: GapAnalyst;
  readonly #hours: HourGatherer;
  readonly #downlinks: DownlinkWriter;
  readonly #roundTrips: RoundTripWriter;
  readonly #recordedTime: RecordedTimeWriter;
  readonly #removal: Removal;
  readonly #held: HeldLog;
  /** The newest moment that is noted in the log of held datagrams. */
  #heldToUs = Number.NEGATIVE_INFINITY;
  /** What is older is not taken in again: it was summed up and removed. */
  #removedToUs: number;
  #captureId: number | null = null;
  #isMerged = false;
  #dataVersion: number;
  readonly #version: Statement;
  readonly #settledBehind = new Set<DevAddr>();
  /** Gateways of which a capture held a datagram older than one that was stored. */
  readonly #outOfOrder = new Set<number>();
  /** The newest datagram of the transaction. */
  #newestUs = Number.NEGATIVE_INFINITY;
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
    this.#datagrams = new DatagramWriter(db);
    this.#receptions = new ReceptionWriter(db);
    this.#derivation = new Derivation(db, {
      fromTheStart: false,
      onFrame: (devAddr, frameAtUs) => this.#gaps.noteFrame(devAddr, frameAtUs),
    });
    this.#refusals = new RejectionWriter(db);
    this.#reports = new ReportWriter(db);
    this.#joins = new JoinWriter(db);
    this.#downlinks = new DownlinkWriter(db);
    this.#roundTrips = new RoundTripWriter(db);
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
    this.#captureId = options.captureId ?? null;
    this.#isMerged = options.isMerged === true;
    return this.#transact(() => {
      // What was accounted again since the last batch is told with this one.
      for (const devAddr of this.#settledBehind) {
        this.#recorded.nodes.add(devAddr);
        this.#recorded.wide = true;
      }
      this.#settledBehind.clear();
      let done = 0;
      for (const [index, item] of batch.entries()) {
        if (index > 0 && options.isEnough?.(index) === true) break;
        done += 1;
        if (item.arrival.atUs < this.#removedToUs) {
          this.#refuseRemoved(item.arrival);
          continue;
        }
        if (!this.#isMerged) this.#recordedTime.heard(this.#sourceOf(item.arrival), item.arrival.atUs);
        if ("downlink" in item) this.#recordDownlink(item);
        else this.#recordOne(item);
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

  #sourceOf({ door }: Arrival): RecordedSource {
    return door === "capture" ? { kind: "capture", captureId: this.#captureId } : { kind: "service" };
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

  /** A capture was read to its end; what came out of order is left to `workOnGaps`. */
  endCapture(): Recorded {
    return this.#transact(() => this.#roundTrips.endOfCapture());
  }

  /** How many receptions `rebuild` would date or judge otherwise, because captures were read out of order. */
  differingByOrder(): number {
    let differing = 0;
    for (const id of this.#outOfOrder) differing += retraceArrivals(this.#db, id, { write: false });
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
    this.#newestUs = Number.NEGATIVE_INFINITY;
    try {
      this.#db
        .transaction(() => {
          this.#noticeOthers();
          work();
          this.#noteReplays();
          if (Number.isFinite(this.#newestUs)) this.#downlinks.flush(this.#newestUs);
          this.#roundTrips.flush();
          this.#gateways.flush();
          this.#derivation.flush();
          if (Number.isFinite(this.#newestUs)) this.#makeRoom(this.#newestUs);
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
    this.#downlinks.forget();
    this.#roundTrips.rollBack();
    this.#gateways.forget();
    this.#datagrams.forget();
    this.#receptions.forget();
    this.#derivation.forget();
    this.#refusals.forget();
    this.#gaps.forget();
    this.#removal.forget();
    this.#held.forget();
    this.#removedToUs = removedToUs(this.#db);
  }

  /** A server's datagram: a packet for sending, or an acknowledgement. Not counted among the datagrams of gateways. */
  #recordDownlink(item: DownlinkArrival): void {
    const { arrival, downlink } = item;
    this.#recorded.answers += 1;
    this.#newestUs = Math.max(this.#newestUs, arrival.atUs);
    const payload = this.#downlinks.keep(item, this.#gateways);
    if (payload !== null) {
      this.#joins.handedOut(payload, arrival.atUs);
      this.#recorded.wide = true;
      this.#gaps.noteDatagram(0, arrival.atUs);
    }
    this.#noteDownlink(item, payload !== null);
    if (!downlink.ok) return;
    const { kind, token } = downlink.datagram;
    if (kind === "push-ack") this.#roundTrips.answered(arrival, "push-data", token);
    else if (kind === "pull-ack") this.#roundTrips.answered(arrival, "pull-data", token);
  }

  /**
   * Counts a server's datagram that could not be used, once, under no gateway: it is none of a gateway's. What was odd
   * in one that is kept is counted too.
   */
  #noteDownlink({ arrival, downlink }: DownlinkArrival, isKept: boolean): void {
    if (!downlink.ok) {
      const { reason } = downlink.fault;
      const keepRaw = arrival.bytes.length > 0;
      const detail = describeFault(downlink.fault);
      // An error of ours is one reason, whichever way the datagram went.
      const name = reason === "internal" ? reason : `downlink_${reason}`;
      this.#refuse(arrival, 0, { reason: name, detail, keepRaw }, true);
      return;
    }
    if (downlink.datagram.kind !== "pull-response") return;
    const oddities = downlink.oddities.map((oddity) => ({ ...oddity, reason: `downlink_${oddity.reason}` }));
    if (isKept) {
      for (const oddity of oddities) this.#note(arrival, 0, oddity, false);
      return;
    }
    const length = downlink.datagram.transmission?.payload?.length ?? 0;
    // Stored before.
    if (length > 0) return;
    // The first of the reasons that leave nothing to send; an empty payload is one here.
    const why =
      oddities.find(({ reason }) => refusedReasons.has(reason.slice("downlink_".length))) ??
      oddities.find(({ reason }) => reason === "downlink_data_empty") ??
      ({ reason: "downlink_data_empty" } as const);
    this.#refuse(arrival, 0, { ...why, keepRaw: true }, true);
  }

  #recordOne({ arrival, decoding }: DecodedArrival): void {
    this.#newestUs = Math.max(this.#newestUs, arrival.atUs);
    this.#recorded.fromUs = Math.min(this.#recorded.fromUs, arrival.atUs);
    this.#recorded.toUs = Math.max(this.#recorded.toUs, arrival.atUs);
    if (!decoding.ok) {
      const { reason } = decoding.fault;
      this.#refuse(
        arrival,
        0,
        { reason, detail: describeFault(decoding.fault), keepRaw: arrival.bytes.length > 0 },
        true,
      );
      return;
    }
    const { datagram } = decoding;
    const gateway = this.#gateways.entry(datagram.gatewayEui, arrival.atUs);
    if (gateway === null) {
      this.#refuse(arrival, 0, { reason: "cap", detail: "too many gateways", keepRaw: false }, true);
      return;
    }
    if (!this.#isMerged) this.#recordedTime.heardGateway(this.#sourceOf(arrival), gateway.id, arrival.atUs);
    const standing = this.#datagrams.book(gateway.id, arrival, datagram.kind);
    if (standing === "known") {
      this.#recorded.knownAlready += 1;
      return;
    }
    if (standing === "duplicate") {
      this.#note(arrival, gateway.id, { reason: "duplicate", keepRaw: false }, false);
      if (datagram.kind === "push-data") this.#noteArrival(arrival, gateway, datagram);
      return;
    }
    this.#recorded.datagrams += 1;
    this.#recorded.gateways.add(gateway.eui);
    if (arrival.door === "capture" && arrival.atUs < gateway.lastAtUs) this.#outOfOrder.add(gateway.id);
    this.#gateways.heard(gateway, arrival.atUs, datagram.version);
    this.#gateways.count(gateway, arrival.atUs, "datagrams");
    this.#gaps.noteDatagram(gateway.id, arrival.atUs);
    for (const oddity of decoding.oddities) {
      // A wrong CRC is the air's business, counted with the packets.
      if (oddity.reason === "crc_bad") continue;
      this.#note(arrival, gateway.id, oddity, refusedReasons.has(oddity.reason));
    }
    switch (datagram.kind) {
      case "push-data":
        this.#recordPush(arrival, gateway, datagram);
        break;
      case "pull-data":
        if (!this.#isMerged) this.#roundTrips.asked(arrival, gateway.id, "pull-data", datagram.token);
        this.#gateways.pulled(gateway, endpointText(arrival.from), arrival.atUs);
        this.#gateways.count(gateway, arrival.atUs, "keepalives");
        break;
      case "tx-ack":
        this.#recordOutcome(arrival, gateway, datagram);
        break;
    }
  }

  #recordPush(arrival: Arrival, gateway: GatewayEntry, datagram: PushData): void {
    if (!this.#isMerged) this.#roundTrips.asked(arrival, gateway.id, "push-data", datagram.token);
    this.#gateways.pushed(gateway, endpointText(arrival.from), arrival.atUs);
    if (datagram.status !== null) this.#recordStatus(arrival, gateway, datagram.status);
    // In order of the counter, as receptions are gone through when all is derived again.
    const packets = [...datagram.packets].sort((a, b) => (a.tmstUs ?? 0) - (b.tmstUs ?? 0));
    for (const packet of packets) this.#recordPacket(arrival, gateway, packet);
  }

  #recordStatus(arrival: Arrival, gateway: GatewayEntry, status: StatusReport): void {
    this.#gateways.count(gateway, arrival.atUs, "status_reports");
    this.#reports.status(gateway.id, arrival.atUs, status);
  }

  #recordOutcome(arrival: Arrival, gateway: GatewayEntry, datagram: TxAck): void {
    this.#reports.outcome(gateway.id, arrival.atUs, datagram.token, datagram.outcome);
    this.#downlinks.answered(gateway.id, arrival, datagram.token, datagram.outcome);
  }

  /** One packet, a row for each antenna that heard it. */
  #recordPacket(arrival: Arrival, gateway: GatewayEntry, packet: RadioPacket): void {
    const { payload } = packet;
    const arrivedUs = arrival.atUs;
    const tmstUs = counterOf(packet);
    const heard = {
      gatewayId: gateway.id,
      arrivedUs,
      atUs: arrivedUs,
      tmstKey: tmstKeyOf(tmstUs, payload),
      packet,
      dataRate: dataRateCode(packet.modulation),
      codingRate: codingRateCode(packet.modulation),
      airtimeUs: payload === null ? 0 : airtimeOfReception(packet.modulation, payload.length, packet.crc),
      payload,
    };
    const isNew = (signal: Signal) => !this.#isRepeated(gateway, soughtOf(heard, signal));
    // In order of the antennas: the first stands for the packet.
    const signals = packet.signals.filter(isNew).sort((a, b) => a.antenna - b.antenna);
    if (signals.length === 0) return;
    const atUs = tmstUs === null ? arrivedUs : this.#gateways.heardAtUs(gateway, { tmstUs, atUs: arrivedUs });
    if (atUs !== arrivedUs) {
      this.#note(arrival, gateway.id, { reason: "late", keepRaw: false }, false);
      this.#gaps.noteDatagram(gateway.id, atUs);
    }
    if (tmstUs !== null && !packet.delayed) this.#gateways.followCounter(gateway, { tmstUs, atUs });
    heard.atUs = atUs;
    for (const signal of signals) this.#recordReception(arrival, gateway, heard, signal);
  }

  /** The same datagram once more: where it arrived earlier than the one that is stored, that time is kept. */
  #noteArrival(arrival: Arrival, gateway: GatewayEntry, datagram: PushData): void {
    for (const packet of datagram.packets) {
      const { payload } = packet;
      const tmstKey = tmstKeyOf(counterOf(packet), payload);
      for (const signal of packet.signals) {
        const sought = soughtOf({ arrivedUs: arrival.atUs, tmstKey, packet, payload }, signal);
        this.#receptions.deliveredBefore(gateway.id, sought);
      }
    }
  }

  /** Whether it was delivered before; then the later of the two deliveries is counted as repeated. */
  #isRepeated(gateway: GatewayEntry, sought: Sought): boolean {
    const beforeUs = this.#receptions.deliveredBefore(gateway.id, sought);
    if (beforeUs === null) return false;
    const atUs = Math.max(beforeUs, sought.arrivedUs);
    const reason = "reception_repeated";
    this.#refusals.note({ gatewayId: gateway.id, reason, refused: false, atUs, sentence: reason, raw: null });
    return true;
  }

  #recordReception(arrival: Arrival, gateway: GatewayEntry, reception: NewReception, signal: Signal): void {
    const { packet, atUs } = reception;
    const kept = this.#receptions.keep(reception, signal);
    this.#recorded.receptions += 1;
    this.#recorded.lastReceptionId = Math.max(this.#recorded.lastReceptionId, kept.id);
    for (const ghost of kept.unmasked) {
      this.#note(arrival, gateway.id, { reason: "ghost", keepRaw: false }, false);
      this.#derivation.takeBack(gateway.id, ghost);
      if (ghost.further === 0) this.#gateways.uncount(gateway, ghost.atUs, CRC_COUNTS[ghost.crc]);
    }
    if (kept.ghost) {
      this.#note(arrival, gateway.id, { reason: "ghost", keepRaw: false }, false);
      return;
    }
    if (!kept.further) this.#gateways.count(gateway, atUs, CRC_COUNTS[packet.crc]);
    const { devAddr, isJoinRequest, fault } = this.#derivation.derive({
      receptionId: kept.id,
      gatewayId: gateway.id,
      antenna: signal.antenna,
      atUs,
      tmstKey: reception.tmstKey,
      frequencyHz: packet.frequencyHz,
      dataRate: reception.dataRate,
      airtimeUs: reception.airtimeUs,
      further: kept.further,
      rssiTenths: tenths(signal.rssiDbm),
      crc: packet.crc === "ok" || packet.crc === "bad" ? packet.crc : "other",
      payload: reception.payload,
    });
    if (devAddr !== null) this.#recorded.nodes.add(devAddr);
    if (isJoinRequest) this.#joins.requested(atUs);
    if (fault !== null) {
      const oddity = { reason: `phy_${fault.reason}`, detail: describeFault(fault), keepRaw: false };
      this.#note(arrival, gateway.id, oddity, false);
    }
  }

  /** Its time was removed by the rule of what is kept, and its hours stand as they were gathered. */
  #refuseRemoved(arrival: Arrival): void {
    const detail = "It is older than what the store keeps.";
    this.#refuse(arrival, 0, { reason: "removed_time", detail, keepRaw: false }, true);
  }

  /** A datagram that was not used at all. */
  #refuse(arrival: Arrival, gatewayId: number, oddity: Oddity, refused: boolean): void {
    // Reading a capture twice must not count its refusals twice. Live traffic never comes twice.
    if (arrival.door === "capture" && !this.#datagrams.bookRefused(arrival.atUs, arrival.bytes)) {
      this.#recorded.knownAlready += 1;
      return;
    }
    this.#recorded.refused += 1;
    this.#note(arrival, gatewayId, oddity, refused);
  }

  #note(arrival: Arrival, gatewayId: number, oddity: Oddity, refused: boolean): void {
    this.#refusals.note({
      gatewayId,
      reason: oddity.reason,
      refused,
      atUs: arrival.atUs,
      count: oddity.count,
      sentence: oddity.detail ?? oddity.reason,
      raw: oddity.keepRaw ? { bytes: arrival.bytes, source: endpointText(arrival.from) } : null,
    });
  }
}

const CRC_COUNTS = {
  ok: "crc_ok",
  bad: "crc_bad",
  none: "crc_none",
  unknown: "crc_none",
} as const satisfies Record<Crc, string>;

/** The concentrator's counter. 0 is the placeholder of forwarders that have none: a real one shows it for one microsecond in 71 minutes. */
function counterOf({ tmstUs }: RadioPacket): number | null {
  return tmstUs === 0 ? null : tmstUs;
}
