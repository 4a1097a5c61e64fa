/** What do the events of a gateway rest on? Minutes with packets, status reports, regular senders, levels. */
import { MINUTE_US, type TimeRange } from "../../model/time-range.ts";
import { windowParts } from "../hours/gathered.ts";
import { gatewayOf, type HeardHour, type HeardHours, levelledFrom } from "../hours/heard-hours.ts";
import type { Store } from "../open.ts";
import { columnsOf, prepared } from "./statement.ts";

/** Minutes in which the gateway reported a packet, whatever its CRC, in order. */
export function minutesWithPackets(
  store: Store,
  gatewayId: number,
  fromMinute: number,
  toMinute: number,
): number[] {
  const window = { fromUs: fromMinute * MINUTE_US, toUs: toMinute * MINUTE_US };
  const { hours, rest } = windowParts(store, window);
  const bits = prepared(
    store,
    `SELECT hour, early_minutes, late_minutes FROM gateway_hour WHERE gateway_id = ? AND hour >= ? AND hour < ?
     ORDER BY hour`,
  ).raw();
  const minutes: number[] = [];
  for (const { from, to } of hours)
    for (const [hour, early, late] of bits.all(gatewayId, from, to) as [number, number, number][])
      for (let minute = 0; minute < 60; minute++)
        if ((((minute < 30 ? early : late) >> (minute % 30)) & 1) === 1) minutes.push(hour * 60 + minute);
  for (const { fromUs, toUs } of rest) {
    const [own = []] = columnsOf(
      store,
      ["minute"],
      `FROM gateway_minute WHERE gateway_id = ? AND minute >= ? AND minute < ? AND crc_ok + crc_bad + crc_none > 0`,
      [gatewayId, fromUs / MINUTE_US, toUs / MINUTE_US],
    );
    for (const minute of own) minutes.push(minute ?? 0);
  }
  return minutes.sort((a, b) => a - b);
}

export interface PacketMoment {
  readonly atUs: number;
  /** The concentrator's counter; null where the forwarder gave none. */
  readonly tmstUs: number | null;
}

/** The first or last packet of the gateway within a minute; null: none. */
export function packetAtEdge(
  store: Store,
  gatewayId: number,
  minute: number,
  edge: "first" | "last",
): PacketMoment | null {
  const row = prepared(
    store,
    `SELECT at_us AS atUs, CASE WHEN tmst_key >= 0 THEN tmst_key END AS tmstUs
     FROM reception INDEXED BY reception_by_gateway WHERE at_us >= ? AND at_us < ? AND gateway_id = ?
     ORDER BY at_us ${edge === "first" ? "ASC" : "DESC"} LIMIT 1`,
  ).get(minute * MINUTE_US, (minute + 1) * MINUTE_US, gatewayId);
  return (row as PacketMoment | undefined) ?? null;
}

/** Status reports with the packets that they count, in order. */
export function reportsIn(
  store: Store,
  gatewayId: number,
  { fromUs, toUs }: TimeRange,
): { atUs: number; received: number | null }[] {
  return prepared(
    store,
    `SELECT at_us AS atUs, rx_received AS received FROM status_report
     WHERE gateway_id = ? AND at_us > ? AND at_us <= ? ORDER BY at_us LIMIT 20000`,
  ).all(gatewayId, fromUs, toUs) as { atUs: number; received: number | null }[];
}

export interface ReportOfWay {
  readonly atUs: number;
  /** Packets that it counts as forwarded; null where it does not count. */
  readonly forwarded: number | null;
  readonly ackTenths: number | null;
  /** Packets that arrived since the report before; null for the first. */
  readonly arrived: number | null;
}

/** The newest status reports of a time, oldest first, each with what arrived since the one before. */
export function reportsWithArrivals(
  store: Store,
  gatewayId: number,
  { fromUs, toUs }: TimeRange,
  most: number,
): ReportOfWay[] {
  return prepared(
    store,
    `SELECT atUs, forwarded, ackTenths,
            CASE WHEN beforeUs IS NULL THEN NULL ELSE
              (SELECT count(DISTINCT tmst_key) FROM reception INDEXED BY reception_by_gateway
               WHERE at_us > beforeUs AND at_us <= atUs AND gateway_id = @id) END AS arrived
     FROM (SELECT at_us AS atUs, lag(at_us) OVER (ORDER BY at_us) AS beforeUs, rx_forwarded AS forwarded,
                  ack_tenths_percent AS ackTenths
           FROM (SELECT * FROM status_report WHERE gateway_id = @id AND at_us >= @from AND at_us < @to
                 ORDER BY at_us DESC LIMIT @most))
     ORDER BY atUs`,
  ).all({ id: gatewayId, from: fromUs, to: toUs, most }) as ReportOfWay[];
}

/** The shares of acknowledged datagrams, tenths of a percent, that the newest reports of a time tell. */
export function reportedAcknowledgements(
  store: Store,
  gatewayId: number,
  { fromUs, toUs }: TimeRange,
  most: number,
): (number | null)[] {
  return prepared(
    store,
    `SELECT ack_tenths_percent FROM status_report WHERE gateway_id = ? AND at_us >= ? AND at_us < ?
     ORDER BY at_us DESC LIMIT ?`,
  )
    .pluck()
    .all(gatewayId, fromUs, toUs, most) as (number | null)[];
}

export interface FrameHeard {
  readonly frameId: number;
  readonly lifeId: number;
  readonly atUs: number;
  readonly snrTenths: number | null;
  readonly dataRate: number;
}

/** Frames of counter lives that a gateway heard (`at` "here"), or that others heard, newest first, at most `most`. */
export function framesHeard(
  store: Store,
  gatewayId: number,
  { fromUs, toUs }: TimeRange,
  at: "here" | "elsewhere",
  most: number,
): FrameHeard[] {
  return prepared(
    store,
    `SELECT f.id AS frameId, f.life_id AS lifeId, r.at_us AS atUs, r.snr_tenths AS snrTenths, r.data_rate AS dataRate
     FROM reception r INDEXED BY ${at === "here" ? "reception_by_gateway" : "reception_by_time"}
     JOIN main.frame f ON f.id = r.frame_id
     WHERE r.at_us > ? AND r.at_us <= ? AND r.gateway_id ${at === "here" ? "=" : "<>"} ? AND r.crc = 0 AND r.ghost = 0
       AND f.life_id IS NOT NULL AND f.repeat = 0 AND f.replay = 0 ORDER BY r.at_us DESC LIMIT ?`,
  ).all(fromUs, toUs, gatewayId, most) as FrameHeard[];
}

export interface LevelRecord {
  readonly gatewayId: number;
  readonly lifeId: number;
  readonly atUs: number;
  readonly rssiTenths: number;
  readonly snrTenths: number | null;
  readonly dataRate: number;
}

/**
 * Levels of frames at all gateways, in order of time: of each of `slots` equal parts of the window the first `most`.
 * `heard`: hours that need not be read.
 */
export function levelsIn(
  store: Store,
  { fromUs, toUs }: TimeRange,
  slots: number,
  most: number,
  heard: HeardHours,
): LevelRecord[] {
  const slotUs = (toUs - fromUs) / slots;
  const levels: LevelRecord[] = [];
  for (let i = 0; i < slots; i++) {
    const slot = { fromUs: Math.round(fromUs + i * slotUs), toUs: Math.round(fromUs + (i + 1) * slotUs) };
    const parts = heard.partsOf(slot);
    const isKept = parts.every((part) => "hour" in part);
    if (!isKept) {
      addLevels(store, slot, most, levels);
      continue;
    }
    let left = most;
    for (const part of parts) if ("hour" in part) left -= addKeptLevels(part.hour, slot, left, levels);
  }
  return levels;
}

/** Adds at most `most` levels of a slot; how many it were. */
function addKeptLevels(
  hour: HeardHour,
  { fromUs, toUs }: TimeRange,
  most: number,
  levels: LevelRecord[],
): number {
  const { levelled, at, small, life, levels: codes, dataRate } = hour;
  let added = 0;
  for (let place = levelledFrom(hour, fromUs); place < levelled.length && added < most; place++) {
    const i = levelled[place] ?? 0;
    const atUs = hour.fromUs + (at[i] ?? 0);
    if (atUs >= toUs) break;
    const code = codes[i] ?? 0;
    const snr = code % 65_536;
    levels.push({
      gatewayId: gatewayOf(small[i] ?? 0),
      lifeId: life[i] ?? 0,
      atUs,
      rssiTenths: Math.floor(code / 65_536) - 32_768,
      snrTenths: snr === 0 ? null : snr - 32_768,
      dataRate: dataRate[i] ?? 0,
    });
    added += 1;
  }
  return added;
}

function addLevels(
  store: Store,
  { fromUs: from, toUs: to }: TimeRange,
  most: number,
  levels: LevelRecord[],
): void {
  const [gateways = [], lives, times, rssis, snrs, rates] = columnsOf(
    store,
    ["gateway_id", "life_id", "at_us - @from", "rssi_tenths", "snr_tenths", "data_rate"],
    `FROM (SELECT r.gateway_id, f.life_id, r.at_us, r.rssi_tenths, r.snr_tenths, r.data_rate
       FROM reception r INDEXED BY reception_by_time JOIN main.frame f ON f.id = r.frame_id
       WHERE r.at_us >= @from AND r.at_us < @to AND r.crc = 0 AND r.ghost = 0 AND r.antenna = 0
         AND r.rssi_tenths IS NOT NULL AND f.life_id IS NOT NULL AND f.replay = 0
       ORDER BY r.at_us, r.gateway_id, f.life_id LIMIT @most)`,
    { from, to, most },
  );
  for (let k = 0; k < gateways.length; k++)
    levels.push({
      gatewayId: gateways[k] ?? 0,
      lifeId: lives?.[k] ?? 0,
      atUs: from + (times?.[k] ?? 0),
      rssiTenths: rssis?.[k] ?? 0,
      snrTenths: snrs?.[k] ?? null,
      dataRate: rates?.[k] ?? 0,
    });
}
