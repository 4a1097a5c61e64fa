/** What was on the air in a stretch, packet by packet, column by column, and by day? For figures that no roll-up holds. */
import type { TimeRange } from "../../model/time-range.ts";
import type { NoiseReading } from "../../radio/noise.ts";
import { GATHERED_HOUR_US, windowParts } from "../hours/gathered.ts";
import {
  crcOf,
  gatewayOf,
  type HeardHours,
  type HeardPart,
  noHeardHours,
  type PacketColumns,
  packetColumns,
} from "../hours/heard-hours.ts";
import type { Store } from "../open.ts";
import { removedToUs } from "../retention.ts";
import { columnsOf, prepared } from "./statement.ts";

/** A packet at a gateway; ghosts and further antennas are left out. */
export interface AirPacket {
  readonly gatewayId: number;
  /** See CRC_CODES of the recorder: 0 ok, 1 bad. */
  readonly crc: number;
  readonly codingRate: number;
  readonly size: number;
  readonly repeat: number;
  /** End of the packet. */
  readonly atUs: number;
  readonly frequencyHz: number | null;
  readonly airtimeUs: number;
  readonly dataRate: number;
  readonly rssiTenths: number | null;
  readonly snrTenths: number | null;
  /** The transmission that it is a hearing of; null for what is none of LoRaWAN's. */
  readonly frameId: number | null;
  readonly devAddr: number | null;
  readonly lifeId: number | null;
  readonly counter: number | null;
}

/** Every packet that ended in the stretch. `heard`: hours that need not be read. */
export function airPackets(
  store: Store,
  stretch: TimeRange,
  heard: HeardHours = noHeardHours(store),
): AirPacket[] {
  const packets: AirPacket[] = [];
  for (const part of heard.partsOf(stretch)) {
    if ("hour" in part) {
      for (let i = part.from; i < part.to; i++)
        if (part.hour.secondary[i] === 0) packets.push(packetOf(part.hour, i));
      continue;
    }
    const columns = packetColumns(store, part);
    for (let i = 0; i < columns.at.length; i++) packets.push(packetOf(columns, i));
  }
  return packets;
}

function packetOf(columns: PacketColumns, i: number): AirPacket {
  const small = columns.small[i] ?? 0;
  const level = numberOf(columns.levels[i]);
  const snr = level === null ? 0 : level % 65_536;
  return {
    gatewayId: gatewayOf(small),
    crc: crcOf(small),
    codingRate: (small >> 9) & 15,
    size: (small >> 1) & 255,
    repeat: small & 1,
    atUs: columns.fromUs + (columns.at[i] ?? 0),
    frequencyHz: numberOf(columns.frequency[i]),
    airtimeUs: columns.airtime[i] ?? 0,
    dataRate: columns.dataRate[i] ?? 0,
    rssiTenths: level === null ? null : Math.floor(level / 65_536) - 32_768,
    snrTenths: snr === 0 ? null : snr - 32_768,
    frameId: numberOf(columns.frame[i]),
    devAddr: numberOf(columns.devAddr[i]),
    lifeId: numberOf(columns.life[i]),
    counter: numberOf(columns.counter[i]),
  };
}

/** null where a column holds nothing. */
function numberOf(value: number | null | undefined): number | null {
  return value === null || value === undefined || Number.isNaN(value) ? null : value;
}

/**
 * Where the newest `most` receptions of a window begin: the window's own begin when it holds no more. Gathered hours are
 * counted by their sums; the index of times is walked in the others alone, and no further than it must.
 */
export function newestReceptionsFromUs(store: Store, window: TimeRange, most: number): number {
  const { fromUs, toUs } = window;
  const { hours } = windowParts(store, { fromUs: Math.max(fromUs, removedToUs(store)), toUs });
  const ofHour = prepared(
    store,
    "SELECT sum(receptions) FROM gateway CROSS JOIN gateway_hour ON gateway_id = gateway.id WHERE hour = ?",
  ).pluck();
  const inRows = "FROM reception INDEXED BY reception_by_time WHERE at_us >= ? AND at_us < ?";
  const next = prepared(store, `SELECT at_us ${inRows} ORDER BY at_us DESC LIMIT 1 OFFSET ?`).pluck();
  const all = prepared(store, `SELECT count(*) ${inRows}`).pluck();
  let left = most;
  let endUs = toUs;
  /** Counts the rows from a moment on; where the newest `most` begin, when these are more. */
  const begunIn = (beginUs: number): number | null => {
    if (beginUs >= endUs) return null;
    const beforeUs = next.get(beginUs, endUs, left) as number | undefined;
    if (beforeUs !== undefined) return beforeUs + 1;
    left -= all.get(beginUs, endUs) as number;
    endUs = beginUs;
    return null;
  };
  for (const { from, to } of [...hours].reverse())
    for (let hour = to - 1; hour >= from; hour--) {
      const foundUs = begunIn((hour + 1) * GATHERED_HOUR_US);
      if (foundUs !== null) return foundUs;
      const count = (ofHour.get(hour) as number | null) ?? 0;
      if (count > left) return begunIn(hour * GATHERED_HOUR_US) ?? fromUs;
      left -= count;
      endUs = hour * GATHERED_HOUR_US;
    }
  return begunIn(fromUs) ?? fromUs;
}

export interface DownlinkRecord {
  readonly gatewayId: number;
  /** 0 where it was not known when it was recorded. */
  readonly airtimeUs: number;
  readonly dataRate: number | null;
  readonly size: number;
  /** What the gateway said of it (TX_ACK, which protocol 2 has); null: it said nothing. */
  readonly result: string | null;
}

/** Downlinks handed to gateways, with the gateway's word on each. */
export function downlinksOf(store: Store, window: TimeRange, most: number): DownlinkRecord[] {
  return prepared(
    store,
    `SELECT gateway_id AS gatewayId, airtime_us AS airtimeUs, data_rate AS dataRate, length(payload) AS size,
            outcome AS result
     FROM downlink INDEXED BY downlink_by_time
     WHERE at_us >= ? AND at_us < ? AND gateway_id > 0 ORDER BY at_us DESC LIMIT ?`,
  ).all(window.fromUs, window.toUs, most) as DownlinkRecord[];
}

/** Frames that a gateway says it sent in the window (`txnb` of its status reports); null when no report tells. */
export function reportedTransmissions(
  store: Store,
  window: TimeRange,
): ReadonlyMap<number, { readonly sent: number | null; readonly asked: number | null }> {
  const rows = prepared(
    store,
    `SELECT g.id AS gatewayId, sum(s.tx_emitted) AS sent, sum(s.downlink_datagrams) AS asked
     FROM gateway g JOIN status_report s ON s.gateway_id = g.id
     WHERE s.at_us >= ? AND s.at_us < ? GROUP BY 1`,
  ).all(window.fromUs, window.toUs) as { gatewayId: number; sent: number | null; asked: number | null }[];
  return new Map(rows.map(({ gatewayId, sent, asked }) => [gatewayId, { sent, asked }]));
}

// How much airtime did each address spend on each day, as each gateway heard it?

const DAY_US = 86_400_000_000;

export interface AddressDay {
  readonly gatewayId: number;
  /** Days since 1970, UTC. */
  readonly day: number;
  readonly devAddr: number;
  readonly airtimeUs: number;
}

// By leaps through the index: there are far fewer addresses than frames.
const ADDRESSES = `
  WITH RECURSIVE named(address) AS (
    SELECT min(dev_addr) FROM main.frame WHERE dev_addr IS NOT NULL UNION ALL
    SELECT (SELECT min(dev_addr) FROM main.frame WHERE dev_addr > named.address) FROM named
    WHERE address IS NOT NULL)
  SELECT address FROM named WHERE address IS NOT NULL`;

/** Packets of the addresses that are `counted`, ghosts and secondary antennas left out. */
export function airtimeByDay(
  store: Store,
  { fromUs, toUs }: TimeRange,
  counted: (devAddr: number) => boolean,
): AddressDay[] {
  const addresses = (prepared(store, ADDRESSES).pluck().all() as number[]).filter(counted);
  if (addresses.length === 0) return [];
  const asked = JSON.stringify(addresses);
  const rows: AddressDay[] = [];
  const next = prepared(store, "SELECT min(at_us) FROM main.reception WHERE at_us >= ?").pluck();
  const dayFrom = (atUs: number) => {
    const nextUs = next.get(atUs) as number | null;
    return nextUs === null ? Number.POSITIVE_INFINITY : Math.floor(nextUs / DAY_US);
  };
  // A day at a time, and summed here: SQLite would sort a million rows to group them. Days of nothing are passed over: a
  // clock that jumped leaves decades of them.
  for (let day = dayFrom(fromUs); day * DAY_US < toUs; day = dayFrom((day + 1) * DAY_US)) {
    const [gateways = [], named, airtimes] = columnsOf(
      store,
      ["r.gateway_id", "f.dev_addr", "r.airtime_us"],
      `FROM reception r INDEXED BY reception_by_time JOIN main.frame f ON f.id = r.frame_id
       WHERE r.at_us >= @from AND r.at_us < @to AND r.ghost = 0 AND r.further = 0
         AND f.dev_addr IN (SELECT value FROM json_each(@asked))`,
      { from: Math.max(fromUs, day * DAY_US), to: Math.min(toUs, (day + 1) * DAY_US), asked },
    );
    const sums = new Map<number, Map<number, number>>();
    for (const [i, gatewayId] of gateways.entries()) {
      const own = sums.get(gatewayId ?? 0) ?? new Map<number, number>();
      const devAddr = named?.[i] ?? 0;
      sums.set(gatewayId ?? 0, own.set(devAddr, (own.get(devAddr) ?? 0) + (airtimes?.[i] ?? 0)));
    }
    for (const [gatewayId, own] of sums)
      for (const [devAddr, airtimeUs] of own) rows.push({ gatewayId, day, devAddr, airtimeUs });
  }
  return rows;
}

/**
 * Hours of each day in which a gateway with keepalives sent anything, by days since 1970; null of a gateway without
 * keepalives, whose silence tells nothing.
 */
export function hoursThere(
  store: Store,
  gatewayId: number,
  { fromUs, toUs }: TimeRange,
): ReadonlyMap<number, number> | null {
  const rows = prepared(
    store,
    `SELECT CAST(minute / 1440 AS INTEGER) AS day, count(DISTINCT CAST(minute / 60 AS INTEGER)) AS hours,
            sum(keepalives) AS keepalives
     FROM gateway_minute WHERE gateway_id = ? AND minute >= ? AND minute < ? GROUP BY 1`,
  ).all(gatewayId, Math.floor(fromUs / 60e6), Math.ceil(toUs / 60e6)) as {
    day: number;
    hours: number;
    keepalives: number;
  }[];
  if (rows.every(({ keepalives }) => keepalives === 0)) return null;
  return new Map(rows.map(({ day, hours }) => [day, hours]));
}

// What the score of a site draws beside its views: levels of weak packets by time.

export interface WeakReading extends NoiseReading {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  /** Its CRC was right: only such a packet tells of one channel's noise as the air takes it. */
  readonly isRight: boolean;
}

/** Packets with an SNR of `maxSnrDb` or less, by time. `heard`: hours that need not be read. */
export function weakReadings(
  store: Store,
  stretch: TimeRange,
  maxSnrDb: number,
  heard: HeardHours = noHeardHours(store),
): WeakReading[] {
  const maxTenths = Math.round(maxSnrDb * 10);
  return heard
    .partsOf(stretch)
    .flatMap((part) => ("hour" in part ? weakOf(part, maxTenths) : weakInRows(store, part, maxTenths)));
}

function weakOf({ hour, from, to }: HeardPart, maxTenths: number): WeakReading[] {
  const weak: WeakReading[] = [];
  for (let i = from; i < to; i++) {
    const level = hour.levels[i] ?? Number.NaN;
    const snr = level % 65_536;
    // Without a level, or without an SNR, there is nothing to compare.
    if (!(snr > 0) || snr - 32_768 > maxTenths || hour.secondary[i] !== 0) continue;
    const frequencyHz = numberOf(hour.frequency[i]);
    if (frequencyHz === null) continue;
    const small = hour.small[i] ?? 0;
    weak.push({
      gatewayId: gatewayOf(small),
      isRight: crcOf(small) === 0,
      frequencyHz,
      atUs: hour.fromUs + (hour.at[i] ?? 0),
      rssiDbm: (Math.floor(level / 65_536) - 32_768) / 10,
      snrDb: (snr - 32_768) / 10,
    });
  }
  return weak;
}

function weakInRows(store: Store, { fromUs, toUs }: TimeRange, maxTenths: number): WeakReading[] {
  const [gateways = [], frequencies, times, rssis, snrs] = columnsOf(
    store,
    ["gateway_id * 4 + crc", "frequency_hz", "at_us - @from", "rssi_tenths", "snr_tenths"],
    `FROM reception INDEXED BY reception_by_time
     WHERE at_us >= @from AND at_us < @to AND ghost = 0 AND further = 0 AND frequency_hz IS NOT NULL
       AND rssi_tenths IS NOT NULL AND snr_tenths <= @max`,
    { from: fromUs, to: toUs, max: maxTenths },
  );
  return gateways.map((code, i) => ({
    gatewayId: (code ?? 0) >> 2,
    isRight: ((code ?? 0) & 3) === 0,
    frequencyHz: frequencies?.[i] ?? 0,
    atUs: fromUs + (times?.[i] ?? 0),
    rssiDbm: (rssis?.[i] ?? 0) / 10,
    snrDb: (snrs?.[i] ?? 0) / 10,
  }));
}
