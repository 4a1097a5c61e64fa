import { describe, expect, it } from "vitest";
import { boundsOf, isClearlyGradual, levelShifts, SHIFT_RULE } from "../../src/statistics/level-shifts.ts";
import { bestCut, dated, fitSegment, isSharp, type LevelSlot } from "../../src/statistics/step-fit.ts";

const MINUTE_US = 60e6;

/** One value a minute. */
const minutes = (values: readonly number[], everyUs = MINUTE_US) =>
  values.map((value, i) => ({ tUs: i * everyUs, value }));
const slotsOf = (values: readonly number[], everyUs = MINUTE_US): LevelSlot[] =>
  values.map((value, i) => ({ atUs: i * everyUs, value, count: 1, grid: i }));
const repeated = (value: number, count: number) => Array<number>(count).fill(value);
/** A level, half a dB below and above by turns. */
const about = (level: number, count: number, by = 0.5) =>
  Array.from({ length: count }, (_, i) => level + (i % 2 === 0 ? by : -by));

describe("the cut that leaves the least squares", () => {
  it("lies between two levels, or as near as the bounds allow", () => {
    const values = [0, 0, 0, 6, 6, 6];
    expect(bestCut(values, { first: 1, last: 5 })).toBe(3);
    // About the mean of 3 the sums run −3, −6, −9, −6, −3: gains 9/5, 36/8, 81/9, 36/8, 9/5.
    expect(bestCut(values, { first: 4, last: 5 })).toBe(4);
    expect(bestCut(values, { first: 1, last: 2 })).toBe(2);
    expect(bestCut(values, { first: 5, last: 9 })).toBe(5);
    expect(bestCut(values, { first: 4, last: 3 })).toBeNull();
    expect(bestCut(values, { first: 6, last: 6 })).toBeNull();
  });

  it("weighs the lengths of both parts: one far value at the end stands alone", () => {
    // Mean 2: sums −2, −4, −6, −8: gains 4/4, 16/6, 36/6, 64/4.
    expect(bestCut([0, 0, 0, 0, 10], { first: 1, last: 4 })).toBe(4);
    // Of equal gains the first.
    expect(bestCut([1, 1, 1, 1], { first: 2, last: 3 })).toBe(2);
  });
});

describe("two levels of a stretch", () => {
  it("are medians on both sides of a step, and what remains is the scatter about them", () => {
    const values = [0, 1, 0, 1, 0, 10, 11, 10, 11, 10];
    expect(fitSegment(slotsOf(values), 5, { first: 3, last: 7 })).toEqual({
      endOfFirst: 5,
      startOfSecond: 5,
      gradual: false,
      from: 0,
      to: 10,
      residuals: [0, 1, 0, 1, 0, 0, 1, 0, 1, 0],
    });
  });

  it("have a ramp between them where it fits better", () => {
    const values = [...repeated(0, 6), 2, 4, 6, 8, ...repeated(10, 6)];
    expect(fitSegment(slotsOf(values), 8, { first: 3, last: 13 })).toEqual({
      endOfFirst: 6,
      startOfSecond: 10,
      gradual: true,
      from: 0,
      to: 10,
      residuals: repeated(0, 16).map(() => expect.closeTo(0, 9)),
    });
  });

  it("have no ramp within bounds that leave no room for one", () => {
    const values = [...repeated(0, 7), 4, 6, ...repeated(10, 7)];
    expect(fitSegment(slotsOf(values), 8, { first: 3, last: 13 })?.gradual).toBe(true);
    const fit = fitSegment(slotsOf(values), 8, { first: 8, last: 8 });
    // The step leaves 4 of the first level and −4 of the second.
    expect(fit).toMatchObject({ endOfFirst: 8, startOfSecond: 8, gradual: false, from: 0, to: 10 });
    expect(fit?.residuals).toEqual([...repeated(0, 7), 4, -4, ...repeated(0, 7)]);
  });

  it("are none where a straight line lies closer", () => {
    const line = Array.from({ length: 16 }, (_, i) => i);
    expect(fitSegment(slotsOf(line), 8, { first: 3, last: 13 })).toBeNull();
    // Three tenths about it either way leave 0.09 a value; the best ramp, level at both ends, more.
    const scattered = line.map((value, i) => value + (i % 2 === 0 ? 0.3 : -0.3));
    expect(fitSegment(slotsOf(scattered), 8, { first: 3, last: 13 })).toBeNull();
  });

  it("leave less where one of them is itself a step: what it explains is no scatter", () => {
    const values = [...repeated(0, 3), ...repeated(5, 3), ...repeated(20, 6)];
    expect(fitSegment(slotsOf(values), 6, { first: 6, last: 6 })).toMatchObject({
      from: 2.5,
      to: 20,
      residuals: repeated(0, 12),
    });
    // By turns, no cut explains seven tenths: about one level, 2.5 either way.
    const turns = [0, 5, 0, 5, 0, 5, ...repeated(20, 6)];
    expect(fitSegment(slotsOf(turns), 6, { first: 6, last: 6 })?.residuals).toEqual([
      ...[-2.5, 2.5, -2.5, 2.5, -2.5, 2.5],
      ...repeated(0, 6),
    ]);
  });
});

describe("the moment of a change", () => {
  const values = [0, 1, 0, 1, 0, 10, 11, 10, 11, 10];
  const slots = slotsOf(values);
  const fit = fitSegment(slots, 5, { first: 3, last: 7 });
  if (fit === null) throw new Error("no fit");

  it("of a step lies between the last value of one level and the first of the other", () => {
    // 11 variances over size squared: 11 × 0.4 / 100 of the usual minute are 2.64 s.
    expect(dated(minutes(values), slots, fit, 0.0005, MINUTE_US)).toEqual({
      atUs: 4.5 * MINUTE_US,
      notBeforeUs: 4 * MINUTE_US - 2_640_000,
      notAfterUs: 5 * MINUTE_US + 2_640_000,
      gradual: false,
      from: 0,
      to: 10,
      p: 0.0005,
    });
  });

  it("of a step is sought among single values within two slots of the cut", () => {
    // Slots say 5, the values change at 6: the seventh minute is the first on its own side.
    const later = [0, 1, 0, 1, 0, 1, 10, 11, 10, 11, 10];
    expect(dated(minutes(later), slots, fit, 0, MINUTE_US).atUs).toBe(5.5 * MINUTE_US);
    // Further than two slots behind the second level it is not sought: 7 min is the last that may be first.
    const muchLater = [...repeated(0, 9), 10, 10];
    expect(dated(minutes(muchLater), slots, fit, 0, MINUTE_US).atUs).toBe(6.5 * MINUTE_US);
  });

  it("of a step is not sought further than two slots before the cut either, nor before the first value", () => {
    // Of values that are high from the second minute on, 2 min is the first that is looked at.
    const muchEarlier = [0, ...repeated(10, 10)];
    expect(dated(minutes(muchEarlier), slots, fit, 0, MINUTE_US).atUs).toBe(1.5 * MINUTE_US);
    // High from the first value on, at 5 min: between the slot before and it.
    const begun = minutes(repeated(10, 11)).slice(5);
    expect(dated(begun, slots, fit, 0, MINUTE_US).atUs).toBe(4.5 * MINUTE_US);
    // Low to the last, at 4 min: between it and the slot behind.
    const ended = minutes(repeated(0, 5));
    expect(dated(ended, slots, fit, 0, MINUTE_US).atUs).toBe(3.5 * MINUTE_US);
  });

  it("of a step is as uncertain as the usual pause of the values within forty slots", () => {
    const at = (minute: number) => ({
      tUs: Math.round(minute * MINUTE_US),
      value: minute < 4.5 ? 20 : 30,
    });
    const run = (from: number, to: number, step: number) =>
      Array.from({ length: Math.round((to - from) / step) }, (_, i) => at(from + i * step));
    // A minute apart within two slots, half a minute to 36 slots further, about a second beyond 42 slots.
    const points = [
      ...run(-48, -38.5, 0.02),
      ...run(-34, 1, 0.5),
      ...run(1, 9, 1),
      ...run(9, 44, 0.5),
      ...run(49.5, 59, 0.02),
    ];
    // 11 x 0.4 / 100 of half a minute are 1.32 s.
    expect(dated(points, slots, { ...fit, from: 20, to: 30 }, 0, MINUTE_US)).toMatchObject({
      notBeforeUs: 4 * MINUTE_US - 1_320_000,
      notAfterUs: 5 * MINUTE_US + 1_320_000,
    });
  });

  it("of a fall is found alike", () => {
    const falling = values.map((value) => 10 - value);
    const down = fitSegment(slotsOf(falling), 5, { first: 3, last: 7 });
    if (down === null) throw new Error("no fit");
    expect(dated(minutes(falling), slotsOf(falling), down, 0, MINUTE_US)).toMatchObject({
      atUs: 4.5 * MINUTE_US,
      from: 10,
      to: 0,
    });
  });

  it("of a gradual one is the middle between its begin and end", () => {
    const ramp = { ...fit, gradual: true, endOfFirst: 3, startOfSecond: 8 };
    expect(dated(minutes(values), slots, ramp, 0, MINUTE_US)).toMatchObject({
      atUs: 5 * MINUTE_US,
      notBeforeUs: 2 * MINUTE_US,
      notAfterUs: 8 * MINUTE_US,
      gradual: true,
    });
    expect(() => dated([], slots, { ...fit, endOfFirst: 0 }, 0, MINUTE_US)).toThrow(RangeError);
  });
});

describe("a sharp step", () => {
  const stepped = (before: number, after: number, size = 6, everyUs = MINUTE_US) =>
    minutes([...about(0, before), ...about(size, after)], everyUs);
  const sharp = (points: ReturnType<typeof minutes>, at: number, size: number, leastJump = 2.4) =>
    isSharp(points, points[at]?.tUs ?? 0, size, leastJump);

  it("is one between two values, in the direction that was found", () => {
    expect(sharp(stepped(40, 40), 40, 6)).toBe(true);
    expect(sharp(stepped(40, 40), 40, -6)).toBe(false);
    expect(sharp(stepped(40, 40, -6), 40, -6)).toBe(true);
  });

  it("must reach six tenths of the step, and the least that counts", () => {
    expect(sharp(stepped(40, 40), 40, 10)).toBe(true);
    expect(sharp(stepped(40, 40), 40, 10.1)).toBe(false);
    expect(sharp(stepped(40, 40), 40, 6, 6)).toBe(true);
    expect(sharp(stepped(40, 40), 40, 6, 6.1)).toBe(false);
  });

  it("must be held against twelve places elsewhere", () => {
    // Of 30 values places 3 to 27 are 25, of which 15 lie within seven of the middle; of 32 they are 27.
    expect(sharp(stepped(15, 15), 15, 6)).toBe(false);
    expect(sharp(stepped(16, 16), 16, 6)).toBe(true);
  });

  it("needs three values within 20 minutes on both sides, and more of a jump where there are few", () => {
    expect(sharp(stepped(40, 40, 6, 10 * MINUTE_US), 40, 6)).toBe(false);
    // At 6.5 min three before: 4 + ½ × (8 − 3) = 6.5 times 0.3 dB are 1.95.
    const few = (size: number) => minutes([...repeated(0, 40), ...repeated(size, 40)], 6.5 * MINUTE_US);
    expect(sharp(few(2), 40, 2, 1)).toBe(true);
    expect(sharp(few(1.9), 40, 1.9, 1)).toBe(false);
    // At one minute eight: 4 times 0.3 dB are 1.2.
    const many = (size: number) => minutes([...repeated(0, 40), ...repeated(size, 40)]);
    expect(sharp(many(1.25), 40, 1.25, 1)).toBe(true);
    expect(sharp(many(1.15), 40, 1.15, 1)).toBe(false);
  });

  it("counts a value that lies just 20 minutes from the place, on either side", () => {
    // Sixty values a minute apart on one side, three on the other: at the place, 10 and 20 min on; or 5, 10 and 20 before.
    const dense = (first: number) => Array.from({ length: 60 }, (_, i) => first + i);
    const at = (before: readonly number[], after: readonly number[]) =>
      isSharp(
        [
          ...before.map((m) => ({ tUs: m * MINUTE_US, value: 0 })),
          ...after.map((m) => ({ tUs: m * MINUTE_US, value: 6 })),
        ],
        (after[0] ?? 0) * MINUTE_US,
        6,
        2.4,
      );
    expect(at(dense(0), [60, 70, 80])).toBe(true);
    expect(at(dense(0), [60, 70, 80.1])).toBe(false);
    expect(at([40, 50, 55], dense(60))).toBe(true);
    expect(at([39.9, 50, 55], dense(60))).toBe(false);
  });

  it("is told by the eight values next to it on each side", () => {
    // 0 for eight minutes before and 6 for eight after, between stretches of 3: beyond the eighth nothing counts.
    const points = minutes([...repeated(3, 40), ...repeated(0, 8), ...repeated(6, 8), ...repeated(3, 40)]);
    expect(sharp(points, 48, 6)).toBe(true);
    const seven = minutes([...repeated(3, 40), ...repeated(0, 4), ...repeated(6, 4), ...repeated(3, 40)]);
    // Of eight before, four are 0 and four are 3: 1.5; after 4.5: 3 of 6 are less than six tenths.
    expect(sharp(seven, 44, 6)).toBe(false);
    expect(sharp(seven, 44, 5)).toBe(true);
  });

  it("is none where jumps as large are common", () => {
    // Every sixteen minutes by 6 dB: the twentieth largest jump elsewhere is as large.
    const restless = minutes(Array.from({ length: 160 }, (_, i) => (Math.floor(i / 16) % 2 === 0 ? 0 : 6)));
    expect(sharp(restless, 80, -6)).toBe(false);
  });
});

describe("what two levels must hold", () => {
  const slots = (length: number, everyMinutes: number, count = 1) =>
    Array.from({ length }, (_, i) => ({ atUs: i * everyMinutes * MINUTE_US, value: 0, count, grid: i }));

  it("is six values in three slots over a quarter of an hour, each", () => {
    // One a minute: the sixteenth lies 15 min behind the first.
    expect(boundsOf(slots(40, 1), SHIFT_RULE)).toEqual({ first: 16, last: 24 });
    expect(boundsOf(slots(32, 1), SHIFT_RULE)).toEqual({ first: 16, last: 16 });
    expect(boundsOf(slots(31, 1), SHIFT_RULE)).toBeNull();
    // One every five minutes: six. Ten every half an hour: three slots.
    expect(boundsOf(slots(20, 5), SHIFT_RULE)).toEqual({ first: 6, last: 14 });
    expect(boundsOf(slots(20, 30, 10), SHIFT_RULE)).toEqual({ first: 3, last: 17 });
    // Two every half an hour: three slots as well; ten every ten minutes: 20 min.
    expect(boundsOf(slots(20, 30, 2), SHIFT_RULE)).toEqual({ first: 3, last: 17 });
    expect(boundsOf(slots(20, 10, 10), SHIFT_RULE)).toEqual({ first: 3, last: 17 });
  });

  it("is three hours about a slow change of 6 dB, or one about 12 dB", () => {
    const HOUR_US = 60 * MINUTE_US;
    // Ten hours; the change from `from` to `to`.
    const isClear = (fromHour: number, toHour: number, size: number) =>
      isClearlyGradual(
        { notBeforeUs: fromHour * HOUR_US, notAfterUs: toHour * HOUR_US, from: -100, to: -100 + size },
        slots(11, 60),
        SHIFT_RULE,
      );
    expect([isClear(3, 7, 6), isClear(3, 7, -6), isClear(3, 7, 5.9)]).toEqual([true, true, false]);
    expect([isClear(2.9, 7, 6), isClear(3, 7.1, 6), isClear(2.9, 7, 11.9)]).toEqual([false, false, false]);
    expect([isClear(1, 9, 12), isClear(0.9, 9, 12), isClear(1, 9.1, -12)]).toEqual([true, false, false]);
  });
});

describe("level shifts by hand, one value a minute for four hours", () => {
  it("a step of 10 dB has its levels, its moment, and no chance of being none", () => {
    const { shifts, enough, slots } = levelShifts(minutes([...about(0, 120), ...about(-10, 120)]));
    expect({ enough, slots }).toEqual({ enough: true, slots: 240 });
    // Half a dB about either level: 11 × 0.25 / 100 of a minute are 1.65 s.
    expect(shifts).toEqual([
      {
        atUs: 119.5 * MINUTE_US,
        notBeforeUs: 119 * MINUTE_US - 1_650_000,
        notAfterUs: 120 * MINUTE_US + 1_650_000,
        gradual: false,
        from: 0,
        to: -10,
        p: 0,
      },
    ]);
  });

  it("a step of 5 dB has the chance of a bridge that deviates so far: 2 exp(−2 x²)", () => {
    const [shift] = levelShifts(minutes([...about(0, 120), ...about(5, 120)])).shifts;
    // Largest sum 120 × 2.5 over √240; assumed variance 1 × 2 × 10 min a slot of 239/480 min, 240 of 481 slots filled.
    const squared = 300 ** 2 / 240 / ((20 / (239 / 480)) * (240 / 481));
    expect((shift?.p ?? 0) / (2 * Math.exp(-2 * squared))).toBeCloseTo(1, 6);
    expect(shift).toMatchObject({ from: 0, to: 5 });
  });

  it("counts from 3 dB on", () => {
    const sizes = (size: number) =>
      levelShifts(minutes([...about(0, 120), ...about(size, 120)])).shifts.length;
    expect([sizes(3), sizes(2.9), sizes(-3)]).toEqual([1, 0, 1]);
  });

  it("is none where the scatter about its levels makes it by chance, whatever wander is assumed", () => {
    // Thirty values each, 5 dB about levels 3 dB apart: 30 × 1.5 / √60 / 5 = 1.16, a chance of 2 exp(−2.7) and less.
    const rule = { ...SHIFT_RULE, assumedVariance: 0.001 };
    const found = (by: number) =>
      levelShifts(minutes([...about(0, 30, by), ...about(3, 30, by)]), rule).shifts.length;
    expect([found(5), found(0.5)]).toEqual([0, 1]);
  });

  it("needs twelve values and half an hour", () => {
    const enough = (count: number, everyUs: number) => levelShifts(minutes(about(0, count), everyUs)).enough;
    expect(enough(12, 3 * MINUTE_US)).toBe(true);
    expect(enough(11, 3 * MINUTE_US)).toBe(false);
    expect(enough(31, MINUTE_US)).toBe(true);
    expect(enough(30, MINUTE_US)).toBe(false);
  });

  it("a slow change of 13 dB counts where both levels hold an hour, of 11 dB not", () => {
    const slow = (size: number) => {
      const ramp = Array.from({ length: 240 }, (_, i) => size * Math.max(0, Math.min(1, (i - 89) / 61)));
      return levelShifts(minutes(ramp.map((level, i) => level + (i % 2 === 0 ? 0.25 : -0.25)))).shifts;
    };
    expect(slow(13)).toEqual([
      {
        atUs: 119.5 * MINUTE_US,
        notBeforeUs: 89 * MINUTE_US,
        notAfterUs: 150 * MINUTE_US,
        gradual: true,
        from: expect.closeTo(0, 1),
        to: expect.closeTo(13, 1),
        p: expect.closeTo(0, 9),
      },
    ]);
    expect(slow(11)).toEqual([]);
  });
});
