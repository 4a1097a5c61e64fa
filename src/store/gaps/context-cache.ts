/**
 * What was received, reported and transmitted in a stretch of time? Read in blocks of ten minutes that are kept, since
 * the gaps of many nodes lie at the same time. A block of the newest time is never kept: it is still growing.
 */

import type { Statement } from "better-sqlite3";
import type { SceneReception, SceneReport } from "../../model/gap.ts";
import type { TimeRange } from "../../model/time-range.ts";
import { airtimeOfReception } from "../../radio/airtime.ts";
import { tmstStepUs } from "../../radio/clock.ts";
import { modulationFromCodes } from "../data-rate-code.ts";
import type { Store } from "../open.ts";

export const BLOCK_US = 600_000_000;
/**
 * Receptions kept in memory, over all blocks: some 30 MB. Chosen: nearly a month of a small site, since findings of many lives
 * go over the same month. With a third of it, the last days of the soak's month spent four fifths of their time reading.
 */
const MAX_ROWS = 150_000;
/** A gateway's counter is derived from a reception at most so long before a transmission. */
const COUNTER_REACH_US = 1_800_000_000;

/** Gateways that may have sent something then: of thousands of invented identifiers, hardly any. */
const HEARD_WITHIN = "g.first_at_us < @to AND g.last_at_us >= @from";

export interface Block {
  readonly receptions: readonly SceneReception[];
  readonly reports: readonly (SceneReport & { readonly gatewayId: number })[];
  readonly keepalives: readonly { readonly gatewayId: number; readonly atUs: number }[];
  readonly transmissions: readonly (TimeRange & { readonly gatewayId: number })[];
}

type Row = [
  number,
  number,
  number,
  number | null,
  number | null,
  number | null,
  number | null,
  string | null,
  number | null,
  number | null,
  number,
  number | null,
  number | null,
  number | null,
  number,
  number,
];

export class SceneBlocks {
  readonly #blocks = new Map<number, Block>();
  #rows = 0;
  readonly #receptions: Statement;
  readonly #reports: Statement;
  readonly #keepalives: Statement;
  readonly #downlinks: Statement;
  readonly #refused: Statement;
  readonly #counter: Statement;
  readonly #onlyGateway: Statement;
  readonly #next: Statement;

  constructor(db: Store) {
    this.#receptions = db
      .prepare(
        `SELECT r.at_us, r.gateway_id, r.crc, f.dev_addr, f.life_id, f.counter, f.repeat, f.dev_eui, f.message_type,
         r.frequency_hz, r.data_rate, r.rssi_tenths, r.signal_rssi_tenths, r.snr_tenths, r.airtime_us, r.tmst_key
         FROM reception r INDEXED BY reception_by_time LEFT JOIN main.frame f ON f.id = r.frame_id
         WHERE r.at_us >= ? AND r.at_us < ? AND r.ghost = 0 AND (f.id IS NULL OR f.replay = 0)
         ORDER BY r.at_us, r.gateway_id, r.antenna, r.tmst_key`,
      )
      .raw();
    this.#reports = db.prepare(
      `SELECT gateway_id AS gatewayId, at_us AS atUs, rx_received AS received, rx_crc_ok AS crcOk,
       rx_forwarded AS forwarded, tx_emitted AS emitted, ack_tenths_percent / 10.0 AS ackPercent FROM gateway g CROSS JOIN status_report s ON s.gateway_id = g.id
       WHERE ${HEARD_WITHIN} AND s.at_us >= @from AND s.at_us < @to ORDER BY s.at_us, gateway_id`,
    );
    this.#keepalives = db.prepare(
      `SELECT d.gateway_id AS gatewayId, d.at_us AS atUs FROM gateway g CROSS JOIN datagram d ON d.gateway_id = g.id
       WHERE ${HEARD_WITHIN} AND d.at_us >= @from AND d.at_us < @to AND d.kind = 2 ORDER BY d.at_us, d.gateway_id`,
    );
    this.#downlinks = db.prepare(
      `SELECT gateway_id AS gatewayId, at_us AS atUs, token, tmst_us AS tmstUs, data_rate AS dataRate,
       length(payload) AS size FROM downlink WHERE at_us >= ? AND at_us < ? ORDER BY at_us, token`,
    );
    this.#refused = db.prepare(
      `SELECT 1 FROM transmit_outcome WHERE gateway_id = ? AND at_us BETWEEN ? AND ? AND token = ?
       AND result = 'refused' LIMIT 1`,
    );
    this.#counter = db.prepare(
      `SELECT tmst_key AS tmstUs, at_us AS atUs FROM reception INDEXED BY reception_by_time
       WHERE at_us BETWEEN ? AND ? AND gateway_id = ? AND tmst_key >= 0 ORDER BY at_us DESC LIMIT 1`,
    );
    this.#next = db
      .prepare(
        `SELECT min(at_us) FROM (
           SELECT (SELECT min(at_us) FROM reception WHERE at_us >= @from) AS at_us
           UNION ALL SELECT (SELECT min(at_us) FROM downlink WHERE at_us >= @from)
           UNION ALL SELECT (SELECT min(at_us) FROM datagram WHERE gateway_id = g.id AND at_us >= @from)
             FROM gateway g)`,
      )
      .pluck();
    this.#onlyGateway = db.prepare("SELECT min(id) FROM gateway HAVING count(*) = 1").pluck();
  }

  /** Blocks that cover a stretch; `frontierUs`: what lies before it will not change. */
  over({ fromUs, toUs }: TimeRange, frontierUs: number): Block[] {
    const blocks: Block[] = [];
    for (let number = Math.floor(fromUs / BLOCK_US); number * BLOCK_US < toUs; number++) {
      const block = this.#block(number, frontierUs);
      if (!isEmpty(block)) {
        blocks.push(block);
        continue;
      }
      // Over years of nothing (a clock that jumped) it goes on where something is stored.
      const nextUs = this.#next.get({ from: (number + 1) * BLOCK_US }) as number | null;
      if (nextUs === null) break;
      number = Math.max(number, Math.floor(nextUs / BLOCK_US) - 1);
    }
    return blocks;
  }

  /** What lies within changed: it is read again. */
  drop({ fromUs, toUs }: TimeRange): void {
    const first = Math.floor((fromUs - COUNTER_REACH_US) / BLOCK_US);
    for (const number of [...this.#blocks.keys()]) {
      if (number >= first && number * BLOCK_US < toUs) this.#let(number);
    }
  }

  forget(): void {
    this.#blocks.clear();
    this.#rows = 0;
  }

  #block(number: number, frontierUs: number): Block {
    const known = this.#blocks.get(number);
    if (known !== undefined) {
      this.#blocks.delete(number);
      this.#blocks.set(number, known);
      return known;
    }
    const fromUs = number * BLOCK_US;
    const toUs = Math.min(fromUs + BLOCK_US, frontierUs + 1);
    const block = this.#read(fromUs, toUs);
    if (isEmpty(block)) return block;
    if (fromUs + BLOCK_US > frontierUs) return block;
    this.#blocks.set(number, block);
    this.#rows += block.receptions.length;
    for (const oldest of this.#blocks.keys()) {
      if (this.#rows <= MAX_ROWS || this.#blocks.size <= 1) break;
      this.#let(oldest);
    }
    return block;
  }

  #let(number: number): void {
    this.#rows -= this.#blocks.get(number)?.receptions.length ?? 0;
    this.#blocks.delete(number);
  }

  #read(fromUs: number, toUs: number): Block {
    return {
      receptions: (this.#receptions.all(fromUs, toUs) as Row[]).map(receptionOf),
      reports: this.#reports.all({ from: fromUs, to: toUs }) as Block["reports"],
      keepalives: this.#keepalives.all({ from: fromUs, to: toUs }) as Block["keepalives"],
      transmissions: this.#transmissions(fromUs, toUs),
    };
  }

  /** What was handed to a gateway for sending and not refused, on the capturing clock. */
  #transmissions(fromUs: number, toUs: number): (TimeRange & { gatewayId: number })[] {
    const rows = this.#downlinks.all(fromUs, toUs) as DownlinkRow[];
    return rows.flatMap((row) => {
      const gatewayId = row.gatewayId === 0 ? (this.#onlyGateway.get() as number | undefined) : row.gatewayId;
      if (gatewayId === undefined) return [];
      if (this.#refused.get(gatewayId, row.atUs, row.atUs + 5_000_000, row.token) !== undefined) return [];
      const startUs = this.#startUs(gatewayId, row);
      const airtimeUs = airtimeOfReception(modulationFromCodes(row.dataRate ?? 0, 1), row.size, "none");
      return [{ gatewayId, fromUs: startUs, toUs: startUs + airtimeUs }];
    });
  }

  #startUs(gatewayId: number, { atUs, tmstUs }: DownlinkRow): number {
    if (tmstUs === null) return atUs;
    const reading = this.#counter.get(atUs - COUNTER_REACH_US, atUs, gatewayId) as
      | { tmstUs: number; atUs: number }
      | undefined;
    if (reading === undefined) return atUs;
    const startUs = reading.atUs + tmstStepUs(reading.tmstUs, tmstUs);
    // A counter that restarted in between would date it far away.
    return startUs >= atUs - 1_000_000 && startUs < atUs + 20_000_000 ? startUs : atUs;
  }
}

interface DownlinkRow {
  gatewayId: number;
  atUs: number;
  token: number;
  tmstUs: number | null;
  dataRate: number | null;
  size: number;
}

function receptionOf(row: Row): SceneReception {
  const [atUs, gatewayId, crc, devAddr, lifeId, counter, repeat, devEui, messageType] = row;
  const [, , , , , , , , , frequencyHz, dataRate, rssi, signalRssi, snr, airtimeUs, tmst] = row;
  const modulation = modulationFromCodes(dataRate, 0);
  return {
    atUs,
    gatewayId,
    tmstUs: tmst < 0 ? null : tmst,
    crcOk: crc === 0,
    devAddr,
    lifeId,
    counter,
    repeat: repeat === 1,
    joinEui: messageType === 0 ? devEui : null,
    frequencyHz,
    spreadingFactor: modulation.kind === "lora" ? modulation.spreadingFactor : null,
    dataRate,
    rssiDbm: tenth(rssi),
    signalRssiDbm: tenth(signalRssi),
    snrDb: tenth(snr),
    airtimeUs,
  };
}

function tenth(value: number | null): number | null {
  return value === null ? null : value / 10;
}

function isEmpty({ receptions, reports, keepalives, transmissions }: Block): boolean {
  return receptions.length + reports.length + keepalives.length + transmissions.length === 0;
}
