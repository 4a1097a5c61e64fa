/** Does a link get better or worse, in plain words? */
import type { LinkTrend } from "../contract/link.ts";
import { TREND_RULE, trendOf } from "../statistics/trend.ts";
import { type LinkFrame, levelSeries } from "./link-frame.ts";
import { decibels, pWords } from "./link-words.ts";

/**
 * Theil-Sen slope of hourly or daily medians with Mann-Kendall significance, widened for autocorrelation. `steps`: how
 * many level shifts were found: a step fools a slope, and is said first.
 */
export function linkTrend(frames: readonly LinkFrame[], steps: number): LinkTrend {
  const { measure, points } = levelSeries(frames);
  const trend = trendOf(points);
  const { slopePerDay, slopeLow, slopeHigh, p, spanDays } = trend;
  const shared = {
    measure,
    slopePerDay,
    interval95: slopeLow === null || slopeHigh === null ? null : ([slopeLow, slopeHigh] as [number, number]),
    p,
    points: trend.points,
    effectivePoints: trend.effectivePoints,
    spanDays,
  };
  if (slopePerDay === null || p === null || spanDays < TREND_RULE.leastSpanDays)
    return { ...shared, verdict: "not enough", words: trend.reason };
  const size = `${slopePerDay > 0 ? "+" : ""}${decibels(slopePerDay, 2)} a day`;
  const basis = `${trend.points} medians worth ${Math.round(trend.effectivePoints ?? 0)}, ${pWords(p)}`;
  if (!trend.significant)
    return { ...shared, verdict: "no trend", words: `${trend.reason} (${size}; ${basis}.)` };
  const step = steps === 0 ? "" : " The level stepped in this window, and a step makes a slope.";
  return {
    ...shared,
    verdict: slopePerDay < 0 ? "falls" : "rises",
    words: `${slopePerDay < 0 ? "Falls" : "Rises"} by ${decibels(Math.abs(slopePerDay), 2)} a day (${basis}).${step}`,
  };
}
