/** What went over each channel at each gateway? Roll-ups for whole minutes, receptions for ragged ends. */
import type { TimeWindow } from "../../model/window.ts";
import type { Store } from "../open.ts";
import { prepared } from "./statement.ts";

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
    UNION ALL
    SELECT id, (SELECT min(frequency_hz) FROM channel_minute
                WHERE gateway_id = channel.id AND frequency_hz > channel.frequency)
    FROM channel WHERE frequency IS NOT NULL)
  SELECT gateway_id AS gatewayId, frequency_hz AS frequencyHz, CAST((minute - @from) / @size AS INTEGER) AS cell,
         sum(receptions) AS receptions, sum(crc_bad) AS crcBad, sum(airtime_us) AS airtimeUs,
         sum(busy_us) AS busyUs
  FROM channel CROSS JOIN channel_minute ON gateway_id = channel.id AND frequency_hz = channel.frequency
  WHERE minute >= @from AND minute < @to GROUP BY 1, 2, 3 ORDER BY 1, 2, 3`;

/** Sums of whole minutes [fromMinute, toMinute) in cells. Busy time adds up, since minutes do not overlap. */
export function channelCells(
  store: Store,
  fromMinute: number,
  toMinute: number,
  minutesACell: number,
): ChannelMinuteRecord[] {
  // Numbers are bound as REAL, so the quotient has a fraction to cut off.
  const values = { from: fromMinute, to: toMinute, size: minutesACell };
  return prepared(store, CELLS).all(values) as ChannelMinuteRecord[];
}

export interface ChannelInterval {
  readonly gatewayId: number;
  readonly frequencyHz: number;
  readonly atUs: number;
  readonly airtimeUs: number;
  readonly crc: number;
}

/** Packets that were on the air within a stretch shorter than a minute or two, ghosts left out. */
export function channelIntervals(store: Store, window: TimeWindow): ChannelInterval[] {
  return prepared(
    store,
    `SELECT gateway_id AS gatewayId, frequency_hz AS frequencyHz, at_us AS atUs, airtime_us AS airtimeUs, crc
     FROM reception INDEXED BY reception_by_time
     WHERE at_us >= @from AND at_us < @to + 200000000 AND ghost = 0 AND frequency_hz IS NOT NULL
       AND (at_us < @to OR at_us - airtime_us < @to) ORDER BY at_us`,
  ).all({ from: window.fromUs, to: window.toUs }) as ChannelInterval[];
}

/** Levels from which noise is estimated: frames at an SNR of 5 dB at most, newest 20,000. */
export function weakReceptions(
  store: Store,
  window: TimeWindow,
): { gatewayId: number; frequencyHz: number; rssiTenths: number; snrTenths: number }[] {
  return prepared(
    store,
    `SELECT gateway_id AS gatewayId, frequency_hz AS frequencyHz, rssi_tenths AS rssiTenths,
            snr_tenths AS snrTenths
     FROM reception INDEXED BY reception_by_time
     WHERE at_us >= ? AND at_us < ? AND crc = 0 AND ghost = 0 AND snr_tenths <= 50
       AND rssi_tenths IS NOT NULL AND frequency_hz IS NOT NULL ORDER BY at_us DESC LIMIT 20000`,
  ).all(window.fromUs, window.toUs) as {
    gatewayId: number;
    frequencyHz: number;
    rssiTenths: number;
    snrTenths: number;
  }[];
}

/** Airtime and receptions by channel and node. */
export function nodeAirtime(
  store: Store,
  window: TimeWindow,
): { gatewayId: number; frequencyHz: number; devAddr: number; receptions: number; airtimeUs: number }[] {
  return prepared(
    store,
    `SELECT r.gateway_id AS gatewayId, r.frequency_hz AS frequencyHz, f.dev_addr AS devAddr,
            count(*) AS receptions, sum(r.airtime_us) AS airtimeUs
     FROM reception r INDEXED BY reception_by_time CROSS JOIN frame f ON f.id = r.frame_id
     WHERE r.at_us >= ? AND r.at_us < ? AND f.dev_addr IS NOT NULL AND r.frequency_hz IS NOT NULL
     GROUP BY 1, 2, 3`,
  ).all(window.fromUs, window.toUs) as {
    gatewayId: number;
    frequencyHz: number;
    devAddr: number;
    receptions: number;
    airtimeUs: number;
  }[];
}

export function dataRateShares(
  store: Store,
  window: TimeWindow,
): { dataRate: number; receptions: number; airtimeUs: number }[] {
  return prepared(
    store,
    `SELECT data_rate AS dataRate, count(*) AS receptions, sum(airtime_us) AS airtimeUs
     FROM reception INDEXED BY reception_by_time
     WHERE at_us >= ? AND at_us < ? AND ghost = 0 GROUP BY 1 ORDER BY 2 DESC, 1`,
  ).all(window.fromUs, window.toUs) as { dataRate: number; receptions: number; airtimeUs: number }[];
}

/** Transmissions of the addresses that spent most airtime, by address and time. */
export function busiestTransmissions(
  store: Store,
  window: TimeWindow,
  most: number,
): { devAddr: number; atUs: number; airtimeUs: number }[] {
  return prepared(
    store,
    `SELECT dev_addr AS devAddr, at_us AS atUs, airtime_us AS airtimeUs
     FROM frame INDEXED BY frame_by_time
     WHERE at_us >= @from AND at_us < @to AND life_id IS NOT NULL AND dev_addr IN
       (SELECT dev_addr FROM frame INDEXED BY frame_by_time
        WHERE at_us >= @from AND at_us < @to AND life_id IS NOT NULL
        GROUP BY dev_addr ORDER BY sum(airtime_us) DESC, dev_addr LIMIT @most)
     ORDER BY dev_addr, at_us`,
  ).all({ from: window.fromUs, to: window.toUs, most }) as {
    devAddr: number;
    atUs: number;
    airtimeUs: number;
  }[];
}
