/**
 * What is told of noise and strangers on the open receptions: nothing. Source and licence of the data:
 * tests/data/open-receptions/README.md. One node at a time is in them, so no stranger; and channels differ there by some
 * dB all the time (867.5 and 868.3 MHz), which is less than the 6 dB from which standing noise is told.
 */
import { describe, expect, it } from "vitest";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { airView } from "../../src/views/air.ts";
import { strangersView } from "../../src/views/strangers.ts";
import { farNode, indoorNode, storeOf } from "./open-receptions.ts";

const WEEK_US = 7 * 86_400e6;

describe("the noise and the strangers of the open receptions", () => {
  for (const [name, rows] of [
    ["indoors", indoorNode()],
    ["far away", farNode()],
  ] as const) {
    it(`are none ${name}, over all of it and week by week`, () => {
      const db = storeOf(rows);
      const { fromUs = 0, toUs = 0 } = storedSpanUs(db) ?? {};
      const all = { fromUs, toUs: toUs + 1, live: false };
      const weeks = Array.from({ length: Math.ceil((toUs - fromUs) / WEEK_US) }, (_, i) => ({
        fromUs: fromUs + i * WEEK_US,
        toUs: Math.min(toUs + 1, fromUs + (i + 1) * WEEK_US),
        live: false,
      }));
      const samples = airView(db, all).channels.reduce((sum, { noiseSamples }) => sum + noiseSamples, 0);
      expect(samples).toBeGreaterThan(8_000);
      for (const window of [all, ...weeks])
        expect(airView(db, window).noiseSources.map(({ words }) => words)).toEqual([]);
      expect(strangersView(db, all)).toMatchObject({ networks: [], weeksAt: null });
      db.close();
    });
  }
});
