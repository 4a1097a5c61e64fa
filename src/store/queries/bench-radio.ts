/** What one gateway's packets show of its radio and its counter, for the bench list. */
import type { TimeRange } from "../../model/time-range.ts";
import { windowParts } from "../hours/gathered.ts";
import { ChannelTotals } from "../hours/packet-columns.ts";
import type { Store } from "../open.ts";
import { type Newest, newest, newestTimes } from "./bench.ts";
import { columnsOf, prepared } from "./statement.ts";

const PACKETS = "FROM reception WHERE at_us >= @from AND at_us < @to AND gateway_id = @id";

/** Packets that are read one by one; beyond that the newest, and the check says since when. Chosen: some tenths of a second. */
const MAX_PACKETS = 100_000;

/** One packet, the antenna's row that stands for it. */
export interface TrailRecord {
  readonly tmstUs: number;
  readonly atUs: number;
  /** The gateway's own time of the packet minus `atUs`; null where it gave none. */
  readonly timeOffsetUs: number | null;
}

/** Counter, arrival and own time of packets, in the order in which they came. */
export function counterTrail(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  max = MAX_PACKETS,
): Newest<TrailRecord> {
  const rows = prepared(
    store,
    `SELECT tmstUs, atUs, timeOffsetUs FROM (SELECT at_us + late_us AS arrivedUs, tmst_key AS tmstUs, at_us AS atUs,
         gateway_offset_us AS timeOffsetUs ${PACKETS} AND tmst_key >= 0 AND ghost = 0 AND further = 0
       ORDER BY at_us DESC LIMIT @max) ORDER BY arrivedUs, tmstUs`,
  ).all({ id: gatewayId, from: window.fromUs, to: window.toUs, max }) as TrailRecord[];
  return newest(rows, max);
}

/** When packets arrived, each once: ghosts too, since the gateway counts them as forwarded. Oldest first. */
export function packetTimesUs(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  max = MAX_PACKETS,
): Newest<number> {
  const rows = prepared(
    store,
    `SELECT at_us FROM (SELECT at_us, id ${PACKETS} AND further = 0 ORDER BY at_us DESC LIMIT @max) ORDER BY at_us`,
  )
    .pluck()
    .all({ id: gatewayId, from: window.fromUs, to: window.toUs, max }) as number[];
  return newestTimes(rows, max);
}

export interface LevelRecord {
  readonly atUs: number;
  readonly rssiTenths: number | null;
  readonly snrTenths: number | null;
}

/** Levels of packets with a right CRC, of every antenna, newest first. */
export function packetLevels(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  max = MAX_PACKETS,
): Newest<LevelRecord> {
  const [times = [], rssis, snrs] = columnsOf(
    store,
    ["at_us", "rssi_tenths", "snr_tenths"],
    `FROM (SELECT at_us, rssi_tenths, snr_tenths ${PACKETS} AND crc = 0 AND ghost = 0 ORDER BY at_us DESC LIMIT @max)`,
    { id: gatewayId, from: window.fromUs, to: window.toUs, max },
  );
  const rows = times.map((atUs, i) => ({
    atUs: atUs ?? 0,
    rssiTenths: rssis?.[i] ?? null,
    snrTenths: snrs?.[i] ?? null,
  }));
  return newest(rows, max);
}

export interface PacketCounts {
  readonly all: number;
  readonly crcBad: number;
  readonly ghosts: number;
}

export function packetCounts(store: Store, gatewayId: number, window: TimeRange): PacketCounts {
  return prepared(
    store,
    `SELECT count(*) AS "all", count(*) FILTER (WHERE crc = 1 AND ghost = 0) AS crcBad,
            count(*) FILTER (WHERE ghost = 1) AS ghosts ${PACKETS}`,
  ).get({ id: gatewayId, from: window.fromUs, to: window.toUs }) as PacketCounts;
}

export interface WeakRecord {
  readonly atUs: number;
  readonly frequencyHz: number;
  readonly dataRate: number;
  readonly rssiTenths: number;
  readonly snrTenths: number;
}

/** Packets at an SNR of 5 dB at most: those that tell the noise. Newest first. */
export function weakPackets(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  max = MAX_PACKETS,
): Newest<WeakRecord> {
  const [times = [], frequencies, rates, rssis, snrs] = columnsOf(
    store,
    ["at_us", "frequency_hz", "data_rate", "rssi_tenths", "snr_tenths"],
    `FROM (SELECT at_us, frequency_hz, data_rate, rssi_tenths, snr_tenths
       ${PACKETS} AND crc = 0 AND ghost = 0 AND snr_tenths <= 50 AND rssi_tenths IS NOT NULL
         AND frequency_hz IS NOT NULL ORDER BY at_us DESC LIMIT @max)`,
    { id: gatewayId, from: window.fromUs, to: window.toUs, max },
  );
  const rows = times.map((atUs, i) => ({
    atUs: atUs ?? 0,
    frequencyHz: frequencies?.[i] ?? 0,
    dataRate: rates?.[i] ?? 0,
    rssiTenths: rssis?.[i] ?? 0,
    snrTenths: snrs?.[i] ?? 0,
  }));
  return newest(rows, max);
}

/** Distinct device addresses that a gateway heard, at most so many: whether one node alone tells all. */
export function nodesHeard(store: Store, gatewayId: number, window: TimeRange, max = 50): number {
  return prepared(
    store,
    `SELECT count(*) FROM (SELECT DISTINCT f.dev_addr FROM reception r
       JOIN main.frame f ON f.id = r.frame_id
       WHERE r.at_us >= ? AND r.at_us < ? AND r.gateway_id = ? AND f.dev_addr IS NOT NULL LIMIT ?)`,
  )
    .pluck()
    .get(window.fromUs, window.toUs, gatewayId, max) as number;
}

/**
 * Frames that other gateways heard from `quietFromUs` on, of nodes that this one had heard before, at most so many. Nodes
 * that it never heard prove nothing: they may be far away.
 */
export function heardByOthers(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  quietFromUs: number,
  max = 1_000,
): number {
  const join = "JOIN main.frame f ON f.id = r.frame_id";
  return prepared(
    store,
    `SELECT count(*) FROM (SELECT DISTINCT r.frame_id FROM reception r INDEXED BY reception_by_time ${join}
       WHERE r.at_us > @quiet AND r.at_us < @to AND r.gateway_id <> @id AND r.ghost = 0 AND f.dev_addr IN
         (SELECT f.dev_addr FROM reception r ${join} WHERE r.at_us >= @from AND r.at_us <= @quiet AND r.gateway_id = @id
            AND f.dev_addr IS NOT NULL)
       LIMIT @max)`,
  )
    .pluck()
    .get({ id: gatewayId, from: window.fromUs, quiet: quietFromUs, to: window.toUs, max }) as number;
}

/** Channels on which any gateway heard frames with a right CRC, with their counts. */
export function channelsOfSite(
  store: Store,
  window: TimeRange,
): { gatewayId: number; frequencyHz: number; count: number }[] {
  const rows = prepared(
    store,
    `SELECT gateway_id AS gatewayId, frequency_hz AS frequencyHz, count(*) AS count
     FROM reception INDEXED BY reception_by_time
     WHERE at_us >= ? AND at_us < ? AND crc = 0 AND ghost = 0 AND frame_id IS NOT NULL AND frequency_hz IS NOT NULL
     GROUP BY 1, 2`,
  );
  const gathered = prepared(
    store,
    `SELECT gateway_id AS gatewayId, columns FROM gateway CROSS JOIN packet_hour
     ON gateway_id = gateway.id AND hour >= ? AND hour < ?`,
  );
  const { hours, rest } = windowParts(store, window);
  const gateways = new Map<number, ChannelTotals>();
  const totalsOf = (gatewayId: number): ChannelTotals => {
    const totals = gateways.get(gatewayId) ?? new ChannelTotals();
    gateways.set(gatewayId, totals);
    return totals;
  };
  for (const { from, to } of hours)
    for (const { gatewayId, columns } of gathered.iterate(from, to) as IterableIterator<HourRow>)
      totalsOf(gatewayId).addHour(columns);
  for (const { fromUs, toUs } of rest)
    for (const one of rows.all(fromUs, toUs) as { gatewayId: number; frequencyHz: number; count: number }[])
      totalsOf(one.gatewayId).add(one.frequencyHz, 0, 0, 0, one.count);
  return [...gateways].flatMap(([gatewayId, totals]) => {
    const counts = new Map<number, number>();
    for (const { frequencyHz, count } of totals.all())
      counts.set(frequencyHz, (counts.get(frequencyHz) ?? 0) + count);
    return [...counts].map(([frequencyHz, count]) => ({ gatewayId, frequencyHz, count }));
  });
}

interface HourRow {
  readonly gatewayId: number;
  readonly columns: Uint8Array;
}

/**
 * Packets whose message type only a network sends (join-accept, data down), with any CRC but a wrong one. The type is
 * the upper three bits of the first octet (LoRaWAN 1.0.4, section 4.2.1): 1, 3 and 5.
 */
export function downlinksHeard(
  store: Store,
  gatewayId: number,
  window: TimeRange,
): { readonly count: number; readonly withCrc: number } {
  return prepared(
    store,
    `SELECT count(*) AS count, count(*) FILTER (WHERE crc = 0) AS withCrc ${PACKETS} AND crc <> 1 AND ghost = 0
       AND further = 0 AND substr(hex(substr(payload, 1, 1)), 1, 1) IN ('2', '3', '6', '7', 'A', 'B')`,
  ).get({ id: gatewayId, from: window.fromUs, to: window.toUs }) as { count: number; withCrc: number };
}
