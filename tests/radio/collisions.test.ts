import { describe, expect, it } from "vitest";
import {
  CAPTURE_GOURSAUD_2015,
  channelCollisions,
  expectedCollisions,
  type LoadClass,
  lossToOthers,
  thinLevels,
} from "../../src/radio/collisions.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";

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

describe("the share of one node's frames that others should spoil", () => {
  const own = [load(7, 50_000, 6), load(9, 200_000, 2)];
  // 360 frames of 100 ms and 36 of 1 s in an hour: 1e-7 and 1e-8 a microsecond.
  const others = [load(7, 100_000, 360), load(12, 1_000_000, 36)];
  const alike = (...factors: number[]) => new Map(factors.map((sf) => [sf, levels(0, 10)]));
  const both = { own: alike(7, 9), others: alike(7, 12) };

  it("in ALOHA meets only the others of its own data rate, frame by frame", () => {
    const { aloha } = lossToOthers(own, others, both, HOUR_US);
    // SF7: 1e-7 × (50 000 + 100 000) = 0.015; nobody else sends at SF9. Six of eight frames are SF7.
    expect(aloha).toBeCloseTo((6 / 8) * (1 - Math.exp(-0.015)), 12);
  });

  it("with capture is spoilt by equal levels of one spreading factor and not across them", () => {
    const loss = lossToOthers(own, others, both, HOUR_US);
    // At 0 dB: SF7 against SF7 needs 6 and 1 dB; SF7 against SF12 −20 and −9; SF9 against SF7 −27 and −15, SF12 −25, −15.
    const expected = (6 / 8) * (1 - Math.exp(-0.015));
    expect(loss.captureTheory).toBeCloseTo(expected, 12);
    expect(loss.captureMeasured).toBeCloseTo(expected, 12);
  });

  it("with capture counts the pairs of levels that lie too close: 1 of 10 by Goursaud, none by Croce", () => {
    // Own level −100; nine of the others lie 10 dB below it and one 3 dB below: that one spoils it under 6 dB only.
    const near = {
      own: new Map([[7, Array<number>(10).fill(-100)]]),
      others: new Map([[7, [...Array<number>(9).fill(-110), -103]]]),
    };
    const loss = lossToOthers([load(7, 50_000, 6)], [load(7, 100_000, 360)], near, HOUR_US);
    expect(loss.captureTheory).toBeCloseTo(1 - Math.exp(-0.0015), 12);
    expect(loss.captureMeasured).toBe(0);
  });

  it("with capture is lost across spreading factors to one that is 12 dB stronger, by Croce alone", () => {
    const loud = {
      own: new Map([[7, Array<number>(10).fill(-110)]]),
      others: new Map([[12, Array<number>(10).fill(-98)]]),
    };
    const loss = lossToOthers([load(7, 50_000, 6)], [load(12, 1_000_000, 36)], loud, HOUR_US);
    // SF7 against SF12: −9 dB as measured, −20 in theory. 1e-8 × (50 000 + 1 000 000)
    expect(loss).toEqual({
      aloha: 0,
      captureTheory: 0,
      captureMeasured: expect.closeTo(1 - Math.exp(-0.0105), 12),
    });
  });

  it("is 0 without frames, and null with capture from nine levels on either side or without LoRa", () => {
    expect(lossToOthers([], others, both, HOUR_US).aloha).toBe(0);
    expect(lossToOthers(own, [], both, HOUR_US)).toEqual({ aloha: 0, captureTheory: 0, captureMeasured: 0 });
    const few = new Map([[7, levels(0, 9)]]);
    const seven = [load(7, 50_000, 6)];
    const loss = (ofOwn: Map<number, number[]>, ofOthers: Map<number, number[]>) =>
      lossToOthers(seven, seven, { own: ofOwn, others: ofOthers }, HOUR_US);
    expect(loss(few, alike(7))).toMatchObject({ captureTheory: null, captureMeasured: null });
    expect(loss(alike(7), few)).toMatchObject({ captureTheory: null, captureMeasured: null });
    expect(loss(alike(7), new Map()).captureTheory).toBeNull();
    expect(loss(new Map(), alike(7)).captureTheory).toBeNull();
    expect(loss(alike(7), alike(7)).captureTheory).toBeGreaterThan(0);
    const fsk = { dataRate: 7, spreadingFactor: null, bandwidthHz: 125_000, airtimeUs: 50_000, count: 6 };
    expect(lossToOthers([fsk], seven, both, HOUR_US).captureTheory).toBeNull();
    expect(lossToOthers(seven, [fsk], both, HOUR_US).captureTheory).toBeNull();
    const sf6 = { ...fsk, spreadingFactor: 6 };
    expect(lossToOthers([sf6], seven, both, HOUR_US).captureTheory).toBeNull();
  });

  it("is nothing to another bandwidth of another data rate", () => {
    const wide = { ...load(12, 1_000_000, 36), bandwidthHz: 500_000 };
    const loss = lossToOthers([load(7, 50_000, 6)], [wide], both, HOUR_US);
    expect(loss).toEqual({ aloha: 0, captureTheory: 0, captureMeasured: 0 });
    const rows = expectedCollisions([load(7, 50_000, 6), wide], alike(7, 12), HOUR_US);
    // Also where it is 40 dB stronger than anything needs: the tables do not speak of it.
    const loud = new Map([
      [7, levels(0, 10)],
      [12, levels(0, 10).map((level) => level + 40)],
    ]);
    const [far] = expectedCollisions([load(7, 50_000, 6), wide], loud, HOUR_US);
    expect(far?.captureTheory).toBeCloseTo(1 - Math.exp(-1 / 6000), 12);
    // Each alone: 6/3.6e9 × 100 000 and 36/3.6e9 × 2 000 000.
    expect(rows[0]?.captureTheory).toBeCloseTo(1 - Math.exp(-1 / 6000), 12);
    expect(rows[1]?.captureTheory).toBeCloseTo(1 - Math.exp(-0.02), 12);
  });
});

describe("a channel's collisions over all data rates", () => {
  const row = (
    frames: number,
    aloha: number,
    captureTheory: number | null,
    captureMeasured: number | null,
  ) => ({
    dataRate: 7,
    frames,
    offeredErlang: 0.1,
    aloha,
    captureTheory,
    captureMeasured,
  });

  it("are the mean over frames, null where one data rate lacks the figure", () => {
    // (30 × 0.2 + 10 × 0.4) / 40, (30 × 0.1 + 10 × 0.3) / 40
    expect(channelCollisions([row(30, 0.2, 0.1, null), row(10, 0.4, 0.3, 0.1)])).toEqual({
      aloha: expect.closeTo(0.25, 12),
      captureTheory: expect.closeTo(0.15, 12),
      captureMeasured: null,
    });
    expect(channelCollisions([row(30, 0.2, 0.1, 0.1), row(10, 0.4, null, 0.3)])).toEqual({
      aloha: expect.closeTo(0.25, 12),
      captureTheory: null,
      captureMeasured: expect.closeTo(0.15, 12),
    });
    expect(channelCollisions([row(0, 0, 0, 0)])).toBeNull();
  });
});

describe("levels to compare", () => {
  it("are sorted, and of more than 64 every part of the order gives one", () => {
    const ramp = (count: number) => Array.from({ length: count }, (_, i) => count - 1 - i);
    expect(thinLevels(new Map([[7, [-90, -110, -100]]])).get(7)).toEqual([-110, -100, -90]);
    expect(thinLevels(new Map([[7, ramp(64)]])).get(7)).toEqual(ramp(64).reverse());
    // Of 128 values 0 to 127 the (i + ½) × 2th each: 1, 3, 5 … 127.
    expect(thinLevels(new Map([[7, ramp(128)]])).get(7)).toEqual(
      Array.from({ length: 64 }, (_, i) => 2 * i + 1),
    );
    expect(thinLevels(new Map([[7, ramp(65)]])).get(7)).toHaveLength(64);
  });
});
