import { describe, expect, it } from "vitest";
import {
  CAPTURE_GOURSAUD_2015,
  channelCollisions,
  expectedCollisions,
  type LoadClass,
} from "../../src/radio/collisions.ts";
import { createRandom } from "../../src/simulate/random.ts";

const HOUR_US = 3.6e9;

function load(spreadingFactor: number, airtimeUs: number, count: number): LoadClass {
  return { dataRate: spreadingFactor, spreadingFactor, bandwidthHz: 125_000, airtimeUs, count };
}

/** Levels from -120 dBm upwards, evenly spread over so many dB. */
function levels(spreadDb: number, n = 50): number[] {
  return Array.from({ length: n }, (_, i) => -120 + (spreadDb * i) / (n - 1));
}

describe("the share of frames that others should spoil", () => {
  it("is 1 - exp(-2G) when all frames last as long, and less by capture the more their levels differ", () => {
    // 3,600 frames of 100 ms in an hour: 0.1 Erlang.
    const [one] = expectedCollisions([load(7, 100_000, 3600)], new Map([[7, levels(40)]]), HOUR_US);
    expect(one?.offeredErlang).toBeCloseTo(0.1, 12);
    expect(one?.aloha).toBeCloseTo(1 - Math.exp(-0.2), 12);
    const alike = expectedCollisions([load(7, 100_000, 3600)], new Map([[7, levels(0.5)]]), HOUR_US)[0];
    // Levels within half a dB: nobody is 1 dB stronger, so capture saves nothing.
    expect(alike?.captureMeasured).toBeCloseTo(1 - Math.exp(-0.2), 12);
    expect(one?.captureMeasured).toBeLessThan(one?.captureTheory ?? 0);
    expect(one?.captureTheory).toBeLessThan(one?.aloha ?? 0);
  });

  it("counts a long frame's longer exposure: exp(-sum of rate x (Ti + Tj))", () => {
    const classes = [load(9, 100_000, 360), load(9, 300_000, 36)];
    const [one] = expectedCollisions(classes, new Map(), HOUR_US);
    const short = 1 - Math.exp(-(0.1 * 0.2 + 0.01 * 0.4));
    const long = 1 - Math.exp(-(0.1 * 0.4 + 0.01 * 0.6));
    expect(one?.aloha).toBeCloseTo((360 * short + 36 * long) / 396, 12);
  });

  it("lets spreading factors pass each other in ALOHA, and lets a far stronger one spoil them with capture", () => {
    const classes = [load(7, 100_000, 3600), load(12, 1_000_000, 36)];
    const near = new Map([
      [7, levels(0, 20)],
      [12, levels(0, 20).map((level) => level + 40)],
    ]);
    const [seven, twelve] = expectedCollisions(classes, near, HOUR_US);
    expect(seven?.aloha).toBeCloseTo(1 - Math.exp(-0.2), 12);
    // 40 dB is more than any least ratio: every overlap with SF12 spoils SF7, none with SF7 spoils SF12.
    expect(seven?.captureTheory).toBeCloseTo(1 - Math.exp(-(0.2 + 0.01 * 1.1)), 12);
    expect(twelve?.captureTheory).toBeCloseTo(1 - Math.exp(-0.01 * 2), 12);
  });

  it("says nothing of capture from fewer than ten levels, nor of what is no LoRa", () => {
    const fsk = { dataRate: -50_000, spreadingFactor: null, bandwidthHz: 0, airtimeUs: 5_000, count: 10 };
    const [few] = expectedCollisions([load(7, 50_000, 10)], new Map([[7, levels(20, 9)]]), HOUR_US);
    const [bits] = expectedCollisions([fsk], new Map([[-50_000, levels(20)]]), HOUR_US);
    expect([few?.captureTheory, bits?.captureTheory]).toEqual([null, null]);
    expect(bits?.aloha).toBeGreaterThan(0);
    expect(channelCollisions([])).toBeNull();
  });

  it("is what a drawn schedule loses, overlap by overlap", () => {
    // An hour of random starts on one channel, each frame judged against every other that overlaps it.
    const random = createRandom(5);
    const kinds = [
      { sf: 7, airtimeUs: 60_000, count: 3000, from: -115, spread: 30 },
      { sf: 9, airtimeUs: 200_000, count: 900, from: -122, spread: 40 },
    ];
    const frames = kinds
      .flatMap(({ sf, airtimeUs, count, from, spread }) =>
        Array.from({ length: count }, () => ({
          sf,
          airtimeUs,
          startUs: random.uniform() * HOUR_US,
          level: from + random.uniform() * spread,
        })),
      )
      .sort((a, b) => a.startUs - b.startUs);
    const lost = (isSpoilt: (a: (typeof frames)[0], b: (typeof frames)[0]) => boolean) =>
      frames.filter((a, i) => {
        for (let j = i + 1; j < frames.length; j++) {
          const b = frames[j];
          if (b === undefined || b.startUs >= a.startUs + a.airtimeUs) break;
          if (isSpoilt(a, b)) return true;
        }
        for (let j = i - 1; j >= 0; j--) {
          const b = frames[j];
          if (b === undefined || b.startUs < a.startUs - 200_000) break;
          if (b.startUs + b.airtimeUs > a.startUs && isSpoilt(a, b)) return true;
        }
        return false;
      }).length / frames.length;
    const levelsOf = (sf: number) => frames.filter((one) => one.sf === sf).map(({ level }) => level);
    const expected = channelCollisions(
      expectedCollisions(
        kinds.map(({ sf, airtimeUs, count }) => load(sf, airtimeUs, count)),
        new Map([7, 9].map((sf) => [sf, levelsOf(sf)])),
        HOUR_US,
      ),
    );
    expect(expected?.aloha).toBeCloseTo(
      lost((a, b) => a.sf === b.sf),
      1.7,
    );
    const byTheory = lost(
      (a, b) => a.level - b.level < (CAPTURE_GOURSAUD_2015[a.sf - 7]?.[b.sf - 7] ?? Number.NaN),
    );
    expect(Math.abs((expected?.captureTheory ?? 1) - byTheory)).toBeLessThan(0.015);
  });
});
