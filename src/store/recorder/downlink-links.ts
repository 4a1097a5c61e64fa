/**
 * Which uplink does a downlink answer, in which receive window, and how much time was left? Looked for once what a
 * transaction brought is stored, and again for a few seconds of traffic: an uplink may come in after its answer.
 */
import type { Statement } from "better-sqlite3";
import { MAX_DELAY_S, receiveWindow, WINDOW_SLACK_US } from "../../ledger/downlink-timing.ts";
import { counterDelayUs, TMST_PERIOD_US, tmstStepUs } from "../../radio/clock.ts";
import { modulationFromCodes } from "../data-rate-code.ts";
import type { Store } from "../open.ts";

/** An uplink lies this far before its answer's passing at most (RECEIVE_DELAY1 up to 15 s, RX2 a second later), and some way's delay. */
const REACH_US = 20_000_000;
const LOOK_AGAIN_US = 1_000_000;
/** Receptions that one look goes through at most, the newest first. Chosen: 20 s of a hundred packets a second. */
const MAX_LOOKED_AT = 2_000;
/** So many stay open at most; a stranger's downlinks that answer nothing must cost no more. Chosen. */
const MAX_OPEN = 200;

// MType codes; LoRaWAN 1.1, section 4.2.1, table 2.
const JOIN_REQUEST = 0;
const JOIN_ACCEPT = 1;
const REJOIN_REQUEST = 6;

interface DownlinkRow {
  readonly id: number;
  readonly gatewayId: number;
  readonly atUs: number;
  readonly tmstUs: number | null;
  readonly moment: string | null;
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  readonly messageType: number | null;
  readonly devAddr: number | null;
}

interface UplinkRow {
  readonly tmstUs: number;
  readonly atUs: number;
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  readonly messageType: number | null;
  readonly devAddr: number | null;
}

/** Links every downlink anew: after a better rule, or when frames were derived again. */
export function relinkDownlinks(db: Store): void {
  const links = new DownlinkLinks(db);
  const ids = db.prepare("SELECT id FROM downlink WHERE id > ? ORDER BY id LIMIT ?").pluck();
  for (let last = 0; ; ) {
    const page = ids.all(last, MAX_OPEN) as number[];
    for (const id of page) links.toLink(id, 0);
    links.flush(Number.POSITIVE_INFINITY);
    const end = page.at(-1);
    if (end === undefined) return;
    last = end;
  }
}

export class DownlinkLinks {
  /** Downlinks still to be linked, by id, with their times. */
  readonly #open = new Map<number, number>();
  readonly #fresh = new Set<number>();
  #lookedUs = Number.NEGATIVE_INFINITY;
  readonly #read: Statement;
  readonly #uplinks: Statement;
  readonly #nearest: Statement;
  readonly #write: Statement;

  constructor(db: Store) {
    this.#read = db.prepare(
      `SELECT id, gateway_id AS gatewayId, at_us AS atUs, tmst_us AS tmstUs, moment, frequency_hz AS frequencyHz,
       data_rate AS dataRate, message_type AS messageType, dev_addr AS devAddr FROM downlink WHERE id = ?`,
    );
    // Of what the gateway heard around that time, what ended whole seconds before the moment of sending.
    const delayUs = `((@tmst - r.tmst_key + ${TMST_PERIOD_US}) % ${TMST_PERIOD_US})`;
    this.#uplinks = db.prepare(
      `SELECT r.tmst_key AS tmstUs, r.at_us AS atUs, r.frequency_hz AS frequencyHz, r.data_rate AS dataRate,
       f.message_type AS messageType, f.dev_addr AS devAddr
       FROM (SELECT tmst_key, at_us, frequency_hz, data_rate, frame_id FROM reception INDEXED BY reception_by_gateway
             WHERE gateway_id = @id AND at_us BETWEEN @from AND @to AND tmst_key >= 0 AND ghost = 0
             ORDER BY at_us DESC LIMIT ${MAX_LOOKED_AT}) r
       LEFT JOIN frame f ON f.id = r.frame_id
       WHERE ${delayUs} BETWEEN ${1_000_000 - WINDOW_SLACK_US} AND ${MAX_DELAY_S * 1_000_000 + WINDOW_SLACK_US}
         AND (${delayUs} + ${WINDOW_SLACK_US}) % 1000000 <= ${2 * WINDOW_SLACK_US}
       ORDER BY (${delayUs} + ${WINDOW_SLACK_US}) / 1000000, r.at_us, r.tmst_key`,
    );
    // Without its uplink, any packet heard around that time tells where the counter stood.
    this.#nearest = db.prepare(
      `SELECT tmst_key AS tmstUs, at_us AS atUs FROM reception INDEXED BY reception_by_gateway
       WHERE at_us BETWEEN ? AND ? AND gateway_id = ? AND tmst_key >= 0 ORDER BY at_us DESC LIMIT 1`,
    );
    this.#write = db.prepare(
      "UPDATE downlink SET uplink_tmst_us = ?, delay_us = ?, receive_window = ?, lead_us = ? WHERE id = ?",
    );
  }

  toLink(id: number, atUs: number): void {
    this.#open.set(id, atUs);
    this.#fresh.add(id);
    if (this.#open.size <= MAX_OPEN) return;
    const oldest = this.#open.keys().next();
    if (oldest.done !== true) this.#open.delete(oldest.value);
  }

  /** `nowUs`: how far the traffic has come. Those still open are looked for again once a second of it. */
  flush(nowUs: number): void {
    const again = Math.abs(nowUs - this.#lookedUs) >= LOOK_AGAIN_US;
    if (again) this.#lookedUs = nowUs;
    for (const [id, atUs] of this.#open) {
      if (!again && !this.#fresh.has(id)) continue;
      if (this.#link(id) || Math.abs(nowUs - atUs) > REACH_US) this.#open.delete(id);
    }
    this.#fresh.clear();
  }

  forget(): void {
    this.#open.clear();
    this.#fresh.clear();
  }

  /** True when all is found that there is to find. */
  #link(id: number): boolean {
    const row = this.#read.get(id) as DownlinkRow | undefined;
    if (row === undefined) return true;
    if (row.moment !== "counter" || row.tmstUs === null) {
      const window = row.moment === "immediate" || row.moment === "gps" ? row.moment : null;
      this.#write.run(null, null, window, null, id);
      return true;
    }
    for (const uplink of this.#heardBefore(row, row.tmstUs)) {
      const delayUs = counterDelayUs(uplink.tmstUs, row.tmstUs);
      const window = this.#windowOf(row, uplink, delayUs);
      if (window === null) continue;
      this.#write.run(uplink.tmstUs, delayUs, window, uplink.atUs + delayUs - row.atUs, id);
      return true;
    }
    this.#write.run(null, null, "none", this.#leadUs(row, row.tmstUs), id);
    return false;
  }

  #heardBefore({ gatewayId, atUs }: DownlinkRow, tmstUs: number): UplinkRow[] {
    const times = { from: atUs - REACH_US, to: atUs + REACH_US };
    return this.#uplinks.all({ id: gatewayId, tmst: tmstUs, ...times }) as UplinkRow[];
  }

  #windowOf(row: DownlinkRow, uplink: UplinkRow, delayUs: number): string | null {
    const isJoin = row.messageType === JOIN_ACCEPT;
    const asksToJoin = uplink.messageType === JOIN_REQUEST || uplink.messageType === REJOIN_REQUEST;
    if (isJoin !== asksToJoin) return null;
    if (!isJoin && (row.devAddr === null || row.devAddr !== uplink.devAddr)) return null;
    return receiveWindow({ delayUs, isJoin, downlink: radioOf(row), uplink: radioOf(uplink) });
  }

  #leadUs(row: DownlinkRow, tmstUs: number): number | null {
    const near = this.#nearest.get(row.atUs - 60_000_000, row.atUs + REACH_US, row.gatewayId) as
      | { tmstUs: number; atUs: number }
      | undefined;
    if (near === undefined) return null;
    // Half a turn of the counter back is as near as half a turn ahead.
    const leadUs = near.atUs + tmstStepUs(near.tmstUs, tmstUs) - row.atUs;
    // Farther ahead than the gateway's queue reaches (512 s; jitqueue.c), the counter was another one.
    return Math.abs(leadUs) > 512_000_000 ? null : leadUs;
  }
}

function radioOf({ frequencyHz, dataRate }: { frequencyHz: number | null; dataRate: number }) {
  const modulation = modulationFromCodes(dataRate, 0);
  return { frequencyHz, bandwidthHz: modulation.kind === "lora" ? modulation.bandwidthHz : null };
}
