import { describe, expect, test } from "vitest";
import type { TrialAnswer } from "../../../src/contract/index.ts";
import { referenceItems } from "../../../src/diagnosis/bench/reference.ts";
import { NOW_MS, orchardViews } from "../../service/orchard.ts";

const compared = orchardViews().compare("Tower mast", "North parapet", { last: 3600 }, NOW_MS * 1000);
if (compared === null) throw new Error("Both places are stored.");
const side = (expected: number, heard: number) => ({
  expected,
  heard,
  deliveryRatio: heard / expected,
  medianSnrDb: -4,
});
const pairs = { both: 571, onlyA: 38, onlyB: 9, neither: 22 };
/** The two heard at once, 640 frames, half of them on each of two channels. */
const trial: TrialAnswer = {
  ...compared,
  paired: true,
  delivery: { ...compared.delivery, a: side(640, 609), b: side(640, 580), pairs },
  channels: ["868.1\u202FMHz", "868.3\u202FMHz"].map((label) => ({
    label,
    a: side(320, 304),
    b: side(320, 290),
    pairs: { both: 285, onlyA: 19, onlyB: 5, neither: 11 },
    snrDifferenceDb: { estimate: 2.9, low: 2.2, high: 3.6 },
    deliveryDifference: { estimate: 0.044, low: 0.021, high: 0.068 },
  })),
};
const of = (difference: [number, number, number], loss: [number, number, number]) => {
  const as = ([estimate, low, high]: [number, number, number]) => ({ estimate, low, high });
  return { ...trial, snrDifferenceDb: as(difference), deliveryDifference: as(loss) };
};
const states = (trial: ReturnType<typeof of>, offsetDb = 3, loss = 0.02) =>
  referenceItems(trial, { offsetDb, loss })
    .slice(0, 2)
    .map(({ id, state }) => `${id} ${state}`);

describe("a gateway against the reference beside it", () => {
  test("passes when its whole interval lies within the technician's limits", () => {
    expect(states(of([0.2, -0.4, 0.8], [0.001, -0.008, 0.01]))).toEqual([
      "reference-offset pass",
      "reference-loss pass",
    ]);
  });

  test("fails when its whole interval lies beyond them, and the item says by how much", () => {
    const trial = of([-5, -6, -4.1], [-0.08, -0.11, -0.05]);
    expect(states(trial)).toEqual(["reference-offset fail", "reference-loss fail"]);
    expect(referenceItems(trial, { offsetDb: 3, loss: 0.02 })[0]?.reason).toContain("\u22125.0");
    expect(states(trial, 8, 0.2)).toEqual(["reference-offset pass", "reference-loss pass"]);
  });

  test("warns when the figure is beyond the limit and only its interval reaches back", () => {
    expect(states(of([-3.5, -5, -2], [-0.03, -0.06, 0.01]))).toEqual([
      "reference-offset warn",
      "reference-loss warn",
    ]);
  });

  test("waits while the figure is within the limit and its interval is not, and says what it takes", () => {
    const trial = of([-1, -5, 3], [-0.005, -0.035, 0.025]);
    expect(states(trial)).toEqual(["reference-offset waiting", "reference-loss waiting"]);
    const [level, loss] = referenceItems(trial, { offsetDb: 3, loss: 0.02 });
    // 640 frames; an interval of 4 dB must shrink to the 2 dB that are left, one of 3 points to 1.5: four times as many.
    expect(level?.awaits).toBe("about 2\u202F000 more frames");
    expect(loss?.awaits).toBe("about 2\u202F000 more frames");
    expect(level?.reason).toContain("not settled: about 2\u202F000 more frames would tell");
  });

  test("waits for no number of frames that never comes", () => {
    const trial = of([-2.99, -5, -1], [0, -0.01, 0.01]);
    const [level] = referenceItems(trial, { offsetDb: 3, loss: 0.02 });
    expect(level).toMatchObject({ state: "warn", awaits: null });
    expect(level?.reason).toContain("too near the limit");
  });

  test("tells losing fewer frames than the reference as fewer", () => {
    const [, loss] = referenceItems(of([0, -1, 1], [0.012, -0.004, 0.028]), { offsetDb: 3, loss: 0.02 });
    expect(loss?.state).toBe("pass");
    expect(loss?.reason).toBe("It loses 1.2 points fewer frames than the reference (\u22120.4 to 2.8).");
  });

  test("tells each channel by itself", () => {
    const ids = referenceItems(of([0, -1, 1], [0, -0.01, 0.01]), { offsetDb: 3, loss: 0.02 }).map(
      ({ id }) => id,
    );
    expect(ids).toEqual([
      "reference-offset",
      "reference-loss",
      "reference-offset-868.1",
      "reference-loss-868.1",
      "reference-offset-868.3",
      "reference-loss-868.3",
    ]);
  });

  test("waits when the two were never heard at once", () => {
    const trial = { ...of([0, -1, 1], [0, -0.01, 0.01]), paired: false };
    expect(referenceItems(trial, { offsetDb: 3, loss: 0.02 })).toMatchObject([
      { id: "reference", state: "waiting" },
    ]);
  });
});
