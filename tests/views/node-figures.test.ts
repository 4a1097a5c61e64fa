import { readFileSync } from "node:fs";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { dueTimes, type TimeRange, unite } from "../../src/model/time-range.ts";
import { seriesOfFrames } from "../../src/store/hours/read-frames.ts";
import type { HeardFrame } from "../../src/store/queries/frames.ts";
import {
  firstHearings,
  lossOf as lossOfSeries,
  stripOf as stripOfSeries,
} from "../../src/views/node-figures.ts";
import { levelsOf, levelsOfSeries, marginDb, spreadOf } from "../../src/views/node-levels.ts";

const SF9 = 90_125_000;

const lossOf = (frames: HeardFrame[], within: Parameters<typeof lossOfSeries>[1]) =>
  lossOfSeries(seriesOfFrames(frames), within);
const stripOf = (frames: HeardFrame[], ...rest: Rest<typeof stripOfSeries>) =>
  stripOfSeries(seriesOfFrames(frames), ...rest);
type Rest<T> = T extends (first: never, ...rest: infer R) => unknown ? R : never;

/** All of the time was recorded; no gateway was reachable in these ranges. */
function unheard(...outages: TimeRange[]) {
  return { outages, notRecorded: [] };
}

/** A frame of one counter, so many seconds after the epoch; SF9, one gateway. */
function frame(counter: number, atS: number, more: Partial<HeardFrame> = {}): HeardFrame {
  return {
    id: counter + 1,
    lifeId: 1,
    atUs: atS * 1e6,
    counter,
    repeat: 0,
    dataRate: SF9,
    airtimeUs: 185_344,
    snrTenths: 62,
    rssiTenths: -970,
    receptions: 1,
    gatewayIds: [1],
    ...more,
  };
}

describe("loss by counters", () => {
  // The worked example of the counter reference: heard 65530, 65531, 65533 (twice), 65535, 1, 0 (late), 4; every 600 s.
  const example = [65530, 65531, 65533, 65535, 65537, 65536, 65540].map((counter, i) =>
    frame(counter, i === 5 ? (65537 - 65530) * 600 + 2 : (counter - 65530) * 600),
  );

  it("counts 7 of 11 across a rollover, a late arrival and a hole: neither a wrap nor disorder is a loss", () => {
    const loss = lossOf(example, unheard());
    expect(loss).toMatchObject({ heard: 7, expected: 11, missed: 4, missedDuringOutage: 0 });
    expect(loss.deliveryRatio).toBeCloseTo(7 / 11, 12);
    expect(loss.gaps.map(({ firstCounter, missed }) => [firstCounter, missed])).toEqual([
      [65532, 1],
      [65534, 1],
      [65538, 2],
    ]);
  });

  it("finds the rhythm of 600 s in it, whatever was missed", () => {
    expect(lossOf(example, unheard()).rhythmUs).toBe(600e6);
  });

  it("counts from the lowest counter, also where that came late", () => {
    const loss = lossOf([frame(5, 0), frame(4, 2), frame(8, 90)], unheard());
    expect(loss).toMatchObject({ heard: 3, expected: 5, missed: 2 });
    expect(loss.gaps.map(({ firstCounter, missed, fromUs }) => [firstCounter, missed, fromUs])).toEqual([
      [6, 2, 0],
    ]);
  });

  it("has a rhythm in the middle of its intervals, between the two of an even number", () => {
    expect(lossOf([frame(1, 0), frame(2, 10), frame(3, 40)], unheard()).rhythmUs).toBe(20e6);
    expect(lossOf([frame(1, 0), frame(2, 10), frame(3, 40), frame(4, 100)], unheard()).rhythmUs).toBe(30e6);
    // Three intervals of a minute among shorter ones are the slowest that it kept; two are none.
    const slow = (count: number) => {
      const atS = [0, 10, 20, 30, 40, 50];
      for (let i = 0; i < count; i++) atS.push((atS.at(-1) ?? 0) + 60);
      return lossOf(
        atS.map((s, i) => frame(i, s)),
        unheard(),
      ).slowestUs;
    };
    expect([slow(2), slow(3)]).toEqual([
      expect.toSatisfy((us: number | null) => (us ?? 0) < 30e6),
      expect.toSatisfy((us: number | null) => (us ?? 0) >= 60e6),
    ]);
  });

  it("takes a repeat for neither a counter nor a step of the rhythm", () => {
    const frames = [frame(1, 0), frame(1, 3, { repeat: 1, id: 90 }), frame(2, 60), frame(3, 120)];
    const loss = lossOf(frames, unheard());
    expect(loss).toMatchObject({ heard: 3, expected: 3, missed: 0, rhythmUs: 60e6 });
    expect(firstHearings(frames).map(({ atUs }) => atUs)).toEqual([0, 60e6, 120e6]);
    const late = [frame(5, 0), frame(4, 2), frame(8, 9), frame(6, 12)];
    expect(firstHearings(late).map(({ counter }) => counter)).toEqual([4, 5, 6, 8]);
  });

  it("says nothing of delivery with one expected counter, and of nothing at all without frames", () => {
    expect(lossOf([frame(7, 0)], unheard())).toMatchObject({
      heard: 1,
      expected: 1,
      deliveryRatio: null,
      deliveryInterval95: null,
      rhythmUs: null,
    });
    expect(lossOf([], unheard())).toMatchObject({ heard: 0, expected: 0, missed: 0, deliveryRatio: null });
  });

  it("speaks from two expected counters on", () => {
    expect(lossOf([frame(7, 0), frame(8, 10)], unheard()).deliveryRatio).toBe(1);
  });

  it("dates missed counters evenly over their gap", () => {
    expect([...dueTimes({ missed: 3, fromUs: 100, toUs: 500 })]).toEqual([200, 300, 400]);
  });

  it("tells those apart that were presumably sent while the whole site was unreachable, ends half open", () => {
    const frames = [frame(0, 0), frame(5, 50)];
    const outages = [{ fromUs: 20e6, toUs: 40e6 }];
    const loss = lossOf(frames, unheard(...outages));
    expect(loss).toMatchObject({ missed: 4, missedDuringOutage: 2 });
    expect(loss.gaps).toEqual([
      { firstCounter: 1, missed: 4, missedDuringOutage: 2, missedNotRecorded: 0, fromUs: 0, toUs: 50e6 },
    ]);
  });

  it("tells those apart that were due while nothing was recorded, give or take a tenth and 2 s", () => {
    // Every 60 s; counters 11 to 14 are missing, due at 660, 720, 780 and 840 s. Nothing was recorded for 17 s.
    const counters = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 15, 16];
    const frames = counters.map((counter) => frame(counter, counter * 60));
    const notRecorded = [{ fromUs: 725e6, toUs: 742e6 }];
    const loss = lossOf(frames, { outages: [{ fromUs: 650e6, toUs: 730e6 }], notRecorded });
    // 720 s lies within 8 s before; 660 s in the outage; 780 and 840 s were missed on the air.
    expect(loss).toMatchObject({ expected: 17, missed: 4, missedDuringOutage: 1, missedNotRecorded: 1 });
    expect(loss.deliveryRatio).toBe(13 / 16);
  });

  it("a node without a rhythm may have sent up to an interval away from its due time", () => {
    const atS = [0, 20, 100, 130, 250, 260, 400, 430, 500, 700, 760];
    const counters = [0, 1, 2, 3, 4, 5, 6, 7, 8, 10, 11];
    const frames = counters.map((counter, i) => frame(counter, atS[i] ?? 0));
    const loss = (fromS: number, toS: number) =>
      lossOf(frames, { outages: [], notRecorded: [{ fromUs: fromS * 1e6, toUs: toS * 1e6 }] });
    // Counter 9 is missing between 500 and 700 s.
    expect(loss(520, 530).missedNotRecorded).toBe(1);
    expect(loss(300, 310).missedNotRecorded).toBe(0);
  });

  it("never accounts for more or fewer counters than first to last, whatever is heard", () => {
    fc.assert(
      fc.property(
        fc.uniqueArray(fc.integer({ min: 0, max: 400 }), { minLength: 1, maxLength: 60 }),
        fc.array(fc.tuple(fc.integer({ min: 0, max: 4000 }), fc.integer({ min: 1, max: 300 })), {
          maxLength: 4,
        }),
        (counters, stretches) => {
          const frames = counters.sort((a, b) => a - b).map((counter) => frame(counter, counter * 10));
          const outages = stretches.map(([from, length]) => ({
            fromUs: from * 1e6,
            toUs: (from + length) * 1e6,
          }));
          const loss = lossOf(frames, unheard(...unite(outages)));
          const first = counters[0] ?? 0;
          const last = counters.at(-1) ?? 0;
          expect(loss.expected).toBe(last - first + 1);
          expect(loss.heard + loss.missed).toBe(loss.expected);
          // Counter n was sent at 10 n seconds, so the truth about the outages is known.
          let during = 0;
          for (let n = first; n <= last; n++) {
            if (counters.includes(n)) continue;
            if (outages.some(({ fromUs, toUs }) => n * 10e6 >= fromUs && n * 10e6 < toUs)) during += 1;
          }
          expect(loss.missedDuringOutage).toBe(during);
        },
      ),
    );
  });
});

describe("the delivery interval", () => {
  interface Check {
    id: string;
    input: { successes: number; n: number; confidence: number; method?: string };
    expected: [number, number];
    tolerance: number;
  }
  const file = new URL("../data/published/check-values.json", import.meta.url);
  const { groups } = JSON.parse(readFileSync(file, "utf8")) as { groups: { id: string; checks: Check[] }[] };
  const checks = (groups.find(({ id }) => id === "wilson")?.checks ?? []).filter(
    ({ input, expected }) =>
      input.confidence === 0.95 &&
      input.method === undefined &&
      Array.isArray(expected) &&
      input.successes >= 2,
  );

  it("has published numbers to be held against", () => expect(checks.length).toBeGreaterThan(0));

  it.each(checks)("is Wilson's: $id", ({ input, expected, tolerance }) => {
    // `successes` counters of `n`, first and last among them.
    const { successes, n } = input;
    const heard = [...Array.from({ length: successes - 1 }, (_, i) => i), n - 1];
    const [low, high] = lossOf(
      heard.map((c) => frame(c, c)),
      unheard(),
    ).deliveryInterval95 ?? [Number.NaN, Number.NaN];
    expect(Math.abs(low - expected[0])).toBeLessThanOrEqual(tolerance);
    expect(Math.abs(high - expected[1])).toBeLessThanOrEqual(tolerance);
  });
});

describe("the strip", () => {
  const window = { fromUs: 0, toUs: 600e6 };

  it("puts each counter into the bin of its time, the begin of a bin belonging to it", () => {
    const frames = [frame(0, 0), frame(1, 9.999_999), frame(2, 10), frame(4, 30)];
    const loss = lossOf(frames, unheard());
    const strip = stripOf(frames, loss, unheard(), window, 60);
    expect(strip.binSeconds).toBe(10);
    expect(strip.heard.slice(0, 4)).toEqual([2, 1, 0, 1]);
    expect(strip.missed.slice(0, 4)).toEqual([0, 0, 1, 0]);
  });

  it("adds up to what was heard and missed, outages included", () => {
    fc.assert(
      fc.property(
        fc.uniqueArray(fc.integer({ min: 0, max: 119 }), { minLength: 1, maxLength: 60 }),
        fc.integer({ min: 0, max: 500 }),
        fc.integer({ min: 1, max: 200 }),
        fc.integer({ min: 1, max: 60 }),
        (counters, outS, lengthS, bins) => {
          const frames = counters.sort((a, b) => a - b).map((counter) => frame(counter, counter * 5));
          const outages = [{ fromUs: outS * 1e6, toUs: (outS + lengthS) * 1e6 }];
          const loss = lossOf(frames, unheard(...outages));
          const strip = stripOf(frames, loss, unheard(...outages), window, bins);
          const sum = (values: number[]) => values.reduce((a, b) => a + b, 0);
          expect(sum(strip.heard)).toBe(loss.heard);
          expect(sum(strip.missedDuringOutage)).toBe(loss.missedDuringOutage);
          expect(sum(strip.missed) + sum(strip.missedDuringOutage)).toBe(loss.missed);
          expect(strip.heard).toHaveLength(bins);
        },
      ),
    );
  });
});

describe("levels", () => {
  it("give margin as SNR over the demodulation floor of the spreading factor", () => {
    // SX1276 data sheet, table 13: SF7 −7.5 dB, SF12 −20 dB.
    expect(marginDb(-50, 70_125_000)).toBe(2.5);
    expect(marginDb(-180, 120_125_000)).toBe(2);
    expect(marginDb(null, 70_125_000)).toBeNull();
    expect(marginDb(60, -50_000)).toBeNull();
  });

  it("are percentiles of type 7, with how many values they rest on", () => {
    expect(spreadOf([1, 2, 3, 4, 5])).toEqual({ median: 3, p10: 1.4, p90: 4.6, count: 5 });
    expect(spreadOf([])).toEqual({ median: null, p10: null, p90: null, count: 0 });
  });

  it("leave out what was not reported instead of counting it as zero", () => {
    const levels = levelsOf([
      { dataRate: SF9, snrTenths: null, rssiTenths: -1000 },
      { dataRate: SF9, snrTenths: -25, rssiTenths: null },
    ]);
    expect(levels.rssiDbm).toMatchObject({ median: -100, count: 1 });
    expect(levels.snrDb).toMatchObject({ median: -2.5, count: 1 });
    expect(levels.marginDb).toMatchObject({ median: 10, count: 1 });
  });

  it("are the same to the last digit, however they are gathered", () => {
    const tenths = fc.option(fc.integer({ min: -250, max: 120 }));
    fc.assert(
      fc.property(
        fc.array(fc.tuple(tenths, tenths, fc.constantFrom(SF9, 120_125_000, -50_000, 0))),
        (drawn) => {
          const frames = drawn.map(([snrTenths, rssiTenths, dataRate], i) =>
            frame(i, i, { snrTenths, rssiTenths, dataRate }),
          );
          expect(levelsOfSeries(seriesOfFrames(frames))).toEqual(levelsOf(frames));
        },
      ),
    );
  });
});
