import { describe, expect, it } from "vitest";
import { isOnTime, type NoiseMark, noisePulse } from "../../src/radio/noise-pulse.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";

const HOUR_US = 3.6e9;

/** Frames at random over six hours, one in 90 s, loud where `isOn` says so. */
function marks(isOn: (atS: number) => boolean, seed = 1): NoiseMark[] {
  const random = createRandom(seed, "marks");
  return Array.from({ length: 240 }, () => random.uniform() * 6 * 3600)
    .sort((a, b) => a - b)
    .map((atS) => ({ atUs: atS * 1e6, isLoud: isOn(atS) }));
}

describe("noise in pulses", () => {
  it("is told with its period and its share, on for 60 s of 300", () => {
    const pulse = noisePulse(marks((atS) => atS % 300 < 60));
    expect(pulse?.periodUs).toBeGreaterThan(299.5e6);
    expect(pulse?.periodUs).toBeLessThan(300.5e6);
    expect(pulse?.onShare).toBeCloseTo(0.2, 1);
    expect(pulse?.p).toBeLessThan(1e-6);
  });

  it("has no period in a single loud hour, nor in hours that come twice", () => {
    expect(noisePulse(marks((atS) => atS > 7200 && atS < 10_800))).toBeNull();
    expect(noisePulse(marks((atS) => Math.floor(atS / 5400) % 2 === 1))).toBeNull();
  });

  it("has no period that frames at even times cannot tell from another", () => {
    // One node, one frame in 40 s exactly: 300 s and 46.15 s mark the same frames.
    const even = Array.from({ length: 120 }, (_, i) => ({
      atUs: i * 40e6,
      isLoud: (i * 40) % 300 < 60,
    }));
    expect(noisePulse(even)).toBeNull();
    expect(noisePulse([])).toBeNull();
    expect(noisePulse([{ atUs: HOUR_US, isLoud: true }])).toBeNull();
  });
});

describe("a pulse from 240 frames over three hours", () => {
  /** At random, from a moment on. */
  const strewn = (isOn: (atS: number) => boolean, count = 240, fromS = 1_000_000): NoiseMark[] => {
    const random = createRandom(2, "strewn");
    return Array.from({ length: count }, () => fromS + random.uniform() * 10_800).map((atS) => ({
      atUs: atS * 1e6,
      isLoud: isOn(atS),
    }));
  };

  it("on for 75 s of 300 has its period, its share of six bins of 24, and the begin of an on-time", () => {
    const pulse = noisePulse(strewn((atS) => atS % 300 >= 100 && atS % 300 < 175));
    expect((pulse?.periodUs ?? 0) / 1e6).toBeCloseTo(300, 0);
    expect(pulse?.onShare).toBeCloseTo(0.25, 1);
    // A bin is 12.5 s: the begin is found to one of them, and to what the period is off in 36 turns.
    const beginS = ((pulse?.onFromUs ?? 0) / 1e6) % 300;
    expect(Math.abs(beginS - 100)).toBeLessThan(13);
    // A quarter of 240 marks loud: |Σ| is 240 × sin(π / 4) / π = 54, its square over 240 × ¼ × ¾ is 65: 8 000 e^−65.
    expect(pulse?.p).toBeGreaterThan(0);
    expect(pulse?.p).toBeLessThan(1e-12);
  });

  it("needs eight loud and eight quiet frames, and time between them", () => {
    const at = (atS: number, isLoud: boolean) => ({ atUs: atS * 1e6, isLoud });
    const some = (loud: number, quiet: number) => [
      ...Array.from({ length: loud }, (_, i) => at(i * 600 + ((i * 37) % 50), true)),
      ...Array.from({ length: quiet }, (_, i) => at(i * 600 + 200 + ((i * 53) % 200), false)),
    ];
    expect(noisePulse(some(7, 20))).toBeNull();
    expect(noisePulse(some(20, 7))).toBeNull();
    expect(noisePulse(Array.from({ length: 40 }, (_, i) => at(5, i % 2 === 0)))).toBeNull();
  });

  it.each([90, 150, 210])("has no period where its beginning jumps by %d s of 300 midway", (jumpS) => {
    const middleS = 1_000_000 + 5_400;
    for (const count of [240, 480]) {
      const jumping = strewn((atS) => (atS - (atS < middleS ? 0 : jumpS)) % 300 < 75, count);
      expect(noisePulse(jumping.sort((a, b) => a.atUs - b.atUs))).toBeNull();
    }
  });

  it("must come in both halves of the time", () => {
    const half = 1_000_000 + 5_400;
    expect(noisePulse(strewn((atS) => atS < half && atS % 300 < 75))).toBeNull();
  });
});

describe("the chance of a pulse", () => {
  it("is that of its definition: 8 000 times e to the minus the most power on the grid", () => {
    const some = marks((atS) => atS % 300 < 60);
    const at = some.map(({ atUs }) => (atUs - (some[0]?.atUs ?? 0)) / 1e6);
    const share = some.filter(({ isLoud }) => isLoud).length / some.length;
    // A quarter of the inverse of the time apart, from five turns in it on.
    const stepHz = 1 / (4 * (at.at(-1) ?? 0));
    let most = 0;
    for (let step = 20; step < 8_020; step++) {
      let [re, im] = [0, 0];
      some.forEach(({ isLoud }, i) => {
        const angle = 2 * Math.PI * step * stepHz * (at[i] ?? 0);
        re += ((isLoud ? 1 : 0) - share) * Math.cos(angle);
        im += ((isLoud ? 1 : 0) - share) * Math.sin(angle);
      });
      most = Math.max(most, (re * re + im * im) / (some.length * share * (1 - share)));
    }
    expect(Math.log(noisePulse(some)?.p ?? 1)).toBeCloseTo(Math.log(8_000) - most, 6);
  });
});

describe("a pulse wherever its on-time lies", () => {
  it("is found with its begin, also where its phase crosses half a turn", () => {
    for (let beginS = 0; beginS < 300; beginS += 25) {
      const pulse = noisePulse(marks((atS) => (atS - beginS + 300) % 300 < 75));
      expect([beginS, Math.round((pulse?.periodUs ?? 0) / 1e6), pulse?.onShare]).toEqual([
        beginS,
        300,
        expect.closeTo(0.25, 1),
      ]);
    }
  });
});

describe("an on-time of 60 s every 300, begun at 1,000 s", () => {
  const pulse = { periodUs: 300e6, onShare: 0.2, onFromUs: 1_000e6, p: 0 };
  const isOn = (atS: number, core = false) => isOnTime(pulse, atS * 1e6, core);

  it("holds its begin and not its end, in every period before and after", () => {
    expect([1_000, 1_059.9, 1_060, 1_299.9, 1_300].map((atS) => isOn(atS))).toEqual([
      true,
      true,
      false,
      false,
      true,
    ]);
    expect([699.9, 700, 759.9, 760].map((atS) => isOn(atS))).toEqual([false, true, true, false]);
  });

  it("has a core a 24th of the period from both edges: 12.5 s", () => {
    expect([1_012.4, 1_012.6, 1_047.4, 1_047.6].map((atS) => isOn(atS, true))).toEqual([
      false,
      true,
      true,
      false,
    ]);
    // Too narrow for a core: three bins of 24.
    const narrow = { ...pulse, onShare: 0.125 };
    expect(isOnTime(narrow, 1_000e6, true)).toBe(true);
    expect(isOnTime({ ...pulse, onShare: 4 / 24 }, 1_000e6, true)).toBe(false);
  });
});

describe("noise in no order", () => {
  it("has no period, in any of 30 draws of 540 frames over six hours", () => {
    for (let seed = 1; seed <= 30; seed += 1) {
      const times = createRandom(seed, "marks");
      const loud = createRandom(seed, "loud");
      const marks = Array.from({ length: 540 }, () => times.uniform() * 6 * 3600)
        .sort((a, b) => a - b)
        .map((atS) => ({ atUs: atS * 1e6, isLoud: loud.uniform() < 0.2 }));
      expect(noisePulse(marks), `seed ${seed}`).toBeNull();
    }
  });
});

describe("noise of more than 1,500 frames", () => {
  it("is judged by the last 1,500", () => {
    const random = createRandom(2, "strewn");
    const last = Array.from({ length: 1_500 }, () => 1_000_000 + random.uniform() * 10_800).map((atS) => ({
      atUs: atS * 1e6,
      isLoud: atS % 300 < 75,
    }));
    // Before them hours of frames that were loud without a pause.
    const earlier = Array.from({ length: 1_300 }, (_, i) => ({
      atUs: (900_000 + i * 70) * 1e6,
      isLoud: true,
    }));
    expect(noisePulse(last)?.periodUs).toBeCloseTo(300e6, -6);
    expect(noisePulse([...earlier, ...last])).toEqual(noisePulse(last));
  });
});

describe("noise on for 30 s of 600", () => {
  it("has the long period although two thirds of its power lie in harmonics", () => {
    const random = createRandom(1, "marks");
    const marks = Array.from({ length: 540 }, () => random.uniform() * 6 * 3600).map((atS) => ({
      atUs: atS * 1e6,
      isLoud: atS % 600 < 30,
    }));
    expect(Math.abs((noisePulse(marks)?.periodUs ?? 0) / 600e6 - 1)).toBeLessThan(0.01);
  });
});
