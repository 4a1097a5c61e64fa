import { describe, expect, it } from "vitest";
import { beginsAtMark, type DropoutBegin } from "../../src/diagnosis/gap-sentences.ts";

const MINUTE_US = 60_000_000;
const HOUR_US = 60 * MINUTE_US;
const SHED = "02005E1000000001";
const TOWER = "02005E1000000002";
// Six frames missed at a rhythm of ten minutes: the first was due ten minutes after the last one heard.
const GAP: DropoutBegin = {
  kind: "counters",
  fromUs: 10 * HOUR_US,
  toUs: 10 * HOUR_US + 70 * MINUTE_US,
  expected: 6,
  devAddr: "01A2B3C4",
  gatewayEui: null,
};
const mark = (minutes: number, about: { gatewayEui?: string; devAddr?: string } = {}) => ({
  atUs: GAP.fromUs + minutes * MINUTE_US,
  gatewayEui: about.gatewayEui ?? null,
  devAddr: about.devAddr ?? null,
});
const meets = (gap: DropoutBegin, ...marks: ReturnType<typeof mark>[]) => beginsAtMark(gap, marks);

describe("a dropout begins at a mark", () => {
  it.each([
    [-6, false],
    [-4, true],
    [0, true],
    [9, true],
    [14, true],
    [16, false],
    [60, false],
  ])("pinned %i minutes after the last frame heard, when the next was due after ten: %s", (minutes, does) => {
    expect(meets(GAP, mark(minutes)) !== null).toBe(does);
  });

  it("that is the nearest of several", () => {
    expect(meets(GAP, mark(8), mark(-1), mark(4))).toEqual(mark(-1));
  });

  it("only when the mark concerns it", () => {
    expect(meets(GAP, mark(1, { devAddr: "01A2B3D0" }))).toBeNull();
    expect(meets(GAP, mark(1, { devAddr: "01A2B3C4" }))).not.toBeNull();
    expect(meets({ ...GAP, gatewayEui: SHED }, mark(1, { gatewayEui: TOWER }))).toBeNull();
    expect(meets({ ...GAP, gatewayEui: SHED }, mark(1, { gatewayEui: SHED }))).not.toBeNull();
    expect(meets(GAP, mark(1, { gatewayEui: TOWER }))).not.toBeNull();
    expect(meets({ ...GAP, devAddr: null }, mark(1, { devAddr: "01A2B3C4" }))).toBeNull();
  });

  it("with more leeway where a steady loss was found to begin, the more the longer it lasts, and never half a day", () => {
    const day: DropoutBegin = { ...GAP, kind: "steady", toUs: GAP.fromUs + 24 * HOUR_US };
    expect(meets(day, mark(70))).not.toBeNull();
    expect(meets(day, mark(-80))).toBeNull();
    const month = { ...day, toUs: GAP.fromUs + 30 * 24 * HOUR_US };
    expect(meets(month, mark(6 * 60 - 1))).not.toBeNull();
    expect(meets(month, mark(6 * 60 + 1))).toBeNull();
  });
});
