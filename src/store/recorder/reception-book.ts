/**
 * Is this reception new, a second delivery of one that is stored, or a ghost of a stronger one? Writes the
 * `reception` rows.
 */
import type { Statement } from "better-sqlite3";
import { digestOf } from "../../ledger/content.ts";
import { GHOST_SPAN_US, ghostOf } from "../../ledger/ghosts.ts";
import type { Store } from "../open.ts";
import { CRC_CODES, type NewReception } from "./rows.ts";

/** The same counter value at the same gateway within this time is the same moment: it wraps after 71.6 minutes. */
const SAME_MOMENT_US = 1_800_000_000;

interface Neighbour {
  id: number;
  atUs: number;
  tmstKey: number;
  frequencyHz: number | null;
  antenna: number;
  rssiTenths: number | null;
  ghost: number;
  frameId: number | null;
  payload: Uint8Array | null;
  further: number;
  airtimeUs: number;
}

export interface Unmasked {
  readonly id: number;
  readonly frameId: number | null;
  readonly frequencyHz: number | null;
  readonly atUs: number;
  /** 1: it was a further antenna's, counted nowhere. */
  readonly further: number;
}

export interface Kept {
  /** null: a second delivery of a stored reception, nothing was written. */
  readonly id: number | null;
  readonly ghost: boolean;
  /** Another antenna's reception stands for this packet on the air already. */
  readonly further: boolean;
  /** Stored receptions that turned out to be ghosts of this one: of several antennas, several. */
  readonly unmasked: readonly Unmasked[];
}

export class ReceptionBook {
  readonly #neighbours: Statement;
  readonly #insert: Statement;
  readonly #unmask: Statement;
  readonly #promote: Statement;

  constructor(db: Store) {
    this.#neighbours = db.prepare(
      `SELECT id, at_us AS atUs, tmst_key AS tmstKey, frequency_hz AS frequencyHz, antenna, rssi_tenths AS rssiTenths,
       ghost, frame_id AS frameId, payload, further, airtime_us AS airtimeUs FROM reception
       WHERE gateway_id = ? AND tmst_key BETWEEN ? AND ? AND at_us BETWEEN ? AND ?`,
    );
    this.#insert = db.prepare(
      `INSERT INTO reception (gateway_id, at_us, tmst_key, crc, ghost, frequency_hz, data_rate, coding_rate, antenna,
       if_channel, rf_chain, rssi_tenths, signal_rssi_tenths, snr_tenths, frequency_offset_hz, gateway_offset_us,
       airtime_us, payload, further) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
    );
    this.#unmask = db.prepare("UPDATE reception SET ghost = 1, frame_id = NULL, airtime_us = 0 WHERE id = ?");
    this.#promote = db.prepare("UPDATE reception SET further = 0, airtime_us = ? WHERE id = ?");
  }

  keep(reception: NewReception): Kept {
    const neighbours = this.#near(reception);
    if (neighbours.some((other) => isSame(other, reception)))
      return { id: null, ghost: false, further: false, unmasked: [] };
    const evidence = {
      frequencyHz: reception.packet.frequencyHz,
      tmstKey: reception.tmstKey,
      rssiTenths: tenths(reception.signal.rssiDbm),
    };
    let ghost = false;
    const unmasked: Neighbour[] = [];
    for (const other of neighbours) {
      if (other.ghost === 1 || !samePayload(other.payload, reception.payload)) continue;
      const which = ghostOf(evidence, other);
      if (which === "a") ghost = true;
      if (which === "b") unmasked.push(other);
    }
    const real = neighbours.filter((other) => other.ghost === 0 && !unmasked.includes(other));
    for (const other of unmasked) {
      this.#unmask.run(other.id);
      this.#passOn(other, real);
    }
    const packet = {
      ...evidence,
      antenna: reception.signal.antenna,
      payload: reception.payload,
    };
    const further = !ghost && real.some((other) => isOtherAntenna(other, packet));
    return { id: this.#write(reception, { ghost, further }), ghost, further, unmasked };
  }

  /** Where a ghost stood for a packet that other antennas heard too, one of those stands for it from now on. */
  #passOn(ghost: Neighbour, real: readonly Neighbour[]): void {
    if (ghost.further === 1) return;
    const heir = real.find((other) => isOtherAntenna(other, ghost));
    if (heir !== undefined) this.#promote.run(ghost.airtimeUs, heir.id);
  }

  #near(reception: NewReception): Neighbour[] {
    const { gatewayId, tmstKey, atUs } = reception;
    // A stand-in for a missing counter says nothing of the moment: only the same instant is the same then.
    const reachUs = tmstKey < 0 ? 1_000_000 : SAME_MOMENT_US;
    const span = tmstKey < 0 ? 0 : GHOST_SPAN_US;
    return this.#neighbours.all(
      gatewayId,
      tmstKey - span,
      tmstKey + span,
      atUs - reachUs,
      atUs + reachUs,
    ) as Neighbour[];
  }

  #write(reception: NewReception, as: { ghost: boolean; further: boolean }): number {
    const { packet, signal } = reception;
    const offset = packet.gatewayTimeUs === null ? null : packet.gatewayTimeUs - reception.atUs;
    const result = this.#insert.run(
      reception.gatewayId,
      reception.atUs,
      reception.tmstKey,
      CRC_CODES[packet.crc],
      as.ghost ? 1 : 0,
      packet.frequencyHz,
      reception.dataRate,
      reception.codingRate,
      signal.antenna,
      signal.ifChannel,
      packet.rfChain,
      tenths(signal.rssiDbm),
      tenths(signal.signalRssiDbm),
      tenths(signal.snrDb),
      signal.frequencyOffsetHz,
      offset,
      as.ghost || as.further ? 0 : reception.airtimeUs,
      reception.payload,
      as.further ? 1 : 0,
    );
    return Number(result.lastInsertRowid);
  }
}

/** The concentrator's counter, or a negative stand-in that only an identical packet shares. */
export function tmstKeyOf(tmstUs: number | null, payload: Uint8Array | null): number {
  if (tmstUs !== null) return tmstUs;
  return -1 - (payload === null ? 0 : digestOf(payload) % 2_147_483_648);
}

function isSame(other: Neighbour, reception: NewReception): boolean {
  return (
    other.tmstKey === reception.tmstKey &&
    other.antenna === reception.signal.antenna &&
    other.frequencyHz === reception.packet.frequencyHz &&
    samePayload(other.payload, reception.payload)
  );
}

/** The same packet at the same moment, by another antenna: in one datagram or in two. */
function isOtherAntenna(
  other: Neighbour,
  one: Pick<Neighbour, "tmstKey" | "frequencyHz" | "antenna" | "payload">,
): boolean {
  return (
    other.tmstKey === one.tmstKey &&
    other.antenna !== one.antenna &&
    other.frequencyHz === one.frequencyHz &&
    samePayload(other.payload, one.payload)
  );
}

function samePayload(a: Uint8Array | null, b: Uint8Array | null): boolean {
  if (a === null || b === null) return a === b;
  return Buffer.compare(a, b) === 0;
}

/** Levels as the tables hold them. */
export function tenths(value: number | null): number | null {
  return value === null ? null : Math.round(value * 10);
}
