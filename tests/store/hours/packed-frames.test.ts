/** Do hours of frames and packets say the same once they are packed? */
import { deflateRawSync } from "node:zlib";
import fc from "fast-check";
import { expect, it } from "vitest";
import {
  addFrameHour,
  countFrameHour,
  encodeFrameHour,
  isShared,
  withoutFrames,
} from "../../../src/store/hours/frame-columns.ts";
import { packFrameDay, unpackFrameDay } from "../../../src/store/hours/frame-days.ts";
import { FrameSeries } from "../../../src/store/hours/frame-series.ts";
import type { HourRow } from "../../../src/store/hours/packed.ts";
import { encodeHourPackets, readingsOfHour } from "../../../src/store/hours/packet-columns.ts";
import { packPacketDay, unpackPacketDay } from "../../../src/store/hours/packet-days.ts";
import type { HeardFrame } from "../../../src/store/queries/frames.ts";

const HOUR_US = 492_000 * 3_600e6;

const frames = fc
  .array(
    fc.record({
      atUs: fc.integer({ min: 0, max: 3_599_999_999 }).map((us) => HOUR_US + us),
      lifeId: fc.integer({ min: 1, max: 6 }),
      counter: fc.oneof(fc.integer({ min: 0, max: 40 }), fc.integer({ min: 0, max: 0xffff_ffff })),
      repeat: fc.constantFrom(0, 1),
      dataRate: fc.constantFrom(-1, 70_125, 120_125),
      airtimeUs: fc.constantFrom(56_576, 1_482_752, 0),
      snrTenths: fc.option(fc.integer({ min: -300, max: 150 })),
      rssiTenths: fc.option(fc.integer({ min: -1_400, max: 0 })),
      receptions: fc.integer({ min: 1, max: 9 }),
      gatewayIds: fc.uniqueArray(fc.integer({ min: 1, max: 4 }), { minLength: 1 }).map((ids) => new Set(ids)),
    }),
    { maxLength: 60 },
  )
  .map((all) => all.sort((a, b) => a.atUs - b.atUs) as unknown as HeardFrame[]);

function told(columns: Uint8Array, only: ReadonlySet<number> | null) {
  const series = new Map<number, FrameSeries>();
  addFrameHour(columns, HOUR_US, only, (id) => {
    const own = series.get(id) ?? new FrameSeries();
    series.set(id, own);
    return own;
  });
  const counts: [number, number][] = [];
  countFrameHour(columns, only, (id, n) => counts.push([id, n]));
  return { series, counts };
}

function encoded(all: readonly HeardFrame[]): Uint8Array {
  const plain = encodeFrameHour(all, HOUR_US);
  if (plain === null) throw new Error("So few fit.");
  return plain;
}

it("a packed day gives back the rows of its hours, octet by octet", () => {
  fc.assert(
    fc.property(fc.array(frames, { maxLength: 5 }), (hours) => {
      const rows = hours.map((all, i) => ({ hour: 492_000 + 3 * i, columns: encoded(all) }));
      const packed = packFrameDay(rows);
      expect(packed === null ? null : plainRows(unpackFrameDay(packed))).toEqual(plainRows(rows));
    }),
    { numRuns: 60 },
  );
});

it("a day of a node that sends every ten minutes takes a third of the octets of its hours, and less", () => {
  const rows = Array.from({ length: 24 }, (_, hour) => ({
    hour,
    columns: encoded(
      Array.from({ length: 6 }, (_, i) => ({
        id: hour * 6 + i,
        lifeId: 1,
        atUs: HOUR_US + i * 600_000_000 + ((hour * 7_919 + i * 104_729) % 65_536),
        counter: 40 + hour * 6 + i,
        repeat: 0,
        dataRate: 70_125,
        airtimeUs: 56_576,
        snrTenths: 80 - ((hour + i) % 5),
        rssiTenths: -900,
        receptions: 2,
        gatewayIds: [1, 2],
      })),
    ),
  }));
  const plain = rows.reduce((sum, { columns }) => sum + columns.length, 0);
  expect(packFrameDay(rows)?.length).toBeLessThan(plain / 3);
});

it("frames that were taken out are not in a day any more, nor what only they named", () => {
  fc.assert(
    fc.property(frames, fc.integer({ min: 1, max: 6 }), fc.integer({ min: 1, max: 4 }), (all, lifeId, id) => {
      const plain = encoded(all);
      const left = withoutFrames(plain, { lifeIds: new Set([lifeId]), gatewayId: id });
      if (left === null) return;
      const packed = packFrameDay([{ hour: 492_000, columns: left }]);
      const [row] = packed === null ? [] : unpackFrameDay(packed);
      if (row === undefined) throw new Error("One hour was packed.");
      expect(told(row.columns, null)).toEqual(told(left, null));
      expect(isShared(row.columns, new Set([id]))).toBe(false);
    }),
    { numRuns: 60 },
  );
});

it("reads what an earlier version packed hour by hour, and packs it into days", () => {
  fc.assert(
    fc.property(frames, fc.integer({ min: 1, max: 4 }), (all, id) => {
      const plain = encoded(all);
      const packed = packedBefore(all, plain);
      for (const only of [null, new Set([id])]) {
        expect(told(packed, only)).toEqual(told(plain, only));
        if (only !== null) expect(isShared(packed, only)).toBe(isShared(plain, only));
      }
      const day = packFrameDay([{ hour: 492_000, columns: packed }]);
      expect(day).toEqual(packFrameDay([{ hour: 492_000, columns: plain }]));
    }),
    { numRuns: 60 },
  );
});

it("a packed day of packets gives back the rows of its hours, octet by octet", () => {
  const channels = fc.array(
    fc.record({
      frequencyHz: fc.constantFrom(868_100_000, 868_300_000, 4_294_967_295),
      dataRate: fc.constantFrom(-1, 70_125_000),
      codingRate: fc.integer({ min: 0, max: 8 }),
      size: fc.integer({ min: 0, max: 255 }),
      count: fc.integer({ min: 1, max: 5_000 }),
    }),
    { maxLength: 4 },
  );
  const readings = fc.array(
    fc.record({
      tmstUs: fc.integer({ min: 0, max: 0xffff_ffff }),
      atUs: fc.integer({ min: 0, max: 3_599_999_999 }).map((us) => HOUR_US + us),
      gatewayTimeUs: fc.option(fc.integer({ min: -5_000, max: 5_000 }).map((us) => HOUR_US + us)),
    }),
    { maxLength: 6 },
  );
  fc.assert(
    fc.property(fc.array(fc.record({ channels, readings }), { maxLength: 5 }), (hours) => {
      const rows = hours.map((one, hour) => ({ hour, columns: encodeHourPackets(one, HOUR_US) }));
      const left = unpackPacketDay(packPacketDay(rows));
      expect(plainRows(left)).toEqual(plainRows(rows));
      const before = rows.map(({ hour, columns }) => ({ hour, columns: deflated(columns) }));
      expect(packPacketDay(before)).toEqual(packPacketDay(rows));
      for (const [i, { columns }] of before.entries())
        expect(readingsOfHour(columns, HOUR_US)).toEqual(
          readingsOfHour(rows[i]?.columns ?? columns, HOUR_US),
        );
    }),
    { numRuns: 60 },
  );
});

const plainRows = (rows: readonly HourRow[]) =>
  rows.map(({ hour, columns }) => [hour, Buffer.from(columns).toString("hex")]);

/** As versions up to schema 24 wrote it: four octets of ones, then raw deflate. */
function deflated(octets: Uint8Array): Uint8Array {
  return Buffer.concat([Buffer.from([255, 255, 255, 255]), deflateRawSync(octets, { level: 9 })]);
}

/**
 * The row of an hour as versions up to schema 24 packed it: times count from the frame before; counter, airtime and data
 * rate from the frame before of the same life; the power from the SNR; and the octets of one weight lie together.
 */
function packedBefore(all: readonly HeardFrame[], plain: Uint8Array): Uint8Array {
  const widths = [4, 4, 4, 2, 2, 2, 2, 2, 2, 1];
  const octets = Buffer.from(plain);
  const columns: number[][] = [];
  const end = 4 + octets.readUInt32LE();
  let offset = end;
  for (const width of widths) {
    columns.push(all.map((_, i) => octets.readUIntLE(offset + i * width, width)));
    offset += width * all.length;
  }
  const [at = [], counter = [], airtime = [], life = [], snr = [], rssi = [], , rate = []] = columns;
  const lessBefore = (values: number[], group: (i: number) => number) => {
    const before = new Map<number, number>();
    for (const [i, value] of [...values].entries()) {
      values[i] = value - (before.get(group(i)) ?? 0);
      before.set(group(i), value);
    }
  };
  for (const i of rssi.keys()) rssi[i] = (rssi[i] ?? 0) - (snr[i] ?? 0);
  lessBefore(at, () => 0);
  for (const values of [counter, airtime, rate]) lessBefore(values, (i) => life[i] ?? 0);
  const planes: number[] = [];
  for (const [c, width] of widths.entries())
    for (let weight = 0; weight < width; weight++)
      for (const value of columns[c] ?? []) planes.push(Number((BigInt(value) >> BigInt(8 * weight)) & 255n));
  return deflated(Buffer.concat([octets.subarray(0, end), Buffer.from(planes)]));
}
