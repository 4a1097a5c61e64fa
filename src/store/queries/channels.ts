/** What went over each channel at each gateway? Roll-ups for whole minutes, in rows or packed; receptions for ragged ends. */

import { formatDevAddr } from "../../model/identifiers.ts";
import type { TimeRange } from "../../model/time-range.ts";
import { decodeMinutes, HOUR_MINUTES } from "../hours/channel-minutes.ts";
import { gatewayOf, type HeardHours, noHeardHours } from "../hours/heard-hours.ts";
import type { Store } from "../open.ts";
import { cellParts } from "./gateway-packets.ts";
import { columnsOf, prepared } from "./statement.ts";

export interface ChannelMinuteRecord {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  readonly cell: number;
  readonly receptions: number;
  readonly crcBad: number;
  readonly airtimeUs: number;
  readonly busyUs: number;
}

// The channels first, by leaps through the primary key: a look at an hour must not read months of minutes.
const CELLS = `
  WITH RECURSIVE channel(id, frequency) AS (
    SELECT id, (SELECT min(frequency_hz) FROM channel_minute WHERE gateway_id = gateway.id) FROM gateway
    WHERE @ids IS NULL OR id IN (SELECT value FROM json_each(@ids))
    UNION ALL
    SELECT id, (SELECT min(frequency_hz) FROM channel_minute
                WHERE gateway_id = channel.id AND frequency_hz > channel.frequency)
    FROM channel WHERE frequency IS NOT NULL)
  SELECT gateway_id AS gatewayId, frequency_hz AS frequencyHz, CAST((minute - @first) / @size AS INTEGER) AS cell,
         sum(receptions) AS receptions, sum(crc_bad) AS crcBad, sum(airtime_us) AS airtimeUs,
         sum(busy_us) AS busyUs
  FROM channel CROSS JOIN channel_minute ON gateway_id = channel.id AND frequency_hz = channel.frequency
  WHERE minute >= @from AND minute < @to GROUP BY 1, 2, 3 ORDER BY 1, 2, 3`;

const HOUR_CELLS = `
  SELECT gateway_id AS gatewayId, frequency_hz AS frequencyHz, CAST((hour * 60 - @first) / @size AS INTEGER) AS cell,
         sum(receptions) AS receptions, sum(crc_bad) AS crcBad, sum(airtime_us) AS airtimeUs, sum(busy_us) AS busyUs
  FROM gateway CROSS JOIN channel_hour ON gateway_id = gateway.id
  WHERE (@ids IS NULL OR id IN (SELECT value FROM json_each(@ids))) AND hour >= @from AND hour < @to GROUP BY 1, 2, 3`;

const PACKED = `
  SELECT gateway_id AS gatewayId, hour, columns FROM gateway CROSS JOIN channel_minute_packed ON gateway_id = gateway.id
  WHERE (@ids IS NULL OR id IN (SELECT value FROM json_each(@ids))) AND hour >= @from AND hour < @to`;

/** Sums of whole minutes [fromMinute, toMinute) in cells, of all gateways or of some. Busy time adds up, since minutes do not overlap. */
export function channelCells(
  store: Store,
  fromMinute: number,
  toMinute: number,
  minutesACell: number,
  gatewayIds?: readonly number[],
): ChannelMinuteRecord[] {
  // Numbers are bound as REAL, so the quotient has a fraction to cut off.
  const asked = {
    first: fromMinute,
    size: minutesACell,
    ids: gatewayIds === undefined ? null : JSON.stringify(gatewayIds),
  };
  const { hours, minutes } = cellParts(store, fromMinute, toMinute, minutesACell);
  const sums = new ChannelSums();
  for (const range of hours)
    for (const one of prepared(store, HOUR_CELLS).all({ ...asked, ...range }) as ChannelMinuteRecord[])
      sums.add(one.gatewayId, one.cell, one);
  for (const { from, to } of minutes) {
    for (const one of prepared(store, CELLS).all({ ...asked, from, to }) as ChannelMinuteRecord[])
      sums.add(one.gatewayId, one.cell, one);
    const packed = {
      ids: asked.ids,
      from: Math.floor(from / HOUR_MINUTES),
      to: Math.ceil(to / HOUR_MINUTES),
    };
    for (const { gatewayId, hour, columns } of prepared(store, PACKED).iterate(
      packed,
    ) as Iterable<PackedHour>)
      for (const one of decodeMinutes(columns, hour))
        if (one.minute >= from && one.minute < to)
          sums.add(gatewayId, Math.floor((one.minute - fromMinute) / minutesACell), one);
  }
  return sums.all();
}

interface PackedHour {
  readonly gatewayId: number;
  readonly hour: number;
  readonly columns: Uint8Array;
}

/** Sums by gateway, channel and cell. */
class ChannelSums {
  readonly #sums = new Map<
    number,
    Map<number, Map<number, { -readonly [key in keyof ChannelMinuteRecord]: ChannelMinuteRecord[key] }>>
  >();

  add(gatewayId: number, cell: number, one: Omit<ChannelMinuteRecord, "gatewayId" | "cell">): void {
    const { frequencyHz, receptions, crcBad, airtimeUs, busyUs } = one;
    const ofChannel = entry(entry(this.#sums, gatewayId), frequencyHz);
    const sum = ofChannel.get(cell);
    if (sum === undefined) {
      ofChannel.set(cell, { gatewayId, frequencyHz, cell, receptions, crcBad, airtimeUs, busyUs });
      return;
    }
    sum.receptions += receptions;
    sum.crcBad += crcBad;
    sum.airtimeUs += airtimeUs;
    sum.busyUs += busyUs;
  }

  /** In order of gateway, channel and cell. */
  all(): ChannelMinuteRecord[] {
    return inOrder(this.#sums).flatMap(([, ofGateway]) =>
      inOrder(ofGateway).flatMap(([, ofChannel]) => inOrder(ofChannel).map(([, sum]) => sum)),
    );
  }
}

export interface ChannelInterval {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  readonly atUs: number;
  readonly airtimeUs: number;
  readonly crc: number;
}

/** Packets that were on the air within a stretch shorter than a minute or two, ghosts left out. */
export function channelIntervals(store: Store, window: TimeRange): ChannelInterval[] {
  return prepared(
    store,
    `SELECT gateway_id AS gatewayId, frequency_hz AS frequencyHz, at_us AS atUs, airtime_us AS airtimeUs, crc
     FROM reception INDEXED BY reception_by_time
     WHERE at_us >= @from AND at_us < @to + 200000000 AND ghost = 0 AND further = 0 AND frequency_hz IS NOT NULL
       AND (at_us < @to OR at_us - airtime_us < @to) ORDER BY at_us`,
  ).all({ from: window.fromUs, to: window.toUs }) as ChannelInterval[];
}

// How much did each gateway hear of each node on each channel, and how weak was the weakest? For standing conditions.

export interface ChannelFrames {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  /** "01A2B3C4/1": address and life. */
  readonly node: string;
  readonly frames: number;
}

/**
 * Packets of known nodes by gateway, channel and node, in order; ghosts and secondary antennas are left out. `heard`: hours
 * that need not be read.
 */
export function framesByChannel(
  store: Store,
  stretch: TimeRange,
  heard: HeardHours = noHeardHours(store),
): ChannelFrames[] {
  // Counted here: SQLite would sort all packets to group them.
  const counts = new Map<number, Map<number, Map<number, number>>>();
  const lives = new Set<number>();
  const add = (gatewayId: number, frequencyHz: number, life: number) => {
    const ofChannel = entry(entry(counts, gatewayId), frequencyHz);
    ofChannel.set(life, (ofChannel.get(life) ?? 0) + 1);
    lives.add(life);
  };
  for (const part of heard.partsOf(stretch)) {
    if ("hour" in part) {
      const { small, frequency, life, secondary } = part.hour;
      for (let i = part.from; i < part.to; i++) {
        const [frequencyHz, lifeId] = [frequency[i] ?? Number.NaN, life[i] ?? Number.NaN];
        if (secondary[i] === 0 && !Number.isNaN(frequencyHz) && !Number.isNaN(lifeId))
          add(gatewayOf(small[i] ?? 0), frequencyHz, lifeId);
      }
      continue;
    }
    const [gateways = [], frequencies, ofFrames] = columnsOf(
      store,
      ["r.gateway_id", "r.frequency_hz", "f.life_id"],
      `FROM reception r INDEXED BY reception_by_time JOIN main.frame f ON f.id = r.frame_id
       WHERE r.at_us >= ? AND r.at_us < ? AND r.ghost = 0 AND r.further = 0 AND r.frequency_hz IS NOT NULL
         AND f.life_id IS NOT NULL`,
      [part.fromUs, part.toUs],
    );
    for (const [i, gateway] of gateways.entries())
      add(gateway ?? 0, frequencies?.[i] ?? 0, ofFrames?.[i] ?? 0);
  }
  const named = prepared(
    store,
    "SELECT id, dev_addr AS devAddr, number FROM main.life WHERE id IN (SELECT value FROM json_each(?))",
  ).all(JSON.stringify([...lives])) as { id: number; devAddr: number; number: number }[];
  const nodes = new Map(
    named.map(({ id, devAddr, number }) => [id, `${formatDevAddr(devAddr)}/${number}`] as const),
  );
  return inOrder(counts).flatMap(([gatewayId, ofGateway]) =>
    inOrder(ofGateway).flatMap(([frequencyHz, ofChannel]) =>
      inOrder(ofChannel).map(([life, frames]) => ({
        ...{ gatewayId, frequencyHz, frames },
        node: nodes.get(life) ?? "",
      })),
    ),
  );
}

function entry<V>(map: Map<number, Map<number, V>>, key: number): Map<number, V> {
  const known = map.get(key) ?? new Map<number, V>();
  map.set(key, known);
  return known;
}

function inOrder<V>(map: ReadonlyMap<number, V>): [number, V][] {
  return [...map].sort(([a], [b]) => a - b);
}
