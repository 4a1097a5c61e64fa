import { describe, expect, it } from "vitest";
import {
  type ChangingNode,
  type DataRateChange,
  dataRateChanges,
  keepsShare,
} from "../../src/diagnosis/data-rate-change.ts";
import { type Source, Traffic } from "../../src/radio/capacity/exposure.ts";

const CHANNEL = 868_100_000;
const NOBODY = new Traffic([]);

/** Forty frames of 20 octets at SF10, each at `marginDb` over the floor; 144 a day. */
function node(marginDb: number, over: Partial<ChangingNode> = {}): ChangingNode {
  return {
    frames: Array.from({ length: 40 }, () => ({
      frequencyHz: CHANNEL,
      spreadingFactor: 10,
      bandwidthHz: 125_000,
      airtimeUs: 370_688,
      levelsDbm: new Map([[1, -110]]),
      size: 20,
      codingRate: "4/5" as const,
    })),
    outcomes: Array<number>(40).fill(marginDb),
    repeats: 1,
    framesADay: 144,
    ...over,
  };
}

function changes(of: ChangingNode, traffic = NOBODY): DataRateChange[] {
  const found = dataRateChanges(of, traffic);
  if (typeof found === "string") throw new Error(found);
  return [...found];
}

describe("a faster data rate of one node", () => {
  it("frees the difference of the airtimes, frame by frame, at each step", () => {
    const steps = changes(node(15));
    // 20 octets, explicit header, CRC, 4/5: 12.25 + 33, 33, 38 and 43 symbols.
    expect(steps.map((one) => [one.toSpreadingFactor, one.airtimeMsThen])).toEqual([
      [9, 185.344],
      [8, 102.912],
      [7, 56.576],
    ]);
    expect(steps[0]?.airtimeMs).toBe(370.688);
    // 144 × (370.688 − 56.576) ms
    expect(steps[2]?.freedSecondsADay).toBeCloseTo(45.232_128, 6);
  });

  it("keeps a node far above the floor, and loses one that has no margin left", () => {
    for (const one of changes(node(15))) {
      expect(one.wouldBe).toBeGreaterThan(0.99);
      expect(keepsShare(one, 0.95)).toBe(true);
    }
    // 4 dB over the floor less 7.5 dB: 3.5 dB below it, 1 of 100 frames is read (knee of 0.75 dB).
    const [, , third] = changes(node(4));
    expect(third?.wouldBe).toBeLessThan(0.02);
    expect(third !== undefined && keepsShare(third, 0.95)).toBe(false);
  });

  it("meets the traffic of the data rate that it changes to", () => {
    const crowd: Source = {
      frequencyHz: CHANNEL,
      spreadingFactor: 9,
      bandwidthHz: 125_000,
      airtimeUs: 185_344,
      levelsDbm: new Map([[1, -110]]),
      ratePerUs: 1e-6,
    };
    const [toNine] = changes(node(15), new Traffic([crowd]));
    // One a second, as strong: 1e-6 × (185 344 + 185 344) spoilers expected.
    expect(toNine?.wouldBe).toBeCloseTo(Math.exp(-0.370_688), 3);
  });

  it("is not told where counters or modulation cannot tell it", () => {
    const fast = node(15).frames.map((frame) => ({ ...frame, spreadingFactor: 7 }));
    const wide = node(15).frames.map((frame) => ({ ...frame, bandwidthHz: 500_000 }));
    expect(dataRateChanges(node(15, { frames: fast }), NOBODY)).toBe("fastest already");
    expect(dataRateChanges(node(15, { frames: wide }), NOBODY)).toBe("not LoRa at 125 kHz");
    expect(dataRateChanges(node(15, { frames: [...fast, ...node(15).frames] }), NOBODY)).toBe(
      "changes itself",
    );
    expect(dataRateChanges(node(15, { repeats: 2 }), NOBODY)).toBe("repeats");
    expect(dataRateChanges(node(15, { outcomes: [15] }), NOBODY)).toBe("few frames");
    expect(dataRateChanges(node(15, { frames: [] }), NOBODY)).toBe("few frames");
  });
});
