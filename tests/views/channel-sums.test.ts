import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { airtimeOfReception } from "../../src/radio/airtime.ts";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { sumChannels } from "../../src/views/air-maps.ts";
import { packet, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { windowOf } from "./a-site.ts";

interface Heard {
  readonly gateway: string;
  /** End of the packet, microseconds after START_US. */
  readonly endUs: number;
  readonly frequencyHz: number;
  readonly spreadingFactor: number;
  readonly size: number;
  readonly crc: "ok" | "bad" | "none";
}

// Few channels and long packets, so that they overlap each other and the ends of minutes and windows.
const heard = fc.record({
  gateway: fc.constantFrom(SHED, TOWER),
  endUs: fc.integer({ min: 0, max: 300_000_000 }),
  frequencyHz: fc.constantFrom(868_100_000, 868_300_000),
  spreadingFactor: fc.constantFrom(7, 10, 12),
  size: fc.integer({ min: 1, max: 200 }),
  crc: fc.constantFrom("ok" as const, "ok" as const, "bad" as const, "none" as const),
});
const edges = fc
  .tuple(fc.integer({ min: -10_000_000, max: 310_000_000 }), fc.integer({ min: 1, max: 320_000_000 }))
  .map(([fromUs, length]) => ({ fromUs, toUs: fromUs + length }));

/** A payload that no other packet has. */
function payloadOf({ size }: Heard, i: number): Uint8Array {
  return Uint8Array.from({ length: size }, (_, at) => (at === 0 ? 0xe0 : (i * 31 + at * 7) & 255));
}

function record(all: readonly Heard[]) {
  const db = openStore(":memory:");
  const recorder = new Recorder(db);
  all.forEach((one, i) => {
    const { gateway, endUs, frequencyHz, spreadingFactor, crc } = one;
    const payload = payloadOf(one, i);
    recorder.record([push(gateway, endUs / 1e6, [{ payload, frequencyHz, spreadingFactor, crc }], i)]);
  });
  return db;
}

function airtimeUs(one: Heard, i: number): number {
  const { modulation } = packet({ payload: payloadOf(one, i), spreadingFactor: one.spreadingFactor });
  return airtimeOfReception(modulation, one.size, one.crc);
}

/** The same by the definitions alone: sums of clipped intervals, and their union by sweeping over all ends. */
function bruteForce(all: readonly Heard[], window: { fromUs: number; toUs: number }) {
  const sums = new Map<string, { receptions: number; crcBad: number; airtimeUs: number; busyUs: number }>();
  for (const gateway of [SHED, TOWER]) {
    for (const frequencyHz of [868_100_000, 868_300_000]) {
      const own = all
        .map((one, i) => ({ ...one, startUs: one.endUs - airtimeUs(one, i) }))
        .filter((one) => one.gateway === gateway && one.frequencyHz === frequencyHz);
      const ended = own.filter(({ endUs }) => endUs >= window.fromUs && endUs < window.toUs);
      const clipped = own
        .map(
          ({ startUs, endUs }) => [Math.max(startUs, window.fromUs), Math.min(endUs, window.toUs)] as const,
        )
        .filter(([startUs, endUs]) => startUs < endUs);
      const marks = [...new Set(clipped.flat())].sort((a, b) => a - b);
      let busyUs = 0;
      marks.forEach((from, i) => {
        const to = marks[i + 1];
        if (to !== undefined && clipped.some(([start, end]) => start <= from && end >= to))
          busyUs += to - from;
      });
      sums.set(`${gateway}/${frequencyHz}`, {
        receptions: ended.length,
        crcBad: ended.filter(({ crc }) => crc === "bad").length,
        airtimeUs: clipped.reduce((sum, [start, end]) => sum + end - start, 0),
        busyUs,
      });
    }
  }
  return sums;
}

describe("the sums of a channel", () => {
  it("are those of the definitions over any window, whatever the order of arrival", () => {
    fc.assert(
      fc.property(
        fc.uniqueArray(heard, {
          minLength: 1,
          maxLength: 25,
          selector: ({ gateway, endUs }) => gateway + endUs,
        }),
        fc.array(edges, { minLength: 1, maxLength: 6 }),
        (all, windows) => {
          const db = record(all);
          const names = new Map(
            (db.prepare("SELECT id, eui FROM gateway").all() as { id: number; eui: string }[]).map((row) => [
              row.id,
              row.eui,
            ]),
          );
          for (const { fromUs, toUs } of windows) {
            const told = sumChannels(db, { fromUs: START_US + fromUs, toUs: START_US + toUs });
            const truth = bruteForce(all, { fromUs, toUs });
            for (const { gatewayId, frequencyHz, ...sums } of told) {
              const key = `${names.get(gatewayId)}/${frequencyHz}`;
              expect(sums).toEqual(truth.get(key));
              truth.delete(key);
            }
            // What is not told is nothing.
            for (const rest of truth.values()) {
              expect(rest).toEqual({ receptions: 0, crcBad: 0, airtimeUs: 0, busyUs: 0 });
            }
          }
          db.close();
        },
      ),
      { numRuns: 60 },
    );
  });

  it("keep what overlaps apart from what adds up", () => {
    const one = {
      gateway: SHED,
      frequencyHz: 868_100_000,
      spreadingFactor: 10,
      size: 30,
      crc: "ok",
    } as const;
    const airtime = airtimeUs({ ...one, endUs: 0 }, 0);
    const all = [30e6, 30e6 + airtime / 2, 40e6].map((endUs) => ({ ...one, endUs: Math.round(endUs) }));
    const [sum] = sumChannels(record(all), windowOf(0, 60));
    expect(sum).toMatchObject({ receptions: 3, airtimeUs: 3 * airtime, busyUs: 2.5 * airtime });
  });

  it("divide a packet that crosses the end of a window, and count it where it ends", () => {
    const all: Heard[] = [
      {
        gateway: SHED,
        frequencyHz: 868_100_000,
        spreadingFactor: 12,
        size: 50,
        crc: "bad",
        endUs: 90_500_000,
      },
    ];
    const db = record(all);
    const [before] = sumChannels(db, windowOf(0, 90));
    const [after] = sumChannels(db, windowOf(90, 120));
    expect(before).toMatchObject({ receptions: 0, crcBad: 0 });
    expect(after).toMatchObject({ receptions: 1, crcBad: 1, busyUs: 500_000 });
    expect((before?.busyUs ?? 0) + (after?.busyUs ?? 0)).toBe(airtimeUs(all[0] as Heard, 0));
  });
});
