/** What one gateway's packets show of its radio and its counter, for the bench list. */
import { type TimeRange, unite } from "../../model/time-range.ts";
import { GATHERED_HOUR_US, windowParts } from "../hours/gathered.ts";
import { ChannelTotals } from "../hours/packet-columns.ts";
import { packetHourRows } from "../hours/read-packets.ts";
import type { Store } from "../open.ts";
import { type Newest, newest } from "./bench.ts";
import { columnsOf, prepared } from "./statement.ts";

const PACKETS = "FROM reception WHERE at_us >= @from AND at_us < @to AND gateway_id = @id";

/** Rows that are read one by one; of more the newest, and the check says since when. Chosen: most of a day, read in a moment. */
const MAX_PACKETS = 20_000;

/** What one antenna reported of one packet. */
export interface BenchPacket {
  /** When it was heard: arrival, less what the path held up. */
  readonly atUs: number;
  readonly arrivedUs: number;
  /** null: none, or one that cannot be. */
  readonly tmstUs: number | null;
  /** The gateway's own time of the packet minus `atUs`; null where it gave none. */
  readonly timeOffsetUs: number | null;
  /** See CRC_CODES of the recorder: 0 ok, 1 bad. */
  readonly crc: number;
  /** A weak copy of a packet on another channel. */
  readonly isGhost: boolean;
  /** Another antenna's row stands for the packet. */
  readonly isFurther: boolean;
  readonly frequencyHz: number | null;
  readonly dataRate: number;
  readonly rssiTenths: number | null;
  readonly snrTenths: number | null;
  /** Such as only a network sends: join-accept, data down. */
  readonly isDownlink: boolean;
}

/**
 * The newest packets of a gateway, newest first. A message type is the upper three bits of the first octet (LoRaWAN 1.0.4,
 * section 4.2.1): 1, 3 and 5 are a network's.
 */
export function newestPackets(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  max = MAX_PACKETS,
): Newest<BenchPacket> {
  const [times = [], delays, counters, offsets, kinds, frequencies, rates, rssis, snrs] = columnsOf(
    store,
    [
      "at_us",
      "late_us",
      "tmst_key",
      "gateway_offset_us",
      "crc * 8 + ghost * 4 + further * 2 + (substr(hex(substr(payload, 1, 1)), 1, 1) IN ('2', '3', '6', '7', 'A', 'B'))",
      "frequency_hz",
      "data_rate",
      "rssi_tenths",
      "snr_tenths",
    ],
    `FROM (SELECT at_us, late_us, tmst_key, gateway_offset_us, crc, ghost, further, coalesce(payload, x'') AS payload,
       frequency_hz, data_rate, rssi_tenths, snr_tenths ${PACKETS} ORDER BY at_us DESC LIMIT @max)`,
    { id: gatewayId, from: window.fromUs, to: window.toUs, max },
  );
  const rows = times.map((time, i): BenchPacket => {
    const atUs = time ?? 0;
    const tmstUs = counters?.[i] ?? -1;
    const kind = kinds?.[i] ?? 0;
    return {
      atUs,
      arrivedUs: atUs + (delays?.[i] ?? 0),
      tmstUs: tmstUs < 0 ? null : tmstUs,
      timeOffsetUs: offsets?.[i] ?? null,
      crc: kind >> 3,
      isGhost: (kind & 4) !== 0,
      isFurther: (kind & 2) !== 0,
      frequencyHz: frequencies?.[i] ?? null,
      dataRate: rates?.[i] ?? 0,
      rssiTenths: rssis?.[i] ?? null,
      snrTenths: snrs?.[i] ?? null,
      isDownlink: (kind & 1) !== 0,
    };
  });
  return newest(rows, max);
}

export interface PacketCounts {
  readonly all: number;
  readonly crcBad: number;
  readonly ghosts: number;
}

/**
 * Packets of the window, of every antenna. A gathered hour holds no ghost where as many packets were counted as there are
 * rows: ghosts and rows of further antennas are no packets of their own.
 */
export function packetCounts(store: Store, gatewayId: number, window: TimeRange): PacketCounts {
  const rows = prepared(
    store,
    `SELECT count(*) AS "all", count(*) FILTER (WHERE crc = 1 AND ghost = 0) AS crcBad,
            count(*) FILTER (WHERE ghost = 1) AS ghosts ${PACKETS}`,
  );
  const gathered = prepared(
    store,
    `SELECT hour, receptions, packets, crc_bad AS crcBad FROM gateway_hour
     WHERE gateway_id = ? AND hour >= ? AND hour < ? ORDER BY hour`,
  );
  const { hours, rest } = windowParts(store, window);
  const open = [...rest];
  const sum = { all: 0, crcBad: 0, ghosts: 0 };
  const add = (part: PacketCounts) => {
    sum.all += part.all;
    sum.crcBad += part.crcBad;
    sum.ghosts += part.ghosts;
  };
  for (const { from, to } of hours)
    for (const { hour, receptions, packets, crcBad } of gathered.all(gatewayId, from, to) as CountedHour[]) {
      const range = { fromUs: hour * GATHERED_HOUR_US, toUs: (hour + 1) * GATHERED_HOUR_US };
      if (receptions === packets) add({ all: receptions, crcBad, ghosts: 0 });
      else open.push(range);
    }
  for (const { fromUs, toUs } of unite(open))
    add(rows.get({ id: gatewayId, from: fromUs, to: toUs }) as PacketCounts);
  return sum;
}

interface CountedHour {
  readonly hour: number;
  readonly receptions: number;
  readonly packets: number;
  readonly crcBad: number;
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

export interface ChannelOfSite {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  readonly count: number;
}

/** Channels on which any gateway heard frames with a right CRC, with their counts. */
export function channelsOfSite(store: Store, window: TimeRange): ChannelOfSite[] {
  const rows = prepared(
    store,
    `SELECT gateway_id AS gatewayId, frequency_hz AS frequencyHz, count(*) AS count
     FROM reception INDEXED BY reception_by_time
     WHERE at_us >= ? AND at_us < ? AND crc = 0 AND ghost = 0 AND frame_id IS NOT NULL AND frequency_hz IS NOT NULL
     GROUP BY 1, 2`,
  );
  const gatewayIds = prepared(store, "SELECT id FROM gateway").pluck().all() as number[];
  const { hours, rest } = windowParts(store, window);
  const gateways = new Map<number, ChannelTotals>();
  const totalsOf = (gatewayId: number): ChannelTotals => {
    const totals = gateways.get(gatewayId) ?? new ChannelTotals();
    gateways.set(gatewayId, totals);
    return totals;
  };
  for (const { from, to } of hours)
    for (const gatewayId of gatewayIds)
      for (const { columns } of packetHourRows(store, gatewayId, from, to))
        totalsOf(gatewayId).addHour(columns);
  for (const { fromUs, toUs } of rest)
    for (const one of rows.all(fromUs, toUs) as ChannelOfSite[])
      totalsOf(one.gatewayId).add(one.frequencyHz, 0, 0, 0, one.count);
  return [...gateways].flatMap(([gatewayId, totals]) => {
    const counts = new Map<number, number>();
    for (const { frequencyHz, count } of totals.all())
      counts.set(frequencyHz, (counts.get(frequencyHz) ?? 0) + count);
    return [...counts].map(([frequencyHz, count]) => ({ gatewayId, frequencyHz, count }));
  });
}
