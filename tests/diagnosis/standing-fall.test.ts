import { describe, expect, it } from "vitest";
import { standingFall } from "../../src/diagnosis/link-changes.ts";
import type { LinkFrame } from "../../src/diagnosis/link-frame.ts";
import { SHED } from "../simulate/small-site.ts";
import { courseOf } from "./link-site.ts";

const MINUTE_US = 60e6;
const plain = (words: string | undefined) => words?.replaceAll("\u202F", " ");

/** A frame every 2 min from midnight, 1 Jan 1970, at SF12 (floor −20 dB); the level and −1, 0, 1, 0 dB in turn. */
function framesOf(minutes: number, levelAt: (minute: number) => number): LinkFrame[] {
  return Array.from({ length: minutes / 2 }, (_, i) => ({
    atUs: i * 2 * MINUTE_US,
    counter: i,
    spreadingFactor: 12,
    bandwidthHz: 125_000,
    frequencyHz: 868_100_000,
    snrDb: levelAt(i * 2) + ([-1, 0, 1, 0][i % 4] ?? 0),
    rssiDbm: -110,
    signalRssiDbm: null,
    frequencyOffsetHz: null,
  }));
}

const stepAt = (minute: number, sizeDb: number) => (now: number) => (now < minute ? 0 : sizeDb);
/** From 0 dB at 3:00 to −16 dB at 3:40. */
const ramp = (now: number) => -16 * Math.min(1, Math.max(0, (now - 180) / 40));

describe("a fall that holds", () => {
  it("over 40 minutes, 2 h 20 min before the end, is told with size, interval, begin and end", () => {
    const fall = standingFall(framesOf(360, ramp));
    expect(fall).toMatchObject({ measure: "snr", atLeast: false, withDataRateChange: false });
    expect(fall?.sizeDb).toBeCloseTo(-16, 0);
    const [low, high] = fall?.sizeInterval95 ?? [0, 0];
    expect(low).toBeLessThanOrEqual(-16);
    expect(high).toBeGreaterThanOrEqual(-16);
    expect(high - low).toBeLessThan(4);
    const minuteOf = (iso: string | undefined) => Date.parse(iso ?? "") / 60e3;
    expect(Math.abs(minuteOf(fall?.notBefore) - 180)).toBeLessThanOrEqual(20);
    expect(Math.abs(minuteOf(fall?.notAfter) - 220)).toBeLessThanOrEqual(20);
    expect(fall?.heldSeconds).toBe(358 * 60 - minuteOf(fall?.notAfter) * 60);
    expect(plain(fall?.sentence)).toMatch(
      /^SNR fell by 1\d\.\d dB \(1\d\.\d to 1\d\.\d\) between 0[23]:\d\d UTC on 1 Jan and 03:\d\d UTC on 1 Jan\.$/,
    );
    expect(plain(fall?.clause)).toMatch(
      /^SNR fell by 1\d\.\d dB \(1\d\.\d to 1\d\.\d\) and has stayed low for 2 h \d+ min$/,
    );
  });

  it("counts from 6 dB on", () => {
    expect(standingFall(framesOf(360, stepAt(180, -5)))).toBeNull();
    expect(standingFall(framesOf(360, stepAt(180, -7)))?.sizeDb).toBe(-7);
    expect(standingFall(framesOf(360, stepAt(180, 7)))).toBeNull();
  });

  it("counts from an hour on", () => {
    expect(standingFall(framesOf(360, stepAt(310, -8)))).toBeNull();
    expect(standingFall(framesOf(360, stepAt(290, -8)))?.sizeDb).toBe(-8);
  });

  it("that was taken back is none, wholly or for the most part", () => {
    const until = (backDb: number) => (now: number) => (now < 120 ? 0 : now < 240 ? -12 : backDb);
    expect(standingFall(framesOf(360, until(0)))).toBeNull();
    expect(standingFall(framesOf(360, until(-4)))).toBeNull();
    expect(standingFall(framesOf(360, until(-8)))?.sizeDb).toBeLessThanOrEqual(-8);
  });

  it("of a slow change is believed only where it is large", () => {
    const slow = (now: number) => (8 / 16) * ramp(now);
    expect(standingFall(framesOf(360, slow))).toBeNull();
    expect(standingFall([])).toBeNull();
  });

  it("is told in at most one of 416 windows of 6 h, and of 104 days, of sound simulated links", () => {
    const links = [
      { rhythmSeconds: 120, pathGainDb: { [SHED]: -134 } },
      { rhythmSeconds: 300, pathGainDb: { [SHED]: -125 }, slowFadingDb: 2.5, slowFadingMinutes: 60 },
      { rhythmSeconds: 120, pathGainDb: { [SHED]: -140.5 }, fastFadingDb: 2.5 },
      { rhythmSeconds: 240, pathGainDb: { [SHED]: -104 }, slowFadingDb: 2, slowFadingMinutes: 120 },
    ];
    const told = { 6: 0, 24: 0 };
    for (const [index, link] of links.entries()) {
      const { frames } = courseOf({ hours: 26 * 24, seed: index + 20, ...link });
      for (const hours of [6, 24] as const)
        for (let fromUs = 0; fromUs < 26 * 24 * 3.6e9; fromUs += hours * 3.6e9) {
          const own = frames.filter(({ atUs }) => atUs >= fromUs && atUs < fromUs + hours * 3.6e9);
          if (standingFall(own) !== null) told[hours] += 1;
        }
    }
    console.info(`falls told of sound simulated links: ${told[6]} of 416 windows, ${told[24]} of 104 days`);
    expect(told[6]).toBeLessThanOrEqual(1);
    expect(told[24]).toBeLessThanOrEqual(1);
  });
});
