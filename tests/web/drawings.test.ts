import fc from "fast-check";
import { beforeAll, describe, expect, test } from "vitest";
import type { CounterTick } from "../../src/contract/nodes.ts";
import { cividis, scaleTop, shade } from "../../src/drawings/air-map.ts";
import { gatherCells } from "../../src/drawings/heartbeat.ts";
import { layoutStrip, nearestTick } from "../../web/src/drawings/counter-layout.ts";
import { FLOORS_DB, ladderMarks } from "../../web/src/drawings/draw-signal.ts";
import { timeMarks } from "../../web/src/drawings/plot-edges.tsx";
import { binSignal, extent, indexAt, nearestPoint } from "../../web/src/drawings/signal-columns.ts";
import { flattenFields, octetsOf, ownersOf } from "../../web/src/parts/Frame.tsx";

beforeAll(() => {
  process.env.TZ = "Europe/Berlin";
});
const at = (text: string) => Date.parse(text);
const tick = (counter: number, atMs: number, fate: CounterTick["fate"] = "heard"): CounterTick => ({
  counter,
  atMs,
  fate,
  repeats: 0,
  frameId: counter,
});
const run = (count: number, fromMs: number, stepMs: number, fate?: CounterTick["fate"]) =>
  Array.from({ length: count }, (_, index) => tick(index, fromMs + index * stepMs, fate));

describe("the counter strip", () => {
  test("breaks into rows by hour and leaves no hour out", () => {
    const ticks = [
      tick(1, at("2026-03-14T08:10:00Z")),
      tick(2, at("2026-03-14T08:50:00Z")),
      tick(3, at("2026-03-14T10:05:00Z")),
    ];
    const { unit, rows } = layoutStrip(ticks, 900);
    expect(unit).toBe("hour");
    expect(rows.map((row) => [row.label, row.first, row.end])).toEqual([
      ["14 Mar 09:00", 0, 2],
      ["10:00", 2, 2],
      ["11:00", 2, 3],
    ]);
  });

  test("takes longer rows when hours would be too many", () => {
    const start = at("2026-03-10T08:00:00Z");
    expect(layoutStrip(run(48, start, 1_800_000), 900).unit).toBe("six-hours");
    expect(layoutStrip(run(200, start, 3_600_000), 900).unit).toBe("day");
    expect(layoutStrip(run(200, start, 86_400_000 / 4), 900).unit).toBe("week");
  });

  test("becomes a density bar where ticks would touch, and the bar counts every one", () => {
    const start = at("2026-03-14T08:00:00Z");
    const ticks = [...run(1500, start, 2000), ...run(300, start + 3_000_000, 2000, "missed")];
    const density = layoutStrip(ticks, 900).rows[0]!.density!;
    expect(density.reduce((sum, cell) => sum + cell.heard, 0)).toBe(1500);
    expect(density.reduce((sum, cell) => sum + cell.missed, 0)).toBe(300);
    expect(density.at(-1)!.heard).toBe(0);
    expect(layoutStrip(ticks, 9000).rows[0]!.density).toBe(null);
  });

  test("puts each tick into exactly one row that holds its moment", () => {
    fc.assert(
      fc.property(
        fc.array(fc.integer({ min: 0, max: 90 * 86_400_000 }), { minLength: 1, maxLength: 200 }),
        (moments) => {
          const ticks = moments
            .sort((a, b) => a - b)
            .map((ms, counter) => tick(counter, at("2026-02-20T00:00:00Z") + ms));
          const { rows } = layoutStrip(ticks, 900);
          expect(rows[0]!.first).toBe(0);
          expect(rows.at(-1)!.end).toBe(ticks.length);
          for (const row of rows)
            for (const one of ticks.slice(row.first, row.end)) {
              expect(one.atMs).toBeGreaterThanOrEqual(row.fromMs);
              expect(one.atMs).toBeLessThan(row.toMs);
            }
          for (let index = 1; index < rows.length; index += 1)
            expect(rows[index]!.first).toBe(rows[index - 1]!.end);
        },
      ),
      { numRuns: 50 },
    );
  });

  test("a click finds the nearest tick of its row, and none in an empty row", () => {
    const start = at("2026-03-14T08:00:00Z");
    const ticks = [tick(1, start + 60_000), tick(2, start + 600_000), tick(3, start + 7_300_000)];
    const { rows } = layoutStrip(ticks, 900);
    expect(nearestTick(ticks, rows[0]!, start + 500_000)).toBe(1);
    expect(nearestTick(ticks, rows[1]!, start + 3_700_000)).toBe(null);
  });
});

describe("columns of signal", () => {
  const atMs = [10, 20, 30, 40];

  test("the first point not before a moment is found", () => {
    expect([5, 10, 11, 40, 41].map((ms) => indexAt(atMs, ms))).toEqual([0, 0, 1, 3, 4]);
  });

  test("the nearest point with a value is found reachable, over gaps", () => {
    expect(nearestPoint(atMs, [1, null, null, 4], 24, 100)).toBe(0);
    expect(nearestPoint(atMs, [1, null, null, 4], 28, 100)).toBe(3);
    expect(nearestPoint(atMs, [1, null, null, 4], 25, 3)).toBe(null);
    expect(nearestPoint([], [], 25, 100)).toBe(null);
  });

  test("the extent leaves gaps out", () => {
    expect(extent([[null, -3, 2], [null]])).toEqual([-3, 2]);
    expect(extent([[null]])).toBe(null);
  });

  test("the table tells medians, newest first, and no row where nothing was heard", () => {
    const series = {
      gatewayEui: "02005E1000000001",
      gatewayName: "Packing shed",
      atMs: [0, 1, 2, 90],
      rssiDbm: [-90, -92, -97, -100],
      snrDb: [1, null, 4, -3],
      spreadingFactor: [7, 7, 7, 7],
      marginDb: [8.5, null, 11.5, 4.5],
      receptions: [1, 1, 1, 7],
    };
    expect(binSignal([series], 0, 100, 10)).toEqual([
      { fromMs: 90, gateway: "Packing shed", count: 7, rssiDbm: -100, snrDb: -3, marginDb: 4.5 },
      { fromMs: 0, gateway: "Packing shed", count: 3, rssiDbm: -92, snrDb: 2.5, marginDb: 10 },
    ]);
  });

  test("the rungs stand at −7.5 dB for SF7 down to −20 dB for SF12", () => {
    expect([7, 8, 9, 10, 11, 12].map((factor) => FLOORS_DB[factor])).toEqual([
      -7.5, -10, -12.5, -15, -17.5, -20,
    ]);
    expect(ladderMarks(6).map((mark) => mark.label)).toEqual([
      "SF12 −20",
      "SF11 −17.5",
      "SF10 −15",
      "SF9 −12.5",
      "SF8 −10",
      "SF7 −7.5",
      "−5",
      "0",
      "5",
    ]);
  });
});

describe("the heartbeat", () => {
  test("loses nothing when its cells are put together", () => {
    const column = (length: number) =>
      fc.array(fc.integer({ min: 0, max: 50 }), { minLength: length, maxLength: length });
    fc.assert(
      fc.property(
        fc
          .integer({ min: 1, max: 300 })
          .chain((length) => fc.tuple(column(length), fc.integer({ min: 1, max: 400 }))),
        ([receptions, most]) => {
          const zero = receptions.map(() => 0);
          const beat = {
            cellSeconds: 60,
            from: "2026-03-14T08:00:00Z",
            datagrams: zero,
            keepalives: receptions,
            keepalivesExpected: 6,
            statusReports: zero,
            receptions,
            crcBad: zero,
          };
          const { cells } = gatherCells(beat, most);
          expect(cells.length).toBeLessThanOrEqual(most);
          expect(cells.reduce((sum, cell) => sum + cell.receptions, 0)).toBe(
            receptions.reduce((sum, one) => sum + one, 0),
          );
          expect(cells.reduce((sum, cell) => sum + cell.keepalivesExpected, 0)).toBe(6 * receptions.length);
        },
      ),
    );
  });
});

describe("the time axis", () => {
  test("has round local times and the date at midnight", () => {
    const marks = timeMarks(at("2026-03-14T20:00:00Z"), at("2026-03-15T02:00:00Z"), 6);
    expect(marks.map((mark) => mark.label)).toEqual(["21:00", "22:00", "23:00", "15 Mar", "01:00", "02:00"]);
  });

  test("never has many more marks than there is room for, and all lie within", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: 1.9e12 }),
        fc.integer({ min: 10_000, max: 400 * 86_400_000 }),
        fc.integer({ min: 1, max: 15 }),
        (fromMs, length, most) => {
          const marks = timeMarks(fromMs, fromMs + length, most);
          expect(marks.length).toBeLessThanOrEqual(most + 2);
          for (const mark of marks) expect(mark.ms >= fromMs && mark.ms < fromMs + length).toBe(true);
        },
      ),
    );
  });
});

describe("shades", () => {
  test("run from cividis' dark blue to its light yellow, lighter with every step", () => {
    const light = (share: number) => {
      const [red, green, blue] = cividis(share);
      return 0.2126 * red + 0.7152 * green + 0.0722 * blue;
    };
    expect(cividis(0)).toEqual([0, 32, 81]);
    expect(cividis(1)).toEqual([253, 234, 69]);
    for (let step = 1; step <= 50; step += 1)
      expect(light(step / 50)).toBeGreaterThan(light((step - 1) / 50));
  });

  test("are lightest where it is quietest on paper, and darkest there at night", () => {
    const light = ([red, green, blue]: readonly number[]) =>
      0.2126 * (red ?? 0) + 0.7152 * (green ?? 0) + 0.0722 * (blue ?? 0);
    for (let step = 1; step <= 20; step += 1) {
      expect(light(shade(step / 20, false))).toBeLessThan(light(shade((step - 1) / 20, false)));
      expect(light(shade(step / 20, true))).toBeGreaterThan(light(shade((step - 1) / 20, true)));
    }
  });

  test("the scale ends at the round share that holds the largest", () => {
    expect([0, 0.004, 0.011, 0.2, 0.3, 0.9].map(scaleTop)).toEqual([0.01, 0.01, 0.02, 0.2, 0.5, 1]);
  });
});

describe("octets and fields", () => {
  test("an octet belongs to the finest field that covers it", () => {
    const flat = flattenFields([
      { at: 0, size: 1, name: "MHDR", value: "40" },
      { at: 1, size: 3, name: "FHDR", value: "", children: [{ at: 1, size: 2, name: "DevAddr", value: "" }] },
    ]);
    expect(flat.map(({ index, depth, leaf }) => [index, depth, leaf])).toEqual([
      [0, 0, true],
      [1, 0, false],
      [2, 1, true],
    ]);
    expect(ownersOf(flat, 5)).toEqual([0, 2, 2, 1, -1]);
  });

  test("a field that claims octets beyond the frame harms nothing", () => {
    expect(ownersOf(flattenFields([{ at: 2, size: 99, name: "MIC", value: "" }]), 4)).toEqual([-1, -1, 0, 0]);
    expect(octetsOf("40A1B")).toEqual(["40", "A1", "B"]);
    expect(octetsOf("")).toEqual([]);
  });
});
