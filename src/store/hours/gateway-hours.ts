/** What did each gateway, and each channel of it, do in an hour? Written by the gatherer, whatever was written before. */
import type { Statement } from "better-sqlite3";
import type { Store } from "../open.ts";
import { columnsOf } from "../queries/statement.ts";
import { GATHERED_HOUR_US } from "./gathered.ts";
import {
  ChannelTotals,
  type CounterReading,
  delayAgainst,
  encodeHourPackets,
  READING_CELL_US,
} from "./packet-columns.ts";

const MINUTES = 60;
const EARLY = 30;

/** By the rows of one gateway. */
interface GatewayPackets {
  receptions: number;
  crcBad: number;
  crcNone: number;
  readonly channels: ChannelTotals;
  /** Counter and arrival of the first packet with a counter: delays count from it. */
  leadUs: number | null;
  readonly readings: Map<number, CounterReading & { readonly delayUs: number }>;
}

export class GatewayHourWriter {
  readonly #db: Store;
  readonly #removals: readonly Statement[];
  readonly #minutes: Statement;
  readonly #setGateway: Statement;
  readonly #setPackets: Statement;
  readonly #addChannels: Statement;

  constructor(db: Store) {
    this.#db = db;
    this.#removals = ["gateway_hour", "packet_hour", "channel_hour"].map((table) =>
      db.prepare(`DELETE FROM ${table} WHERE gateway_id IN (SELECT id FROM gateway) AND hour = ?`),
    );
    this.#minutes = db.prepare(
      `SELECT m.gateway_id AS gatewayId, m.minute, m.datagrams, m.keepalives, m.status_reports AS statusReports,
              m.crc_ok + m.crc_bad + m.crc_none AS packets, m.crc_bad AS packetsBad
       FROM gateway g CROSS JOIN gateway_minute m ON m.gateway_id = g.id AND m.minute >= ? AND m.minute < ?`,
    );
    this.#setGateway = db.prepare(
      `INSERT INTO gateway_hour (gateway_id, hour, datagrams, keepalives, status_reports, packets, packets_bad,
         receptions, crc_bad, crc_none, first_us, last_us, longest_us, early_minutes, late_minutes)
       VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
    );
    this.#setPackets = db.prepare("INSERT INTO packet_hour (gateway_id, hour, columns) VALUES (?, ?, ?)");
    // The channels by leaps through the primary key, as in src/store/queries/channels.ts.
    this.#addChannels = db.prepare(
      `WITH RECURSIVE channel(id, frequency) AS (
         SELECT id, (SELECT min(frequency_hz) FROM channel_minute WHERE gateway_id = gateway.id) FROM gateway
         UNION ALL
         SELECT id, (SELECT min(frequency_hz) FROM channel_minute
                     WHERE gateway_id = channel.id AND frequency_hz > channel.frequency)
         FROM channel WHERE frequency IS NOT NULL)
       INSERT INTO channel_hour (gateway_id, hour, frequency_hz, receptions, crc_bad, airtime_us, busy_us)
       SELECT gateway_id, @hour, frequency_hz, sum(receptions), sum(crc_bad), sum(airtime_us), sum(busy_us)
       FROM channel CROSS JOIN channel_minute ON gateway_id = channel.id AND frequency_hz = channel.frequency
       WHERE minute >= @from AND minute < @to GROUP BY 1, 3`,
    );
  }

  write(hour: number): void {
    for (const removal of this.#removals) removal.run(hour);
    const minutes = { from: hour * MINUTES, to: (hour + 1) * MINUTES };
    this.#addChannels.run({ hour, ...minutes });
    const packets = this.#packetsOf(hour);
    const silences = this.#silencesOf(hour);
    const sums = this.#sumsOf(minutes.from, minutes.to);
    for (const id of new Set([...sums.keys(), ...silences.keys(), ...packets.keys()])) {
      const sum = sums.get(id) ?? newSum();
      const silence = silences.get(id);
      const own = packets.get(id);
      this.#setGateway.run(
        id,
        hour,
        sum.datagrams,
        sum.keepalives,
        sum.statusReports,
        sum.packets,
        sum.packetsBad,
        own?.receptions ?? 0,
        own?.crcBad ?? 0,
        own?.crcNone ?? 0,
        silence?.firstUs ?? null,
        silence?.lastUs ?? null,
        silence?.longestUs ?? null,
        sum.early,
        sum.late,
      );
      if (own === undefined) continue;
      const gathered = { channels: own.channels.all(), readings: [...own.readings.values()] };
      this.#setPackets.run(id, hour, encodeHourPackets(gathered, hour * GATHERED_HOUR_US));
    }
  }

  #sumsOf(fromMinute: number, toMinute: number): Map<number, ReturnType<typeof newSum>> {
    const sums = new Map<number, ReturnType<typeof newSum>>();
    for (const row of this.#minutes.iterate(fromMinute, toMinute) as IterableIterator<MinuteRow>) {
      const sum = sums.get(row.gatewayId) ?? newSum();
      sums.set(row.gatewayId, sum);
      sum.datagrams += row.datagrams;
      sum.keepalives += row.keepalives;
      sum.statusReports += row.statusReports;
      sum.packets += row.packets;
      sum.packetsBad += row.packetsBad;
      if (row.packets <= 0) continue;
      const minute = row.minute - fromMinute;
      if (minute < EARLY) sum.early += 2 ** minute;
      else sum.late += 2 ** (minute - EARLY);
    }
    return sums;
  }

  #silencesOf(hour: number): Map<number, { firstUs: number; lastUs: number; longestUs: number }> {
    const [ids = [], times = []] = columnsOf(
      this.#db,
      ["g.id", "d.at_us"],
      "FROM gateway g CROSS JOIN datagram d ON d.gateway_id = g.id AND d.at_us >= ? AND d.at_us < ?",
      [hour * GATHERED_HOUR_US, (hour + 1) * GATHERED_HOUR_US],
    );
    const silences = new Map<number, { firstUs: number; lastUs: number; longestUs: number }>();
    for (let i = 0; i < ids.length; i++) {
      const atUs = times[i] ?? 0;
      const known = silences.get(ids[i] ?? 0);
      if (known === undefined) {
        silences.set(ids[i] ?? 0, { firstUs: atUs, lastUs: atUs, longestUs: 0 });
        continue;
      }
      known.longestUs = Math.max(known.longestUs, atUs - known.lastUs);
      known.lastUs = atUs;
    }
    return silences;
  }

  #packetsOf(hour: number): Map<number, GatewayPackets> {
    const fromUs = hour * GATHERED_HOUR_US;
    const [ids = [], times, counters, offsets, crcs, ghosts, frequencies, rates, codings, sizes] = columnsOf(
      this.#db,
      [
        "gateway_id",
        "at_us",
        "tmst_key",
        "gateway_offset_us",
        "crc",
        "ghost",
        "iif(frame_id IS NULL, NULL, frequency_hz)",
        "data_rate",
        "coding_rate",
        "length(payload)",
      ],
      "FROM reception INDEXED BY reception_by_time WHERE at_us >= ? AND at_us < ?",
      [fromUs, fromUs + GATHERED_HOUR_US],
    );
    const gateways = new Map<number, GatewayPackets>();
    for (let i = 0; i < ids.length; i++) {
      const id = ids[i] ?? 0;
      let own = gateways.get(id);
      if (own === undefined) {
        own = {
          receptions: 0,
          crcBad: 0,
          crcNone: 0,
          channels: new ChannelTotals(),
          leadUs: null,
          readings: new Map(),
        };
        gateways.set(id, own);
      }
      const crc = crcs?.[i] ?? 0;
      own.receptions += 1;
      if (crc === 1) own.crcBad += 1;
      if (crc > 1) own.crcNone += 1;
      if (ghosts?.[i] === 1) continue;
      const frequencyHz = frequencies?.[i] ?? null;
      if (crc === 0 && frequencyHz !== null)
        own.channels.add(frequencyHz, rates?.[i] ?? 0, codings?.[i] ?? 0, sizes?.[i] ?? 0, 1);
      addReading(own, counters?.[i] ?? -1, times?.[i] ?? 0, offsets?.[i] ?? null);
    }
    return gateways;
  }
}

interface MinuteRow {
  readonly gatewayId: number;
  readonly minute: number;
  readonly datagrams: number;
  readonly keepalives: number;
  readonly statusReports: number;
  readonly packets: number;
  readonly packetsBad: number;
}

function newSum() {
  return { datagrams: 0, keepalives: 0, statusReports: 0, packets: 0, packetsBad: 0, early: 0, late: 0 };
}

/** Keeps the least delayed packet of each cell, the first of equal ones; delays as in counterReadings. */
function addReading(own: GatewayPackets, tmstUs: number, atUs: number, offsetUs: number | null): void {
  if (tmstUs < 0) return;
  own.leadUs ??= atUs - tmstUs;
  const delayUs = delayAgainst(own.leadUs, tmstUs, atUs);
  const cell = Math.floor(atUs / READING_CELL_US);
  const best = own.readings.get(cell);
  if (best !== undefined && best.delayUs <= delayUs) return;
  own.readings.set(cell, {
    tmstUs,
    atUs,
    gatewayTimeUs: offsetUs === null ? null : atUs + offsetUs,
    delayUs,
  });
}
