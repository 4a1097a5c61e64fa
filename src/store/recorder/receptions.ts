/**
 * Is this reception new, a second delivery of one that is stored, or a ghost of a stronger one? Writes the
 * `reception` rows. What came in of late is remembered; the tables are asked only about what comes late, and then
 * about a bounded number of rows.
 */
import type { Statement } from "better-sqlite3";
import { digestOf, ghostOf } from "../../ledger/group-receptions.ts";
import type { Crc, Signal } from "../../model/datagram.ts";
import type { Store } from "../open.ts";
import {
  commonLength,
  isOtherAntenna,
  isSame,
  payloadDigest,
  ReceptionMemory,
  type Remembered,
  type RememberedRow,
  rememberedOf,
  SAME_MOMENT_US,
  type Sought,
} from "./reception-memory.ts";
import { CRC_CODES, CRCS, type NewReception } from "./rows.ts";

/** Receptions of one gateway that are remembered. Eight channels full of SF7 bring some 160 packets a second, so two minutes of the busiest gateway. */
const MAX_OF_GATEWAY = 20_000;
/** Of all gateways together, some 40 MB. Where there are more, the oldest leave of the gateways that have the most. Chosen. */
const MAX_REMEMBERED = 100_000;
/** So full the memory is after some left: every gateway is gone through for that, so that many leave together. */
const LEFT_FULL = 0.9;
/** Rows read before and after a moment when a reception comes late: about 5 ms of work. Chosen. */
const MAX_ROWS_READ = 2_000;
/** So much more is read at once behind a late reception: what follows it is late as well. Chosen. */
const READ_AHEAD_US = SAME_MOMENT_US;

export interface Unmasked {
  readonly id: number;
  readonly frameId: number | null;
  readonly frequencyHz: number | null;
  readonly atUs: number;
  /** 1: it was a further antenna's, counted nowhere. */
  readonly further: number;
  readonly crc: Crc;
}

export interface Kept {
  readonly id: number;
  readonly ghost: boolean;
  /** Another antenna's reception stands for this packet on the air already. */
  readonly further: boolean;
  /** Stored receptions that turned out to be ghosts of this one: of several antennas, several. */
  readonly unmasked: readonly Unmasked[];
}

/** Part of a gateway's receptions: all that arrived between two moments. */
interface Held {
  readonly memory: ReceptionMemory;
  fromUs: number;
  /** Infinite for the newest. */
  readonly toUs: number;
}

interface OfGateway {
  newest: Held | null;
  /** Around what came late. */
  earlier: Held | null;
}

export class ReceptionWriter {
  readonly #gateways = new Map<number, OfGateway>();
  readonly #most: number;
  #size = 0;
  readonly #newestUs: Statement;
  readonly #until: Statement;
  readonly #after: Statement;
  readonly #insert: Statement;
  readonly #row: Statement;
  readonly #unmask: Statement;
  readonly #promote: Statement;
  readonly #arrived: Statement;

  /** `most`: receptions that are remembered. */
  constructor(db: Store, most = MAX_REMEMBERED) {
    this.#most = most;
    const columns = `id, at_us + late_us AS arrivedUs, tmst_key AS tmstKey, frequency_hz AS frequencyHz, antenna,
      rssi_tenths AS rssiTenths, payload, ghost, further FROM reception INDEXED BY reception_by_gateway`;
    this.#newestUs = db.prepare("SELECT max(at_us) FROM reception WHERE gateway_id = ?").pluck();
    this.#until = db.prepare(
      `SELECT ${columns} WHERE gateway_id = ? AND at_us BETWEEN ? AND ? ORDER BY at_us DESC LIMIT ${MAX_ROWS_READ}`,
    );
    this.#after = db.prepare(
      `SELECT ${columns} WHERE gateway_id = ? AND at_us > ? AND at_us <= ? ORDER BY at_us LIMIT ${MAX_ROWS_READ}`,
    );
    this.#insert = db.prepare(
      `INSERT INTO reception (gateway_id, at_us, tmst_key, crc, ghost, frequency_hz, data_rate, coding_rate, antenna,
       if_channel, rf_chain, rssi_tenths, signal_rssi_tenths, snr_tenths, frequency_offset_hz, gateway_offset_us,
       airtime_us, payload, further, late_us, delayed)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
    );
    this.#row = db.prepare(
      "SELECT frame_id AS frameId, at_us AS atUs, airtime_us AS airtimeUs, crc FROM reception WHERE id = ?",
    );
    this.#unmask = db.prepare("UPDATE reception SET ghost = 1, frame_id = NULL, airtime_us = 0 WHERE id = ?");
    this.#promote = db.prepare("UPDATE reception SET further = 0, airtime_us = ? WHERE id = ?");
    this.#arrived = db.prepare("UPDATE reception SET late_us = ? - at_us WHERE id = ?");
  }

  /**
   * When a stored reception of which this is another delivery arrived; null when there is none. The earlier of both
   * times stays.
   */
  deliveredBefore(gatewayId: number, sought: Sought): number | null {
    const same = this.#held(gatewayId, sought.arrivedUs)
      .memory.alike(sought)
      .find((other) => isSame(other, sought));
    if (same === undefined) return null;
    const { arrivedUs } = same;
    if (sought.arrivedUs < arrivedUs) {
      same.arrivedUs = sought.arrivedUs;
      this.#arrived.run(sought.arrivedUs, same.id);
    }
    return arrivedUs;
  }

  /** Stores a reception of which no delivery is stored. */
  keep(reception: NewReception, signal: Signal): Kept {
    const sought = soughtOf(reception, signal);
    const alike = this.#held(reception.gatewayId, reception.arrivedUs).memory.alike(sought);
    const ghost = alike.some((other) => ghostOf(sought, other) === "a");
    const masked = alike.filter((other) => !other.ghost && ghostOf(sought, other) === "b");
    const unmasked = masked.map((other) => this.#setAside(other));
    const real = alike.filter((other) => !other.ghost);
    for (const [index, other] of masked.entries()) this.#passOn(other, unmasked[index]?.airtimeUs ?? 0, real);
    const further = !ghost && real.some((other) => isOtherAntenna(other, sought));
    const id = this.#write(reception, signal, { ghost, further });
    // Field by field: copying objects is what costs most on this path.
    this.#remember(reception.gatewayId, {
      id,
      arrivedUs: sought.arrivedUs,
      tmstKey: sought.tmstKey,
      frequencyHz: sought.frequencyHz,
      antenna: sought.antenna,
      rssiTenths: sought.rssiTenths,
      payload: sought.payload,
      digest: sought.digest,
      ghost,
      further,
    });
    return { id, ghost, further, unmasked };
  }

  forget(): void {
    this.#gateways.clear();
    this.#size = 0;
  }

  #setAside(other: Remembered): Unmasked & { airtimeUs: number } {
    const row = this.#row.get(other.id) as {
      frameId: number | null;
      atUs: number;
      airtimeUs: number;
      crc: number;
    };
    this.#unmask.run(other.id);
    other.ghost = true;
    const { id, frequencyHz } = other;
    return { ...row, id, frequencyHz, further: other.further ? 1 : 0, crc: CRCS[row.crc] ?? "unknown" };
  }

  /** Where a ghost stood for a packet that other antennas heard too, one of those stands for it from now on. */
  #passOn(ghost: Remembered, airtimeUs: number, real: readonly Remembered[]): void {
    if (ghost.further) return;
    const heir = real.find((other) => isOtherAntenna(other, ghost));
    if (heir === undefined) return;
    heir.further = false;
    this.#promote.run(airtimeUs, heir.id);
  }

  /** What arrived around a moment, complete as far as it is looked at. */
  #held(gatewayId: number, arrivedUs: number): Held {
    let of = this.#gateways.get(gatewayId);
    if (of === undefined) {
      of = { newest: null, earlier: null };
      this.#gateways.set(gatewayId, of);
    }
    const known = covering(of, arrivedUs);
    if (known !== null) return known;
    const held = this.#read(gatewayId, arrivedUs);
    const before = held.toUs === Number.POSITIVE_INFINITY ? of.newest : of.earlier;
    this.#size += held.memory.size - (before?.memory.size ?? 0);
    if (held.toUs === Number.POSITIVE_INFINITY) of.newest = held;
    else of.earlier = held;
    return held;
  }

  #read(gatewayId: number, arrivedUs: number): Held {
    const newestUs = (this.#newestUs.get(gatewayId) as number | null) ?? Number.MIN_SAFE_INTEGER;
    const isNewest = newestUs <= arrivedUs;
    const fromUs = arrivedUs - (isNewest ? 2 : 1) * SAME_MOMENT_US;
    const toUs = isNewest ? Number.POSITIVE_INFINITY : arrivedUs + SAME_MOMENT_US + READ_AHEAD_US;
    // The column is the moment of hearing, which lies before arrival by as much again at most.
    const before = this.#until.all(gatewayId, fromUs - SAME_MOMENT_US, arrivedUs) as RememberedRow[];
    const last = Math.min(Number.MAX_SAFE_INTEGER, toUs + SAME_MOMENT_US);
    const after = this.#after.all(gatewayId, arrivedUs, last) as RememberedRow[];
    const memory = new ReceptionMemory();
    for (const row of [...before.reverse(), ...after]) memory.add(rememberedOf(row));
    return { memory, fromUs, toUs };
  }

  #remember(gatewayId: number, one: Remembered): void {
    const of = this.#gateways.get(gatewayId);
    for (const held of of === undefined ? [] : [of.newest, of.earlier]) {
      if (held === null || one.arrivedUs < held.fromUs || one.arrivedUs > held.toUs) continue;
      const before = held.memory.size;
      held.memory.add(one);
      // What arrives up to two minutes late still finds all that it is to be compared with.
      const oldestUs = one.arrivedUs - 2 * SAME_MOMENT_US;
      const isNewest = held.toUs === Number.POSITIVE_INFINITY;
      held.memory.trim(isNewest ? oldestUs : Number.NEGATIVE_INFINITY, MAX_OF_GATEWAY);
      if (isNewest) held.fromUs = Math.max(held.fromUs, oldestUs);
      this.#size += held.memory.size - before;
    }
    if (this.#size > this.#most) this.#shorten();
  }

  /**
   * Shortens the longest memories to one length. Were whole gateways to leave, each of many busy ones would be gone
   * whenever it is heard again, and all of it read from the tables anew.
   */
  #shorten(): void {
    const memories = [...this.#gateways.values()].flatMap(({ newest, earlier }) =>
      [newest, earlier].flatMap((held) => (held === null ? [] : [held.memory])),
    );
    const length = commonLength(
      memories.map(({ size }) => size),
      this.#most * LEFT_FULL,
    );
    this.#size = 0;
    for (const memory of memories) {
      memory.trim(Number.NEGATIVE_INFINITY, length);
      this.#size += memory.size;
    }
  }

  #write(reception: NewReception, signal: Signal, as: { ghost: boolean; further: boolean }): number {
    const { packet } = reception;
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
      reception.arrivedUs - reception.atUs,
      packet.delayed ? 1 : 0,
    );
    return Number(result.lastInsertRowid);
  }
}

/** What one antenna's signal of a packet is recognised by. */
export function soughtOf(
  { arrivedUs, tmstKey, packet, payload }: Pick<NewReception, "arrivedUs" | "tmstKey" | "packet" | "payload">,
  signal: Signal,
): Sought {
  return {
    arrivedUs,
    tmstKey,
    frequencyHz: packet.frequencyHz,
    antenna: signal.antenna,
    rssiTenths: tenths(signal.rssiDbm),
    payload,
    digest: payloadDigest(payload),
  };
}

/** The part that holds all that is looked at around a moment; null: neither does. */
function covering({ newest, earlier }: OfGateway, arrivedUs: number): Held | null {
  for (const held of [newest, earlier]) {
    if (held === null || held.fromUs > arrivedUs - SAME_MOMENT_US) continue;
    if (arrivedUs + SAME_MOMENT_US <= held.toUs) return held;
  }
  return null;
}

/** The concentrator's counter, or a negative stand-in that only an identical packet shares. */
export function tmstKeyOf(tmstUs: number | null, payload: Uint8Array | null): number {
  if (tmstUs !== null) return tmstUs;
  return -1 - (payload === null ? 0 : digestOf(payload) % 2_147_483_648);
}

/** Levels as the tables hold them. */
export function tenths(value: number | null): number | null {
  return value === null ? null : Math.round(value * 10);
}
