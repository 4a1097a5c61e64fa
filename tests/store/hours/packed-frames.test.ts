/** Does an hour of frames say the same once it is packed? */
import fc from "fast-check";
import { expect, it } from "vitest";
import {
  addFrameHour,
  countFrameHour,
  encodeFrameHour,
  isShared,
  packFrameHour,
  withoutFrames,
} from "../../../src/store/hours/frame-columns.ts";
import { FrameSeries } from "../../../src/store/hours/frame-series.ts";
import { isPacked } from "../../../src/store/hours/packed.ts";
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

it("a packed hour is read as before, and forgets a node or a gateway as before", () => {
  fc.assert(
    fc.property(frames, fc.integer({ min: 1, max: 6 }), fc.integer({ min: 1, max: 4 }), (all, lifeId, id) => {
      const plain = encodeFrameHour(all, HOUR_US);
      if (plain === null) throw new Error("So few fit.");
      const packed = packFrameHour(plain);
      expect([isPacked(plain), isPacked(packed)]).toEqual([false, true]);
      expect(packFrameHour(packed)).toBe(packed);
      for (const only of [null, new Set([id])]) {
        expect(told(packed, only)).toEqual(told(plain, only));
        if (only !== null) expect(isShared(packed, only)).toBe(isShared(plain, only));
      }
      const forgotten = { lifeIds: new Set([lifeId]), gatewayId: id };
      const [left, leftPacked] = [withoutFrames(plain, forgotten), withoutFrames(packed, forgotten)];
      expect(leftPacked === null).toBe(left === null);
      if (left === null || leftPacked === null) return;
      expect(isPacked(leftPacked)).toBe(true);
      expect(told(leftPacked, null)).toEqual(told(left, null));
    }),
    { numRuns: 60 },
  );
});
