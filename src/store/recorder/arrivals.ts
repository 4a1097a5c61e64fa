/**
 * What rows does one datagram become, and which of its parts are refused, noted or stored before? Within the transaction
 * of the recorder, which hands in what it shares with the work behind the traffic.
 */
import type {
  Arrival,
  Crc,
  PushData,
  RadioPacket,
  Signal,
  StatusReport,
  TxAck,
} from "../../model/datagram.ts";
import { describeFault, type Oddity } from "../../model/fault.ts";
import { airtimeOfReception } from "../../radio/airtime.ts";
import { refusedReasons, type UpstreamDecoding } from "../../wire/forwarder/upstream.ts";
import { codingRateCode, dataRateCode } from "../data-rate-code.ts";
import type { GapAnalyst } from "../gaps/gap-analyst.ts";
import type { Store } from "../open.ts";
import { DatagramWriter, type RejectionWriter } from "./datagrams.ts";
import type { Derivation, JoinWriter } from "./derive.ts";
import { type DownlinkArrival, DownlinkWriter } from "./downlinks.ts";
import type { GatewayEntry, GatewayWriter } from "./gateways.ts";
import type { Sought } from "./reception-memory.ts";
import { ReceptionWriter, soughtOf, tenths, tmstKeyOf } from "./receptions.ts";
import type { RecordedSource, RecordedTimeWriter } from "./recorded-time-writer.ts";
import { ReportWriter } from "./reports.ts";
import type { RoundTripWriter } from "./round-trips.ts";
import { endpointText, type NewReception, nothingRecorded, type Recorded } from "./rows.ts";

/** A datagram as a door received it, with what the wire floor made of it. */
export interface DecodedArrival {
  readonly arrival: Arrival;
  readonly decoding: UpstreamDecoding;
}

/** Writers that the recorder uses too, behind the traffic. */
export interface SharedWriters {
  readonly gateways: GatewayWriter;
  readonly derivation: Derivation;
  readonly refusals: RejectionWriter;
  readonly joins: JoinWriter;
  readonly gaps: GapAnalyst;
  readonly roundTrips: RoundTripWriter;
  readonly recordedTime: RecordedTimeWriter;
}

/** What holds for all datagrams of a batch. */
export interface BatchFacts {
  /** The capture that is read, its row. */
  readonly captureId: number | null;
  /** Another store's datagrams: recorded time and round trips come from that store itself. */
  readonly isMerged: boolean;
  /** What is older is not taken in again: it was summed up and removed. */
  readonly removedToUs: number;
  /** Counts what is done. */
  readonly recorded: Recorded;
}

export class ArrivalWriter {
  readonly #gateways: GatewayWriter;
  readonly #derivation: Derivation;
  readonly #refusals: RejectionWriter;
  readonly #joins: JoinWriter;
  readonly #gaps: GapAnalyst;
  readonly #roundTrips: RoundTripWriter;
  readonly #recordedTime: RecordedTimeWriter;
  readonly #datagrams: DatagramWriter;
  readonly #receptions: ReceptionWriter;
  readonly #reports: ReportWriter;
  readonly #downlinks: DownlinkWriter;
  /** Gateways of which a capture held a datagram older than one that was stored. */
  readonly outOfOrder = new Set<number>();
  #batch: BatchFacts = { captureId: null, isMerged: false, removedToUs: 0, recorded: nothingRecorded() };
  #newestUs = Number.NEGATIVE_INFINITY;

  constructor(db: Store, shared: SharedWriters) {
    this.#gateways = shared.gateways;
    this.#derivation = shared.derivation;
    this.#refusals = shared.refusals;
    this.#joins = shared.joins;
    this.#gaps = shared.gaps;
    this.#roundTrips = shared.roundTrips;
    this.#recordedTime = shared.recordedTime;
    this.#datagrams = new DatagramWriter(db);
    this.#receptions = new ReceptionWriter(db);
    this.#reports = new ReportWriter(db);
    this.#downlinks = new DownlinkWriter(db);
  }

  /** What follows belongs to this batch. */
  begin(batch: BatchFacts): void {
    this.#batch = batch;
  }

  write(item: DecodedArrival | DownlinkArrival): void {
    const { arrival } = item;
    if (arrival.atUs < this.#batch.removedToUs) {
      this.#refuseRemoved(arrival);
      return;
    }
    if (!this.#batch.isMerged) this.#recordedTime.heard(this.#sourceOf(arrival), arrival.atUs);
    if ("downlink" in item) this.#recordDownlink(item);
    else this.#recordOne(item);
  }

  /** At the end of a transaction: what was gathered is written. Returns the newest datagram's time in it; null: there was none. */
  flush(): number | null {
    const newestUs = this.#newestUs;
    this.#newestUs = Number.NEGATIVE_INFINITY;
    if (!Number.isFinite(newestUs)) return null;
    this.#downlinks.flush(newestUs);
    return newestUs;
  }

  /** The rows are rolled back, or another connection wrote. */
  forget(): void {
    this.#newestUs = Number.NEGATIVE_INFINITY;
    this.#datagrams.forget();
    this.#receptions.forget();
    this.#downlinks.forget();
  }

  #sourceOf({ door }: Arrival): RecordedSource {
    return door === "capture" ? { kind: "capture", captureId: this.#batch.captureId } : { kind: "service" };
  }

  /** A server's datagram: a packet for sending, or an acknowledgement. Not counted among the datagrams of gateways. */
  #recordDownlink(item: DownlinkArrival): void {
    const { arrival, downlink } = item;
    this.#batch.recorded.answers += 1;
    this.#newestUs = Math.max(this.#newestUs, arrival.atUs);
    const payload = this.#downlinks.keep(item, this.#gateways);
    if (payload !== null) {
      this.#joins.handedOut(payload, arrival.atUs);
      this.#batch.recorded.wide = true;
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
    this.#batch.recorded.fromUs = Math.min(this.#batch.recorded.fromUs, arrival.atUs);
    this.#batch.recorded.toUs = Math.max(this.#batch.recorded.toUs, arrival.atUs);
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
    if (!this.#batch.isMerged)
      this.#recordedTime.heardGateway(this.#sourceOf(arrival), gateway.id, arrival.atUs);
    const standing = this.#datagrams.book(gateway.id, arrival, datagram.kind);
    if (standing === "known") {
      this.#batch.recorded.knownAlready += 1;
      return;
    }
    if (standing === "duplicate") {
      this.#note(arrival, gateway.id, { reason: "duplicate", keepRaw: false }, false);
      if (datagram.kind === "push-data") this.#noteArrival(arrival, gateway, datagram);
      return;
    }
    this.#batch.recorded.datagrams += 1;
    this.#batch.recorded.gateways.add(gateway.eui);
    if (arrival.door === "capture" && arrival.atUs < gateway.lastAtUs) this.outOfOrder.add(gateway.id);
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
        if (!this.#batch.isMerged) this.#roundTrips.asked(arrival, gateway.id, "pull-data", datagram.token);
        this.#gateways.pulled(gateway, endpointText(arrival.from), arrival.atUs);
        this.#gateways.count(gateway, arrival.atUs, "keepalives");
        break;
      case "tx-ack":
        this.#recordOutcome(arrival, gateway, datagram);
        break;
    }
  }

  #recordPush(arrival: Arrival, gateway: GatewayEntry, datagram: PushData): void {
    if (!this.#batch.isMerged) this.#roundTrips.asked(arrival, gateway.id, "push-data", datagram.token);
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
    this.#batch.recorded.receptions += 1;
    this.#batch.recorded.lastReceptionId = Math.max(this.#batch.recorded.lastReceptionId, kept.id);
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
    if (devAddr !== null) this.#batch.recorded.nodes.add(devAddr);
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
      this.#batch.recorded.knownAlready += 1;
      return;
    }
    this.#batch.recorded.refused += 1;
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
