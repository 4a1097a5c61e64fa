/** What do rows and gathered hours together tell of a gateway's packets? Counts, heartbeat, readings of its counter, channels. */
import { MINUTE_US, type TimeRange } from "../../model/time-range.ts";
import { TMST_PERIOD_US } from "../../radio/clock.ts";
import { GATHERED_HOUR_US, windowParts } from "../hours/gathered.ts";
import {
  type ChannelPackets,
  ChannelTotals,
  type CounterReading,
  delayAgainst,
  READING_CELL_US,
  readingsOfHour,
} from "../hours/packet-columns.ts";
import { packetHourRows } from "../hours/read-packets.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

export interface GatewayCounts {
  readonly datagrams: number;
  readonly receptions: number;
  readonly crcBad: number;
  readonly crcNone: number;
}

/** Datagrams and receptions of the window; ghosts are receptions too. */
export function gatewayCounts(store: Store, gatewayId: number, window: TimeRange): GatewayCounts {
  const datagrams = prepared(
    store,
    "SELECT count(*) FROM datagram WHERE gateway_id = ? AND at_us >= ? AND at_us < ? AND kind < 16",
  ).pluck();
  const receptions = prepared(
    store,
    `SELECT count(*) AS receptions, count(*) FILTER (WHERE crc = 1) AS crcBad,
            count(*) FILTER (WHERE crc > 1) AS crcNone
     FROM reception WHERE at_us >= ? AND at_us < ? AND gateway_id = ?`,
  );
  const gathered = prepared(
    store,
    `SELECT total(datagrams) AS datagrams, total(receptions) AS receptions, total(crc_bad) AS crcBad,
            total(crc_none) AS crcNone
     FROM gateway_hour WHERE gateway_id = ? AND hour >= ? AND hour < ?`,
  );
  const { hours, rest } = windowParts(store, window);
  const parts = [
    ...hours.map(({ from, to }) => gathered.get(gatewayId, from, to) as GatewayCounts),
    ...rest.map(({ fromUs, toUs }) => ({
      datagrams: datagrams.get(gatewayId, fromUs, toUs) as number,
      ...(receptions.get(fromUs, toUs, gatewayId) as Omit<GatewayCounts, "datagrams">),
    })),
  ];
  const sum = { datagrams: 0, receptions: 0, crcBad: 0, crcNone: 0 };
  for (const part of parts) {
    sum.datagrams += part.datagrams;
    sum.receptions += part.receptions;
    sum.crcBad += part.crcBad;
    sum.crcNone += part.crcNone;
  }
  return sum;
}

export interface MinuteRecord {
  readonly cell: number;
  readonly datagrams: number;
  readonly keepalives: number;
  readonly statusReports: number;
  readonly receptions: number;
  readonly crcBad: number;
}

/** The heartbeat in cells of whole minutes, numbered from the cell that holds `fromMinute`; cells without a row are left out. */
export function heartbeatCells(
  store: Store,
  gatewayId: number,
  fromMinute: number,
  toMinute: number,
  minutesACell: number,
): MinuteRecord[] {
  // Numbers are bound as REAL, so the quotient has a fraction to cut off.
  const minutes = prepared(
    store,
    `SELECT CAST((minute - @first) / @size AS INTEGER) AS cell, sum(datagrams) AS datagrams, sum(keepalives) AS keepalives,
            sum(status_reports) AS statusReports, sum(crc_ok + crc_bad + crc_none) AS receptions,
            sum(crc_bad) AS crcBad
     FROM gateway_minute WHERE gateway_id = @id AND minute >= @from AND minute < @to GROUP BY 1`,
  );
  const gathered = prepared(
    store,
    `SELECT CAST((hour * 60 - @first) / @size AS INTEGER) AS cell, sum(datagrams) AS datagrams,
            sum(keepalives) AS keepalives, sum(status_reports) AS statusReports, sum(packets) AS receptions,
            sum(packets_bad) AS crcBad
     FROM gateway_hour WHERE gateway_id = @id AND hour >= @from AND hour < @to GROUP BY 1`,
  );
  const cells = new Map<number, MinuteRecord>();
  const asked = { id: gatewayId, first: fromMinute, size: minutesACell };
  const add = (rows: readonly MinuteRecord[]) => {
    for (const row of rows) {
      const known = cells.get(row.cell);
      cells.set(row.cell, known === undefined ? row : sumOfCells(known, row));
    }
  };
  const { hours, minutes: rest } = cellParts(store, fromMinute, toMinute, minutesACell);
  for (const range of hours) add(gathered.all({ ...asked, ...range }) as MinuteRecord[]);
  for (const range of rest) add(minutes.all({ ...asked, ...range }) as MinuteRecord[]);
  return [...cells.values()].sort((a, b) => a.cell - b.cell);
}

function sumOfCells(a: MinuteRecord, b: MinuteRecord): MinuteRecord {
  return {
    cell: a.cell,
    datagrams: a.datagrams + b.datagrams,
    keepalives: a.keepalives + b.keepalives,
    statusReports: a.statusReports + b.statusReports,
    receptions: a.receptions + b.receptions,
    crcBad: a.crcBad + b.crcBad,
  };
}

interface NumberRange {
  readonly from: number;
  readonly to: number;
}

const HOUR_MINUTES = GATHERED_HOUR_US / MINUTE_US;

/** Gathered hours that lie within one cell each, and all other minutes, each in ranges in order. */
export function cellParts(
  store: Store,
  fromMinute: number,
  toMinute: number,
  minutesACell: number,
): { readonly hours: readonly NumberRange[]; readonly minutes: readonly NumberRange[] } {
  const all = { from: fromMinute, to: toMinute };
  if (minutesACell < HOUR_MINUTES) return { hours: [], minutes: [all] };
  const window = { fromUs: fromMinute * MINUTE_US, toUs: toMinute * MINUTE_US };
  const hours: { from: number; to: number }[] = [];
  for (const part of windowParts(store, window).hours)
    for (let hour = part.from; hour < part.to; hour++) {
      const begin = hour * HOUR_MINUTES - fromMinute;
      const isWithin =
        Math.floor(begin / minutesACell) === Math.floor((begin + HOUR_MINUTES - 1) / minutesACell);
      if (!isWithin) continue;
      const last = hours.at(-1);
      if (last !== undefined && last.to === hour) last.to = hour + 1;
      else hours.push({ from: hour, to: hour + 1 });
    }
  const minutes: NumberRange[] = [];
  let from = fromMinute;
  for (const range of hours) {
    if (range.from * HOUR_MINUTES > from) minutes.push({ from, to: range.from * HOUR_MINUTES });
    from = range.to * HOUR_MINUTES;
  }
  if (from < toMinute) minutes.push({ from, to: toMinute });
  return { hours, minutes };
}

/**
 * Counter against capture time, one reading (the least delayed) a cell, a minute unless another is given, in order. The counter's
 * wraps do not disturb the choice: delays are taken modulo its period of 2^32 us, half a period around the first
 * reading's. Cells of whole multiples of READING_CELL_US are read from gathered hours.
 */
export function counterReadings(
  store: Store,
  gatewayId: number,
  window: TimeRange,
  cellUs = 60_000_000,
): CounterReading[] {
  const packets = `reception
     WHERE at_us >= @from AND at_us < @to AND gateway_id = @id AND tmst_key >= 0 AND ghost = 0`;
  const leadUs = prepared(store, `SELECT at_us - tmst_key FROM ${packets} ORDER BY at_us LIMIT 1`)
    .pluck()
    .get({ id: gatewayId, from: window.fromUs, to: window.toUs }) as number | undefined;
  const least = prepared(
    store,
    `SELECT tmst_key, at_us, at_us + gateway_offset_us, min((at_us - tmst_key - @lead + ${1.5 * TMST_PERIOD_US}) % ${TMST_PERIOD_US})
     FROM ${packets} GROUP BY CAST(at_us / @cell AS INTEGER) ORDER BY CAST(at_us / @cell AS INTEGER)`,
  ).raw();
  const fromRows = ({ fromUs, toUs }: TimeRange) =>
    (
      least.all({ id: gatewayId, from: fromUs, to: toUs, cell: cellUs, lead: leadUs ?? 0 }) as [
        number,
        number,
        number | null,
        number,
      ][]
    ).map(([tmstUs, atUs, gatewayTimeUs]) => ({ tmstUs, atUs, gatewayTimeUs }));
  if (cellUs % READING_CELL_US !== 0) return leadUs === undefined ? [] : fromRows(window);
  const { hours, rest } = windowParts(store, window);
  const readings = [
    ...hours
      .flatMap(({ from, to }) => packetHourRows(store, gatewayId, from, to))
      .flatMap(({ hour, columns }) => readingsOfHour(columns, hour * GATHERED_HOUR_US)),
    ...(leadUs === undefined ? [] : rest.flatMap(fromRows)),
  ].sort((a, b) => a.atUs - b.atUs);
  const [first] = readings;
  if (first === undefined) return [];
  // Of removed time the first packet is not there any more: its hour's first reading leads.
  const firstUs = leadUs ?? first.atUs - first.tmstUs;
  const cells = new Map<number, { readonly reading: CounterReading; readonly delayUs: number }>();
  for (const reading of readings) {
    const cell = Math.floor(reading.atUs / cellUs);
    const delayUs = delayAgainst(firstUs, reading.tmstUs, reading.atUs);
    const best = cells.get(cell);
    if (best === undefined || delayUs < best.delayUs) cells.set(cell, { reading, delayUs });
  }
  return [...cells.values()].map(({ reading }) => reading);
}

/** What the plan of a region is recognised by: channels and data rates of packets with a right CRC. In order of both. */
export function heardChannels(store: Store, gatewayId: number, window: TimeRange): ChannelPackets[] {
  const rows = prepared(
    store,
    `SELECT frequency_hz AS frequencyHz, data_rate AS dataRate, min(coding_rate) AS codingRate,
            max(coalesce(length(payload), 0)) AS size, count(*) AS count
     FROM reception
     WHERE at_us >= ? AND at_us < ? AND gateway_id = ? AND crc = 0 AND ghost = 0
       AND frequency_hz IS NOT NULL AND frame_id IS NOT NULL
     GROUP BY frequency_hz, data_rate`,
  );
  const { hours, rest } = windowParts(store, window);
  const totals = new ChannelTotals();
  for (const { from, to } of hours)
    for (const { columns } of packetHourRows(store, gatewayId, from, to)) totals.addHour(columns);
  for (const { fromUs, toUs } of rest)
    for (const one of rows.all(fromUs, toUs, gatewayId) as ChannelPackets[])
      totals.add(one.frequencyHz, one.dataRate, one.codingRate, one.size, one.count);
  return totals.all();
}
