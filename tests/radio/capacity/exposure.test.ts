import { describe, expect, it } from "vitest";
import {
  type Exposure,
  type HeardSignal,
  type Source,
  Traffic,
} from "../../../src/radio/capacity/exposure.ts";

const CHANNEL = 868_100_000;
const frame = (levels: [number, number][], over: Partial<HeardSignal> = {}): HeardSignal => ({
  frequencyHz: CHANNEL,
  spreadingFactor: 9,
  bandwidthHz: 125_000,
  airtimeUs: 164_864,
  levelsDbm: new Map(levels),
  ...over,
});
/** One transmission every 100 s. */
const source = (levels: [number, number][], over: Partial<HeardSignal> = {}): Source => ({
  ...frame(levels, over),
  ratePerUs: 1e-8,
});

function exposureTo(one: HeardSignal, sources: readonly Source[]): Exposure {
  const [exposure] = new Traffic(sources).exposuresOf(one);
  if (exposure === undefined) throw new Error("One way of sending has one exposure.");
  return exposure;
}

describe("the spoilers that one frame expects", () => {
  it("are rate times both lengths where the other is as strong", () => {
    const { least, theory, most } = exposureTo(frame([[1, -110]]), [source([[1, -110]])]);
    // 1e-8 × (164 864 + 164 864)
    for (const spoilers of [least, theory, most]) expect(spoilers).toBeCloseTo(0.003_297_28, 9);
  });

  it("lie between the two tables from 1 to 6 dB, and an earlier frame still holds the demodulator", () => {
    const { least, theory, most } = exposureTo(frame([[1, -107]]), [source([[1, -110]])]);
    expect([least, theory > 0, most]).toEqual([0, true, theory]);
    const strong = exposureTo(frame([[1, -100]]), [source([[1, -110]])]);
    expect([strong.least, strong.theory]).toEqual([0, 0]);
    // Three symbols of 4 096 µs at either end: 1e-8 × (164 864 − 2 × 12 288).
    expect(strong.most).toBeCloseTo(0.001_402_88, 9);
  });

  it("are none on another channel or bandwidth, nor where no table calls it lost across spreading factors", () => {
    const own = frame([[1, -110]], { spreadingFactor: 8, airtimeUs: 100_000 });
    for (const other of [
      source([[1, -110]], { frequencyHz: 868_300_000 }),
      source([[1, -110]], { bandwidthHz: 250_000 }),
      source([[1, -99.5]], { spreadingFactor: 7 }),
    ])
      expect(exposureTo(own, [other])).toEqual({ least: 0, theory: 0, most: 0 });
    // Croce: SF8 needs −11 dB against SF7; Goursaud −24 dB. At −12 dB the tables differ.
    const loud = exposureTo(own, [source([[1, -98]], { spreadingFactor: 7, airtimeUs: 50_000 })]);
    expect([loud.least, loud.theory]).toEqual([0, 0]);
    expect(loud.most).toBeCloseTo(0.0015, 12);
  });

  it("must spoil the frame at every gateway that heard it", () => {
    const both = frame([
      [1, -110],
      [2, -120],
    ]);
    expect(exposureTo(both, [source([[1, -90]])]).theory).toBe(0);
    const atBoth = source([
      [1, -90],
      [2, -100],
    ]);
    expect(exposureTo(both, [atBoth]).theory).toBeGreaterThan(0);
    // Far stronger at the second one: that gateway keeps it.
    const kept = frame([
      [1, -110],
      [2, -80],
    ]);
    expect(exposureTo(kept, [atBoth]).theory).toBe(0);
  });

  it("are none for a frame without a level, and add up over the sources", () => {
    expect(exposureTo(frame([]), [source([[1, -110]])])).toEqual({ least: 0, theory: 0, most: 0 });
    const own = frame([[1, -110]], { airtimeUs: 100_000 });
    const two = exposureTo(own, [
      source([[1, -110]], { airtimeUs: 50_000 }),
      source([[1, -105]], { airtimeUs: 200_000 }),
    ]);
    // 1e-8 × (100 000 + 50 000) + 1e-8 × (100 000 + 200 000)
    for (const spoilers of [two.least, two.theory, two.most]) expect(spoilers).toBeCloseTo(0.0045, 12);
  });

  it("outside SF7 to SF12 need the ratio of one spreading factor: 6 dB by theory, 1 dB as measured", () => {
    const own = frame([[1, -107]], { spreadingFactor: 6, airtimeUs: 20_000 });
    const other = source([[1, -110]], { spreadingFactor: 6, airtimeUs: 20_000 });
    const { least, theory, most } = exposureTo(own, [other]);
    expect([least, theory, most]).toEqual([0, expect.closeTo(0.0004, 12), expect.closeTo(0.0004, 12)]);
    // Just as strong as needed survives: 6 dB and 1 dB.
    const six = exposureTo(frame([[1, -104]]), [source([[1, -110]])]);
    expect([six.least, six.theory]).toEqual([0, 0]);
    const one = exposureTo(frame([[1, -109]]), [source([[1, -110]])]);
    expect([one.least, one.theory > 0]).toEqual([0, true]);
  });

  it("that last no longer than the harmless symbols at both ends do not hold the demodulator", () => {
    // SF9 at 125 kHz: 3 symbols are 12 288 µs, twice that 24 576 µs.
    const strong = frame([[1, -90]]);
    const most = (airtimeUs: number) => exposureTo(strong, [source([[1, -110]], { airtimeUs })]).most;
    expect(most(24_576)).toBe(0);
    expect(most(20_000)).toBe(0);
    expect(most(34_576)).toBeCloseTo(1e-4, 12);
    // A frame of another spreading factor holds another demodulator.
    expect(exposureTo(strong, [source([[1, -110]], { spreadingFactor: 12 })]).most).toBe(0);
  });

  it("leave a sender's own traffic out, and are asked for several ways of sending at once", () => {
    const node = {};
    const own = frame([[1, -110]]);
    const other = source([[1, -108]], { spreadingFactor: 8, airtimeUs: 90_000 });
    const traffic = new Traffic([{ ...source([[1, -110]]), sender: node }, other]);
    const faster = { spreadingFactor: 8, airtimeUs: 90_000 };
    expect(traffic.exposuresOf(own, [own, faster], node)).toEqual([
      exposureTo(own, [other]),
      exposureTo({ ...own, ...faster }, [other]),
    ]);
    expect(exposureTo({ ...own, ...faster }, [other]).theory).toBeCloseTo(0.0018, 9);
  });
});
