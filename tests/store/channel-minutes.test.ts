/**
 * Is the use of a channel what its definition says, on schedules that nobody tidied? Packets that overlap each other
 * and the ends of minutes, heard by one antenna or two, delivered out of order, twice, and in batches of any size,
 * against a sweep over all moments at which anything begins or ends.
 */
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { MINUTE_US } from "../../src/model/time-range.ts";
import { airtimeOfReception } from "../../src/radio/airtime.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { rebuild } from "../../src/store/rebuild.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { packet, phy, push, SHED, START_US, TOWER } from "./traffic.ts";

interface Sent {
  readonly gateway: string;
  /** End of the packet, microseconds after START_US. */
  readonly endUs: number;
  readonly frequencyHz: number;
  readonly spreadingFactor: number;
  readonly crc: "ok" | "bad";
  /** one: a single antenna; both: two in one report; apart: two, each in a datagram of its own. */
  readonly antennas: "one" | "both" | "apart";
  readonly twice: boolean;
  /** By which the datagrams are shuffled. */
  readonly order: number;
}

// Two channels and three minutes, so that long packets meet each other and the turn of the minute.
const sent = fc.record({
  gateway: fc.constantFrom(SHED, TOWER),
  endUs: fc.oneof(fc.integer({ min: 0, max: 180_000_000 }), fc.integer({ min: 59_000_000, max: 61_500_000 })),
  frequencyHz: fc.constantFrom(868_100_000, 868_300_000),
  spreadingFactor: fc.constantFrom(7, 10, 12),
  crc: fc.constantFrom("ok" as const, "ok" as const, "bad" as const),
  antennas: fc.constantFrom("one" as const, "both" as const, "apart" as const),
  twice: fc.boolean(),
  order: fc.integer({ min: 0, max: 1000 }),
});
const schedules = fc.uniqueArray(sent, {
  minLength: 1,
  maxLength: 30,
  selector: ({ gateway, endUs }) => `${gateway}/${endUs}`,
});

function signal(antenna: number) {
  return {
    antenna,
    ifChannel: 1,
    rssiDbm: -100 - antenna,
    signalRssiDbm: null,
    snrDb: 3 - antenna,
    frequencyOffsetHz: null,
  };
}

/** The datagrams in the order in which they come. */
function deliveries(schedule: readonly Sent[]): DecodedArrival[] {
  const all = schedule.flatMap((one, n) => {
    const { gateway, endUs, frequencyHz, spreadingFactor, crc, antennas, twice, order } = one;
    const heard = { payload: phy("01A2B3C4", n), frequencyHz, spreadingFactor, crc };
    const reports = {
      one: [[signal(0)]],
      both: [[signal(0), signal(1)]],
      apart: [[signal(1)], [signal(0)]],
    }[antennas];
    return reports.flatMap((signals, part) => {
      const first = push(gateway, endUs / 1e6, [{ ...heard, signals }], 10 * n + part);
      const again = push(gateway, endUs / 1e6, [{ ...heard, signals }], 10 * n + part + 5);
      const key = (order * (part + 7)) % 1009;
      return twice
        ? [
            { key, item: first },
            { key: (key * 31) % 1009, item: again },
          ]
        : [{ key, item: first }];
    });
  });
  return all.sort((a, b) => a.key - b.key).map(({ item }) => item);
}

interface Cell {
  receptions: number;
  crc_bad: number;
  airtime_us: number;
  busy_us: number;
}

/** By the definitions alone. */
function bruteForce(schedule: readonly Sent[]): Map<string, Cell> {
  const cells = new Map<string, Cell>();
  const packets = schedule.map((one, n) => {
    const { modulation, payload } = packet({ payload: phy("01A2B3C4", n), ...one });
    const endUs = START_US + one.endUs;
    return { ...one, endUs, startUs: endUs - airtimeOfReception(modulation, payload?.length ?? 0, one.crc) };
  });
  for (const { gateway, frequencyHz } of packets) {
    const own = packets.filter((p) => p.gateway === gateway && p.frequencyHz === frequencyHz);
    for (let minute = START_US / MINUTE_US - 1; minute < START_US / MINUTE_US + 4; minute++) {
      const [from, to] = [minute * MINUTE_US, (minute + 1) * MINUTE_US];
      const here = own
        .map(({ startUs, endUs }) => [Math.max(startUs, from), Math.min(endUs, to)] as const)
        .filter(([start, end]) => start < end);
      const moments = [...new Set(here.flat())].sort((a, b) => a - b);
      const ended = own.filter(({ endUs }) => endUs >= from && endUs < to);
      if (here.length + ended.length === 0) continue;
      cells.set(`${gateway} ${frequencyHz} ${minute}`, {
        receptions: ended.length,
        crc_bad: ended.filter(({ crc }) => crc === "bad").length,
        airtime_us: here.reduce((sum, [start, end]) => sum + end - start, 0),
        busy_us: moments.reduce((sum, moment, i) => {
          const next = moments[i + 1] ?? moment;
          return here.some(([start, end]) => start <= moment && end >= next) ? sum + next - moment : sum;
        }, 0),
      });
    }
  }
  return cells;
}

function stored(db: Store): Map<string, Cell> {
  const rows = db
    .prepare(
      `SELECT g.eui || ' ' || c.frequency_hz || ' ' || c.minute AS key, c.receptions, c.crc_bad, c.airtime_us, c.busy_us
       FROM channel_minute c JOIN gateway g ON g.id = c.gateway_id WHERE c.receptions + c.airtime_us > 0`,
    )
    .all() as (Cell & { key: string })[];
  return new Map(rows.map(({ key, ...cell }) => [key, cell]));
}

describe("the use of a channel, minute by minute", () => {
  it("is the union by brute force, a packet once however many antennas heard it, and the same when derived again", () => {
    fc.assert(
      fc.property(schedules, fc.integer({ min: 1, max: 12 }), (schedule, batch) => {
        const db = openStore(":memory:");
        const recorder = new Recorder(db);
        const traffic = deliveries(schedule);
        for (let i = 0; i < traffic.length; i += batch) recorder.record(traffic.slice(i, i + batch));
        const truth = bruteForce(schedule);
        expect(stored(db)).toEqual(truth);
        // From the receptions alone, and counted twice nowhere.
        rebuild(db, () => {});
        expect(stored(db)).toEqual(truth);
        const { packets, airtimeUs } = db
          .prepare(
            "SELECT count(*) FILTER (WHERE further = 0) AS packets, sum(airtime_us) AS airtimeUs FROM reception",
          )
          .get() as { packets: number; airtimeUs: number };
        expect(packets).toBe(schedule.length);
        expect(airtimeUs).toBe([...truth.values()].reduce((sum, cell) => sum + cell.airtime_us, 0));
        db.close();
      }),
      { numRuns: 40 },
    );
  });

  it("forgets a packet of two antennas that proves the ghost of a stronger one", () => {
    const payload = phy("01A2B3C4", 1);
    const strong = {
      payload,
      frequencyHz: 868_300_000,
      signals: [{ ...signal(0), rssiDbm: -35 }],
      tmstUs: 5,
    };
    const weak = { payload, frequencyHz: 867_300_000, signals: [signal(0), signal(1)], tmstUs: 7 };
    for (const pair of [
      [strong, weak],
      [weak, strong],
    ]) {
      const db = openStore(":memory:");
      new Recorder(db).record([push(SHED, 1, pair)]);
      const keys = [...stored(db).keys()];
      expect(keys).toEqual([`${SHED} 868300000 ${START_US / MINUTE_US}`]);
      expect(db.prepare("SELECT crc_ok FROM gateway_minute").pluck().get()).toBe(1);
      db.close();
    }
  });
});
