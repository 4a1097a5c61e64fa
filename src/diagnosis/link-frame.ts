/** What is known of one transmission of a node as one gateway heard it, and at which level? */
import { linkMarginDb } from "../radio/margin.ts";
import { chooseSignalPowerSource, type PowerReadings, signalPowerDbm } from "../radio/noise.ts";
import { quantile, type TimedValue } from "../statistics/robust.ts";

/** The best antenna's hearing of a transmission. */
export interface LinkFrame extends PowerReadings {
  readonly atUs: number;
  readonly counter: number;
  /** null: no LoRa. */
  readonly spreadingFactor: number | null;
  readonly bandwidthHz: number | null;
  readonly frequencyHz: number | null;
  readonly frequencyOffsetHz: number | null;
}

export type LevelMeasure = "snr" | "signal-power" | "channel-rssi";

/** As they stand within a sentence. */
export const MEASURE_NAMES: Readonly<Record<LevelMeasure, string>> = {
  snr: "SNR",
  "signal-power": "signal power",
  "channel-rssi": "RSSI",
};

export interface LevelSeries {
  readonly measure: LevelMeasure;
  readonly points: readonly TimedValue[];
}

/** SNR above which the estimate saturates, dB. Common practice, no source. */
export const SATURATED_DB = 5;
/** So much of the frames above it, and the signal's power judges in place of SNR (chosen). */
const SATURATED_SHARE = 0.25;

/** SNR that the floors speak of, in 125 kHz: half the bandwidth holds half the noise. */
const USUAL_BANDWIDTH_HZ = 125_000;

/** Margin over the floor of the frame's own spreading factor, dB, to a tenth; null where there is none. */
export function marginOf({ snrDb, spreadingFactor }: LinkFrame): number | null {
  const margin = spreadingFactor === null ? null : linkMarginDb(snrDb, spreadingFactor);
  return margin === null ? null : Math.round(margin * 10) / 10;
}

/** SNR as it would be in 125 kHz, so that a change of bandwidth is no change of the link. */
export function levelSnrDb({ snrDb, bandwidthHz }: LinkFrame): number | null {
  if (snrDb === null) return null;
  return snrDb + 10 * Math.log10((bandwidthHz ?? USUAL_BANDWIDTH_HZ) / USUAL_BANDWIDTH_HZ);
}

/** By SNR while it can be believed, else by the power of the signal; FSK by the channel's RSSI. */
export function levelSeries(frames: readonly LinkFrame[]): LevelSeries {
  const snr = snrSeries(frames);
  if (snr.length === 0) return { measure: "channel-rssi", points: powerSeries(frames) };
  const high =
    quantile(
      snr.map(({ value }) => value),
      1 - SATURATED_SHARE,
    ) ?? 0;
  const power = powerSeries(frames);
  return high > SATURATED_DB && power.length >= snr.length / 2
    ? { measure: "signal-power", points: power }
    : { measure: "snr", points: snr };
}

export function snrSeries(frames: readonly LinkFrame[]): TimedValue[] {
  return frames.flatMap((frame) => {
    const value = levelSnrDb(frame);
    return value === null ? [] : [{ tUs: frame.atUs, value }];
  });
}

/** One figure of power for the whole series, never two mixed. */
export function powerSeries(frames: readonly LinkFrame[]): TimedValue[] {
  const source = chooseSignalPowerSource(frames);
  return frames.flatMap((frame) => {
    const value = signalPowerDbm(frame, source);
    return value === null ? [] : [{ tUs: frame.atUs, value }];
  });
}

const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/** "09:40 UTC on 14 Mar": for readers of JSON and of commands; the dashboard writes local time. */
export function momentUtc(atUs: number): string {
  const at = new Date(Math.round(atUs / 60e6) * 60e3);
  return `${at.toISOString().slice(11, 16)} UTC on ${at.getUTCDate()} ${MONTHS[at.getUTCMonth()] ?? ""}`;
}
