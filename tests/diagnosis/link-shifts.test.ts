import { describe, expect, it } from "vitest";
import { linkShifts } from "../../src/diagnosis/link-changes.ts";
import { SHED } from "../simulate/small-site.ts";
import { type Asked, courseOf } from "./link-site.ts";

const HOUR_US = 3.6e9;
const SEEDS = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10];

/** Six hours, a node every minute; noise −117 dBm, so a path gain of −134 dB is an SNR of −3. */
function shiftsOf(asked: Partial<Asked> = {}, fromUs = 0) {
  return linkShifts(courseOf({ hours: 6, seed: 1, ...asked }).frames, fromUs);
}

const fall = (changeDb: number, from = "3:40:00", to = "3:40:01") => ({
  events: [{ event: "fading-link", node: "probe", from, to, changeDb }],
});

function middle(values: readonly number[]): number {
  return [...values].sort((a, b) => a - b)[values.length >> 1] ?? Number.NaN;
}

describe("a step of a link", () => {
  it("of 6 dB is found nearly always, dated to the minutes, sized, and said in a sentence", () => {
    const found = SEEDS.map((seed) => shiftsOf({ ...fall(-6), seed }));
    const hits = found.flatMap(({ shifts }) => shifts);
    expect(hits.length).toBeGreaterThanOrEqual(8);
    expect(found.every(({ shifts }) => shifts.length <= 1)).toBe(true);
    for (const { at } of hits) expect(Math.abs(Date.parse(at) / 60e3 - 220)).toBeLessThan(4);
    expect(middle(hits.map(({ sizeDb }) => sizeDb))).toBeGreaterThan(-7);
    expect(middle(hits.map(({ sizeDb }) => sizeDb))).toBeLessThan(-5);
    expect(hits[0]).toMatchObject({ measure: "snr", withDataRateChange: false });
    expect(hits[0]!.marginFromDb! - hits[0]!.marginToDb!).toBeGreaterThan(4);
    const said = found.find(({ shifts }) => shifts.length > 0)!;
    expect(said.words).toMatch(
      /^SNR fell by (at least )?\d\.\d\u202FdB \(\d.*\) at about 03:[34]\d UTC on 1 Jan\.$/,
    );
    expect(said.shifts[0]!.sentence).toBe(said.words);
  });

  it("of a strong link is judged by signal power, where SNR is saturated", () => {
    const shifts = SEEDS.flatMap(
      (seed) => shiftsOf({ ...fall(-8), seed, pathGainDb: { [SHED]: -100 } }).shifts,
    );
    expect(shifts.length).toBeGreaterThanOrEqual(9);
    expect(shifts.every(({ measure }) => measure === "signal-power")).toBe(true);
    expect(middle(shifts.map(({ sizeDb }) => sizeDb))).toBeLessThan(-7);
    expect(middle(shifts.map(({ sizeDb }) => sizeDb))).toBeGreaterThan(-9);
    // The SNR itself hardly moved: it had stopped rising.
    for (const { snrFromDb, snrToDb } of shifts) expect(snrFromDb! - snrToDb!).toBeLessThan(2);
  });

  it("tells a risen noise from a fallen signal", () => {
    const noiseRiseAt = (hour: number) => (hour < 3 ? 0 : 10);
    const { shifts } = shiftsOf({ noiseRiseAt, spreadingFactor: 11 });
    expect(shifts).toHaveLength(1);
    expect(shifts[0]!.sentence).toContain("the noise rose");
    const strong = shiftsOf({ noiseRiseAt, pathGainDb: { [SHED]: -116 } });
    expect(strong.shifts.map(({ measure }) => measure)).toEqual(["snr"]);
    expect(strong.shifts[0]!.sentence).toContain("the noise rose");
    expect(shiftsOf(fall(-9)).shifts[0]!.sentence).not.toContain("noise");
  });

  it("is not made of a change of data rate at the floor, where other frames survive", () => {
    // At SF7 only the best of these frames come through; at SF10 all do, and their median is lower.
    const factorAt = (hour: number) => (hour < 3 ? 7 : 10);
    for (const seed of SEEDS) {
      const course = { seed, factorAt, pathGainDb: { [SHED]: -142 }, fastFadingDb: 2.5 };
      expect(shiftsOf(course).shifts).toEqual([]);
    }
  });

  it("at a change of data rate is told all the same when the link itself fell", () => {
    const factorAt = (hour: number) => (hour < 3.667 ? 9 : 12);
    const { shifts } = shiftsOf({ ...fall(-9), factorAt, pathGainDb: { [SHED]: -132 } });
    expect(shifts).toHaveLength(1);
    expect(shifts[0]).toMatchObject({ withDataRateChange: true });
    expect(shifts[0]!.sizeDb).toBeLessThan(-7);
    expect(shifts[0]!.sentence).toContain("together with a change of data rate");
  });

  it("before the window is left out, though the frames before it are judged with", () => {
    const early = fall(-9, "1:30:00", "1:30:01");
    expect(shiftsOf(early).shifts).toHaveLength(1);
    expect(shiftsOf(early, 3 * HOUR_US).shifts).toEqual([]);
  });

  it("says that frames lost at the floor hide a part of the fall", () => {
    const { shifts } = shiftsOf({ ...fall(-12), pathGainDb: { [SHED]: -133 } });
    expect(shifts).toHaveLength(1);
    expect(shifts[0]!.atLeast).toBe(true);
    expect(shifts[0]!.sentence).toContain("at least");
  });

  it("is claimed at most once in 100 days of healthy simulated links", () => {
    let claimed = 0;
    let days = 0;
    const links = [
      { rhythmSeconds: 120, pathGainDb: { [SHED]: -134 } },
      { rhythmSeconds: 300, pathGainDb: { [SHED]: -125 }, slowFadingDb: 2.5, slowFadingMinutes: 60 },
      { rhythmSeconds: 120, pathGainDb: { [SHED]: -140.5 }, fastFadingDb: 2.5 },
      { rhythmSeconds: 240, pathGainDb: { [SHED]: -104 }, slowFadingDb: 2, slowFadingMinutes: 120 },
    ];
    for (const [index, link] of links.entries()) {
      const { frames } = courseOf({ hours: 26 * 24, seed: index + 20, ...link });
      for (let fromUs = 0; fromUs < 26 * 24 * HOUR_US; fromUs += 24 * HOUR_US) {
        const own = frames.filter(({ atUs }) => atUs >= fromUs && atUs < fromUs + 24 * HOUR_US);
        claimed += linkShifts(own, 0).shifts.length;
        days += 1;
      }
    }
    console.info(
      `level shifts claimed on healthy simulated links: ${claimed} in ${days.toFixed(0)} link-days`,
    );
    expect(days).toBeGreaterThan(100);
    expect(claimed).toBeLessThanOrEqual(1);
  });

  it("says when there is not enough", () => {
    expect(linkShifts([], 0).words).toContain("Not enough to say");
    expect(linkShifts(courseOf({ hours: 1, seed: 1 }).frames.slice(0, 10), 0).words).toContain(
      "Not enough to say",
    );
    expect(shiftsOf({ hours: 2 }).words).toMatch(/^No step of 3/);
  });
});
