import { describe, expect, it } from "vitest";
import { TMST_PERIOD_US } from "../../src/radio/clock.ts";
import {
  counterDrift,
  type DriftReading,
  halfWidthPpm,
  secondsNeeded,
} from "../../src/radio/counter-drift.ts";

const START_US = 1_773_478_800_000_000;

/** Repeatable noise, even between 0 and 1. */
function noise(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    return state / 2 ** 32;
  };
}

interface Run {
  readonly ppm: number;
  readonly seconds: number;
  readonly count: number;
  readonly seed: number;
  readonly jitterMs?: number;
  readonly gateway?: (trueUs: number) => number | null;
}

/** Packets evenly over the time, each late by an exponential delay and by up to 10 ms of waiting for its fetch. */
function readings({ ppm, seconds, count, seed, jitterMs = 5, gateway = () => null }: Run): DriftReading[] {
  const random = noise(seed);
  return Array.from({ length: count }, (_, i) => {
    const elapsedUs = (i * seconds * 1e6) / count;
    const lateUs = 4_000 + 10_000 * random() - jitterMs * 1_000 * Math.log(1 - random());
    return {
      tmstUs: Math.floor(4_200_000_000 + elapsedUs * (1 + ppm / 1e6)) % TMST_PERIOD_US,
      atUs: Math.round(START_US + elapsedUs + lateUs),
      gatewayTimeUs: gateway(START_US + elapsedUs),
    };
  });
}

describe("the drift of a counter against arrival", () => {
  it("lies in its interval in at least 90 of 100 hours, and within 0.5 ppm in as many", () => {
    let inside = 0;
    let close = 0;
    for (let seed = 1; seed <= 100; seed += 1) {
      const ppm = (seed % 41) - 20;
      const drift = counterDrift([readings({ ppm, seconds: 3600, count: 1200, seed })]);
      if ((drift.lowPpm ?? 99) <= ppm && ppm <= (drift.highPpm ?? -99)) inside += 1;
      if (Math.abs((drift.ppm ?? 99) - ppm) <= 0.5) close += 1;
    }
    expect(inside).toBeGreaterThanOrEqual(90);
    expect(close).toBeGreaterThanOrEqual(90);
  });

  it("of half a day or more is told by the least delayed packet of each ten minutes as by all, to 0.02 ppm", () => {
    for (let seed = 1; seed <= 20; seed += 1) {
      const ppm = (seed % 41) - 20;
      const all = readings({ ppm, seconds: (10 + seed) * 3600, count: 4_000, seed });
      const prompt = new Map<number, DriftReading>();
      const lateOf = ({ atUs, tmstUs }: DriftReading) =>
        (((atUs - tmstUs) % TMST_PERIOD_US) + TMST_PERIOD_US) % TMST_PERIOD_US;
      for (const one of all) {
        const cell = Math.floor(one.atUs / 600e6);
        const known = prompt.get(cell);
        if (known === undefined || lateOf(one) < lateOf(known)) prompt.set(cell, one);
      }
      const whole = counterDrift([all]).ppm ?? 99;
      expect(Math.abs((counterDrift([[...prompt.values()]]).ppm ?? -99) - whole)).toBeLessThan(0.02);
    }
  });

  it("is one for all stretches between restarts", () => {
    const one = { ppm: 17, seconds: 1800, count: 900, jitterMs: 2 };
    const drift = counterDrift([readings({ ...one, seed: 3 }), readings({ ...one, seed: 4 })]);
    expect(Math.abs((drift.ppm ?? 99) - 17)).toBeLessThan(0.5);
    expect(drift.spanSeconds).toBeCloseTo(3596, -1);
  });

  it("is not told by a few packets, nor through a jitter that drowns it, and says how much longer it takes", () => {
    expect(counterDrift([])).toMatchObject({ ppm: null, lowPpm: null, readings: 0 });
    const few = counterDrift([readings({ ppm: 3, seconds: 3600, count: 7, seed: 5 })]);
    expect([few.ppm, few.lowPpm, secondsNeeded(few, 1)]).toEqual([null, null, null]);
    const drowned = counterDrift([readings({ ppm: 3, seconds: 600, count: 60, seed: 6, jitterMs: 40 })]);
    expect(drowned.ppm).toBeNull();
    expect(halfWidthPpm(drowned)).toBeGreaterThan(5);
    expect(secondsNeeded(drowned, 1)).toBeGreaterThan(1_500);
  });

  it("is not moved by a few packets that came seconds late", () => {
    const prompt = readings({ ppm: -8, seconds: 3600, count: 1200, seed: 7 });
    const mixed = prompt.map((one, i) => (i % 50 === 0 ? { ...one, atUs: one.atUs + 2_000_000 } : one));
    expect(Math.abs((counterDrift([mixed]).ppm ?? 99) + 8)).toBeLessThan(0.5);
  });
});

describe("the drift of a counter against the gateway's own time", () => {
  it("is told to a hundredth within minutes, however late the packets come", () => {
    const drift = counterDrift([
      readings({
        ppm: 1.25,
        seconds: 300,
        count: 40,
        seed: 8,
        jitterMs: 80,
        gateway: (us) => Math.round(us),
      }),
    ]);
    expect(drift.against).toBe("gateway-time");
    expect(Math.abs((drift.ppm ?? 99) - 1.25)).toBeLessThan(0.01);
  });

  it("is not taken where that time was read from a host's clock, or lies far from arrival", () => {
    const random = noise(9);
    const host = (us: number) => Math.round(us + 20_000 * random());
    const far = (us: number) => Math.round(us - 3_600_000_000);
    for (const gateway of [host, far]) {
      const drift = counterDrift([readings({ ppm: 6, seconds: 3600, count: 1200, seed: 10, gateway })]);
      expect(drift.against).toBe("arrival");
    }
  });
});

describe("what is known of a drift", () => {
  const known = {
    ppm: 1,
    lowPpm: -7,
    highPpm: 9,
    against: "arrival" as const,
    readings: 100,
    spanSeconds: 100,
  };

  it("is half its interval, and narrows with the span to the power of 3/2", () => {
    expect(halfWidthPpm(known)).toBe(8);
    // Eight times too wide: 8^(2/3) = 4 times the span; wide enough already: the span that passed.
    expect(secondsNeeded(known, 1)).toBeCloseTo(400, 9);
    expect(secondsNeeded(known, 8)).toBe(100);
    expect(secondsNeeded(known, 20)).toBe(100);
    expect(halfWidthPpm({ ...known, lowPpm: null })).toBeNull();
    expect(halfWidthPpm({ ...known, highPpm: null })).toBeNull();
  });

  it("of eight readings along a straight line is that line: 5 ppm over 7 s", () => {
    const line = Array.from({ length: 8 }, (_, i) => ({
      tmstUs: 1_000 + i * 1_000_005,
      atUs: START_US + i * 1_000_000,
      gatewayTimeUs: null,
    }));
    expect(counterDrift([line])).toEqual({
      ppm: expect.closeTo(5, 6),
      lowPpm: expect.closeTo(5, 6),
      highPpm: expect.closeTo(5, 6),
      against: "arrival",
      readings: 8,
      spanSeconds: 7,
    });
    expect(counterDrift([line.slice(0, 7)])).toMatchObject({ ppm: null, readings: 7, spanSeconds: 6 });
    // Against its own time, 2 ppm faster than arrival's clock, and within 5 s of it.
    const dated = line.map((one, i) => ({ ...one, gatewayTimeUs: START_US + i * 1_000_002 }));
    expect(counterDrift([dated])).toMatchObject({ against: "gateway-time", ppm: expect.closeTo(3, 4) });
    const far = dated.map((one) => ({ ...one, gatewayTimeUs: one.gatewayTimeUs + 5_000_001 }));
    expect(counterDrift([far]).against).toBe("arrival");
  });

  it("is told through a wide interval where it is ten times as large", () => {
    // Eight readings in 7 s, every second one 60 µs late: some ten ppm either way.
    const of = (ppm: number) =>
      counterDrift([
        Array.from({ length: 8 }, (_, i) => ({
          tmstUs: 1_000 + i * (1_000_000 + ppm),
          atUs: START_US + i * 1_000_000 + (i % 2) * 60,
          gatewayTimeUs: null,
        })),
      ]);
    expect(halfWidthPpm(of(1_000))).toBeGreaterThan(5);
    expect(halfWidthPpm(of(1_000))).toBeLessThan(50);
    expect(of(1_000).ppm).toBeGreaterThan(950);
    expect(of(1_000).ppm).toBeLessThan(1_050);
    expect(of(20).ppm).toBeNull();
  });
});
