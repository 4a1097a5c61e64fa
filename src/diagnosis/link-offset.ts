/** How far are the crystals of node and gateway apart, and does it grow? */
import type { FrequencyOffsetFigure } from "../contract/link.ts";
import {
  frequencyOffsetLimitHz,
  frequencyOffsetPpm,
  frequencyOffsetWarningHz,
} from "../radio/frequency-offset.ts";
import { median } from "../statistics/robust.ts";
import { trendOf } from "../statistics/trend.ts";
import type { LinkFrame } from "./link-frame.ts";
import { withUnit } from "./link-words.ts";

/** A drift counts from 500 Hz over the window on (chosen: a TCXO moves less between seasons at 868 MHz). */
const OFFSET_RULE = { mostP: 0.01, leastChange: 500, leastSpanDays: 7 };

/** null when no frame has one: SX1301 forwarders give none. */
export function offsetOf(frames: readonly LinkFrame[]): FrequencyOffsetFigure | null {
  const told = frames.flatMap(({ atUs, frequencyOffsetHz, frequencyHz, bandwidthHz }) =>
    frequencyOffsetHz === null ? [] : [{ tUs: atUs, value: frequencyOffsetHz, frequencyHz, bandwidthHz }],
  );
  const medianHz = median(told.map(({ value }) => value));
  const last = told.at(-1);
  if (medianHz === null || last === undefined || last.bandwidthHz === null) return null;
  const carrierHz = median(told.flatMap(({ frequencyHz }) => (frequencyHz === null ? [] : [frequencyHz])));
  const limitHz = frequencyOffsetLimitHz(last.bandwidthHz);
  const away = Math.abs(medianHz);
  const standing =
    away >= limitHz ? "bad" : away >= frequencyOffsetWarningHz(last.bandwidthHz) ? "look" : "good";
  const ppm = carrierHz === null ? 0 : frequencyOffsetPpm(medianHz, carrierHz);
  const trend = trendOf(told, OFFSET_RULE);
  const drift = trend.significant ? ` It drifts by ${withUnit(trend.slopePerDay ?? 0, "Hz a day", 0)}.` : "";
  const of = `${Math.round((away / limitHz) * 100)}\u202F% of the ${withUnit(limitHz / 1000, "kHz", 1)} at which 3\u202FdB are lost`;
  return {
    count: told.length,
    medianHz: Math.round(medianHz),
    ppm: Math.round(ppm * 100) / 100,
    limitHz,
    slopePerDayHz: trend.slopePerDay,
    standing,
    words: `${withUnit(medianHz, "Hz", 0)} (${withUnit(ppm, "ppm", 2)}), node and gateway together: ${of}.${drift}`,
  };
}
