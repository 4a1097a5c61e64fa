/** What is said of a trend and of a stranger's growth: each case once, with its figures. */
import { describe, expect, it } from "vitest";
import { trendWords } from "../../src/diagnosis/link-changes.ts";
import { growthWords } from "../../src/diagnosis/others-sentences.ts";
import type { Trend } from "../../src/statistics/trend.ts";

const plain = (text: string) => text.replaceAll("\u202F", " ");

describe("a trend of a level", () => {
  const trend: Trend = {
    slopePerDay: -0.316,
    slopeLow: -0.4,
    slopeHigh: -0.2,
    p: 0.0004,
    points: 21,
    effectivePoints: 14.6,
    spanDays: 20.4,
    outcome: "real",
  };
  const words = (change: Partial<Trend>) => plain(trendWords({ ...trend, ...change }));

  it("falls or rises, with the medians it rests on", () => {
    expect(words({})).toBe("Falls by 0.32 dB a day (21 medians worth 15, p < 0.001).");
    expect(words({ slopePerDay: 0.316, p: 0.004 })).toBe(
      "Rises by 0.32 dB a day (21 medians worth 15, p 0.004).",
    );
  });

  it("is none where chance explains it, with the slope that was seen", () => {
    expect(words({ outcome: "chance", slopePerDay: 0.02, p: 0.42 })).toBe(
      "No change beyond chance: +0.02 dB a day (21 medians worth 15, p 0.42).",
    );
  });

  it("is small below 3 dB over the window", () => {
    expect(words({ outcome: "small", slopePerDay: -0.1, p: 0.001 })).toBe(
      "Beyond chance but small: −0.10 dB a day, 2.0 dB over the window, 3 dB count (21 medians worth 15, p 0.001).",
    );
  });

  it("says what is lacking: hours below a week, days from there on, or the span", () => {
    const few = { outcome: "few", slopePerDay: null, p: null, points: 4 } as const;
    expect(words({ ...few, spanDays: 6.9 })).toBe("Not enough to say: values on 4 hours, 6 are needed.");
    expect(words({ ...few, spanDays: 7 })).toBe("Not enough to say: values on 4 days, 6 are needed.");
    expect(words({ outcome: "short", spanDays: 3.24 })).toBe(
      "Not enough to say: 3.2 days are too short a span, 7 are needed.",
    );
  });
});

describe("the growth of a stranger's network", () => {
  const growth = {
    verdict: "grows",
    secondsPerDayPerWeek: 12,
    interval95: [8.04, 16.2] as [number, number],
    sharePerWeek: 0.061,
    p: 0.001,
  } as const;

  it("is told with its interval and its share of a usual day", () => {
    expect(plain(growthWords(growth, 5))).toBe(
      "Grows: +12.0 s a day each week (8.0 to 16.2), 6 % of its median day.",
    );
    expect(plain(growthWords({ ...growth, verdict: "shrinks", sharePerWeek: null }, 5))).toMatch(
      /^Shrinks: /,
    );
  });

  it("is steady within chance, and an interval below zero bears a true minus", () => {
    const steady = { ...growth, verdict: "steady", interval95: [-3.2, 8.1] as [number, number] } as const;
    expect(plain(growthWords(steady, 5))).toBe(
      "Steady, within chance: +12.0 s a day each week (−3.2 to 8.1).",
    );
  });

  it("takes three weeks", () => {
    const few = {
      verdict: "not enough",
      secondsPerDayPerWeek: null,
      interval95: null,
      sharePerWeek: null,
      p: null,
    } as const;
    expect(growthWords(few, 2)).toBe("Not enough to say: 2 weeks recorded enough, 3 are needed.");
    expect(growthWords(few, 0)).toBe("Not enough to say: no weeks recorded enough, 3 are needed.");
  });
});
