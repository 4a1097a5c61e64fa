/** The rows that a gateway's datagrams are put together from, by the moment of their arrival. */
import { MAX_PATH_DELAY_US } from "../../ledger/concentrator-time.ts";
import type { RadioPacket, Signal, StatusReport, TransmitOutcome } from "../../model/datagram.ts";
import type { Eui } from "../../model/identifiers.ts";
import type { TimeRange } from "../../model/time-range.ts";
import { modulationFromCodes } from "../data-rate-code.ts";
import type { Store } from "../open.ts";
import type { ReportRecord } from "../queries/bench.ts";
import { prepared } from "../queries/statement.ts";
import { CRCS } from "../recorder/rows.ts";

export interface GatewayRow {
  readonly id: number;
  readonly eui: Eui;
  readonly versions: number;
  readonly firstAtUs: number;
  readonly pushSource: string | null;
  readonly pullSource: string | null;
  readonly latitude: number | null;
  readonly longitude: number | null;
  readonly altitudeM: number | null;
  readonly platform: string | null;
  readonly description: string | null;
  readonly positionAtUs: number;
  readonly altitudeAtUs: number;
  readonly platformAtUs: number;
  readonly descriptionAtUs: number;
}

export function gatewayRows(store: Store): GatewayRow[] {
  return prepared(
    store,
    `SELECT id, eui, versions, first_at_us AS firstAtUs, push_source AS pushSource, pull_source AS pullSource, latitude,
            longitude, altitude_m AS altitudeM, platform, description, position_at_us AS positionAtUs,
            altitude_at_us AS altitudeAtUs, platform_at_us AS platformAtUs, description_at_us AS descriptionAtUs
     FROM gateway ORDER BY id`,
  ).all() as GatewayRow[];
}

export interface ReceptionRow {
  readonly id: number;
  readonly atUs: number;
  readonly arrivedUs: number;
  readonly tmstKey: number;
  readonly crc: number;
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  readonly codingRate: number;
  readonly antenna: number;
  readonly ifChannel: number | null;
  readonly rfChain: number | null;
  readonly rssiTenths: number | null;
  readonly signalRssiTenths: number | null;
  readonly snrTenths: number | null;
  readonly frequencyOffsetHz: number | null;
  readonly gatewayTimeUs: number | null;
  readonly delayed: number;
  readonly payload: Uint8Array | null;
}

const RECEPTION = `r.id, r.at_us AS atUs, r.at_us + r.late_us AS arrivedUs, r.tmst_key AS tmstKey, r.crc,
  r.frequency_hz AS frequencyHz, r.data_rate AS dataRate, r.coding_rate AS codingRate, r.antenna,
  r.if_channel AS ifChannel, r.rf_chain AS rfChain, r.rssi_tenths AS rssiTenths,
  r.signal_rssi_tenths AS signalRssiTenths, r.snr_tenths AS snrTenths, r.frequency_offset_hz AS frequencyOffsetHz,
  r.at_us + r.gateway_offset_us AS gatewayTimeUs, r.delayed, r.payload`;

/**
 * One gateway's receptions by the moment of their arrival. The index is by the moment of hearing, which the path's delay
 * sets apart from it: what was heard up to that much later is read ahead and held.
 */
export class ArrivedReceptions {
  readonly #store: Store;
  readonly #gatewayId: number;
  readonly #window: TimeRange;
  readonly #devAddr: number | undefined;
  readonly #page: number;
  readonly #held = new Map<number, ReceptionRow[]>();
  #last: { atUs: number; id: number };
  #readToUs: number;

  constructor(store: Store, gatewayId: number, window: TimeRange, devAddr: number | undefined, page: number) {
    this.#store = store;
    this.#gatewayId = gatewayId;
    this.#window = window;
    this.#devAddr = devAddr;
    this.#page = page;
    this.#readToUs = window.fromUs - MAX_PATH_DELAY_US;
    this.#last = { atUs: this.#readToUs - 1, id: Number.MAX_SAFE_INTEGER };
  }

  /** Those that arrived before a moment and were not asked for yet. */
  until(atUs: number): Map<number, ReceptionRow[]> {
    this.#readTo(atUs + MAX_PATH_DELAY_US);
    const arrived = new Map<number, ReceptionRow[]>();
    for (const [arrivedUs, rows] of this.#held) {
      if (arrivedUs >= atUs) continue;
      arrived.set(arrivedUs, rows);
      this.#held.delete(arrivedUs);
    }
    return arrived;
  }

  #readTo(toUs: number): void {
    if (toUs <= this.#readToUs) return;
    const ofNode =
      this.#devAddr === undefined ? "" : "AND (SELECT dev_addr FROM frame WHERE id = r.frame_id) = @devAddr";
    const rows = prepared(
      this.#store,
      `SELECT ${RECEPTION} FROM reception r INDEXED BY reception_by_gateway
       WHERE r.gateway_id = @gateway AND (r.at_us, r.id) > (@atUs, @id) AND r.at_us < @to ${ofNode}
       ORDER BY r.at_us, r.id LIMIT @page`,
    );
    for (;;) {
      const values = { gateway: this.#gatewayId, ...this.#last, to: toUs, page: this.#page };
      const found = rows.all(
        this.#devAddr === undefined ? values : { ...values, devAddr: this.#devAddr },
      ) as ReceptionRow[];
      for (const row of found) {
        if (row.arrivedUs < this.#window.fromUs || row.arrivedUs >= this.#window.toUs) continue;
        const same = this.#held.get(row.arrivedUs);
        if (same === undefined) this.#held.set(row.arrivedUs, [row]);
        else same.push(row);
      }
      const end = found.at(-1);
      if (end !== undefined) this.#last = { atUs: end.atUs, id: end.id };
      if (found.length < this.#page) break;
    }
    this.#readToUs = toUs;
  }
}

/** One packet for all antennas that heard it. */
export function packetsOf(rows: readonly ReceptionRow[]): RadioPacket[] {
  const packets: { readonly row: ReceptionRow; readonly signals: Signal[] }[] = [];
  for (const row of rows) {
    const same = packets.find(
      (one) => isSamePacket(one.row, row) && one.signals.every(({ antenna }) => antenna !== row.antenna),
    );
    if (same === undefined) packets.push({ row, signals: [signalOf(row)] });
    else same.signals.push(signalOf(row));
  }
  return packets.map(({ row, signals }) => ({
    tmstUs: row.tmstKey < 0 ? null : row.tmstKey,
    gatewayTimeUs: row.gatewayTimeUs,
    gpsTimeMs: null,
    fineTimeNs: null,
    frequencyHz: row.frequencyHz,
    rfChain: row.rfChain,
    crc: CRCS[row.crc] ?? "unknown",
    modulation: modulationFromCodes(row.dataRate, row.codingRate),
    payload: row.payload,
    signals,
    delayed: row.delayed === 1,
  }));
}

function isSamePacket(a: ReceptionRow, b: ReceptionRow): boolean {
  return (
    a.tmstKey === b.tmstKey &&
    a.frequencyHz === b.frequencyHz &&
    a.dataRate === b.dataRate &&
    a.crc === b.crc &&
    (a.payload === null || b.payload === null
      ? a.payload === b.payload
      : Buffer.compare(a.payload, b.payload) === 0)
  );
}

function signalOf(row: ReceptionRow): Signal {
  return {
    antenna: row.antenna,
    ifChannel: row.ifChannel,
    rssiDbm: tenth(row.rssiTenths),
    signalRssiDbm: tenth(row.signalRssiTenths),
    snrDb: tenth(row.snrTenths),
    frequencyOffsetHz: row.frequencyOffsetHz,
  };
}

export function tenth(value: number | null): number | null {
  return value === null ? null : value / 10;
}

interface ReportRow extends ReportRecord {
  readonly temperatureTenths: number | null;
}

/** Status reports by their moment. Of place and texts the newest is kept: it stands where it was said. */
export function reportsOf(
  store: Store,
  gateway: GatewayRow,
  { fromUs, toUs }: TimeRange,
): Map<number, StatusReport> {
  const rows = prepared(
    store,
    `SELECT at_us AS atUs, clock_offset_us AS clockOffsetUs, rx_received AS rxReceived, rx_crc_ok AS rxCrcOk,
            rx_forwarded AS rxForwarded, ack_tenths_percent AS ackTenths, downlink_datagrams AS downlinkDatagrams,
            tx_emitted AS txEmitted, temperature_tenths_c AS temperatureTenths
     FROM status_report WHERE gateway_id = ? AND at_us >= ? AND at_us < ?`,
  ).all(gateway.id, fromUs, toUs) as ReportRow[];
  return new Map(
    rows.map((row) => {
      const { atUs } = row;
      const at = <T>(saidUs: number, value: T | null) => (saidUs === atUs ? value : null);
      return [
        atUs,
        {
          timeUs: row.clockOffsetUs === null ? null : atUs + row.clockOffsetUs,
          timeText: null,
          latitudeDeg: at(gateway.positionAtUs, gateway.latitude),
          longitudeDeg: at(gateway.positionAtUs, gateway.longitude),
          altitudeM: at(gateway.altitudeAtUs, gateway.altitudeM),
          rxReceived: row.rxReceived,
          rxCrcOk: row.rxCrcOk,
          rxForwarded: row.rxForwarded,
          ackPercent: tenth(row.ackTenths),
          downlinkDatagrams: row.downlinkDatagrams,
          txEmitted: row.txEmitted,
          temperatureC: tenth(row.temperatureTenths),
          platform: at(gateway.platformAtUs, gateway.platform),
          mail: null,
          description: at(gateway.descriptionAtUs, gateway.description),
        },
      ];
    }),
  );
}

export interface OutcomeRow {
  readonly token: number;
  readonly outcome: TransmitOutcome;
}

export function outcomesOf(
  store: Store,
  gatewayId: number,
  { fromUs, toUs }: TimeRange,
): Map<number, OutcomeRow[]> {
  const rows = prepared(
    store,
    `SELECT at_us AS atUs, token, result, word, power_tenths AS powerTenths FROM transmit_outcome
     WHERE gateway_id = ? AND at_us >= ? AND at_us < ?`,
  ).all(gatewayId, fromUs, toUs) as {
    atUs: number;
    token: number;
    result: TransmitOutcome["result"];
    word: string | null;
    powerTenths: number | null;
  }[];
  const outcomes = new Map<number, OutcomeRow[]>();
  for (const { atUs, token, result, word, powerTenths } of rows) {
    const one = { token, outcome: { result, word, powerDbm: tenth(powerTenths) } };
    outcomes.set(atUs, [...(outcomes.get(atUs) ?? []), one]);
  }
  return outcomes;
}
