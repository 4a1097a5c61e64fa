/** Levels by hand: each frame's power is known, so that the size and the moment of a step can be read off. */
import { describe, expect, it } from "vitest";
import {
  commonSteps,
  type LevelPoint,
  weakenedTimes,
} from "../../../src/diagnosis/gateway-events/level-step.ts";
import { chance, normal } from "../findings/history.ts";

const MINUTE = 60_000_000;
const HOUR = 60 * MINUTE;
const FALL = 8 * HOUR + 33 * MINUTE;

interface Site {
  readonly senders: number;
  readonly changeDb: (sender: number, tUs: number) => number;
  readonly snrFollows?: boolean;
  readonly marginDb?: number;
  readonly seed?: number;
}

/** Senders every ten minutes for 16 h, each at a level of its own, with fading of 1.5 dB. */
function levels({ senders, changeDb, snrFollows = true, marginDb = 20, seed = 1 }: Site): LevelPoint[] {
  const random = chance(seed);
  const points: LevelPoint[] = [];
  for (let sender = 1; sender <= senders; sender++) {
    for (let tUs = sender * 37_000_000; tUs < 16 * HOUR; tUs += 10 * MINUTE) {
      const change = changeDb(sender, tUs);
      const fadeDb = 1.5 * normal(random);
      if (marginDb + change + fadeDb < 0) continue;
      points.push({
        tUs,
        sender,
        powerDbm: -100 - 2 * sender + change + fadeDb,
        snrDb: -8 + (snrFollows ? change : 0) + fadeDb,
        marginDb: marginDb + change + fadeDb,
      });
    }
  }
  return points.sort((a, b) => a.tUs - b.tUs);
}
const steady = () => 0;
const since =
  (db: number, atUs = FALL) =>
  (_: number, tUs: number) =>
    tUs >= atUs ? db : 0;

describe("a step of all that one gateway hears", () => {
  it("is found with its size and moment: seven nodes, 16 dB at 08:33", () => {
    const steps = commonSteps(levels({ senders: 7, changeDb: since(-16), marginDb: 30 }), []);
    expect(steps).toHaveLength(1);
    const [step] = steps;
    expect(step?.senders).toBe(7);
    expect(Math.abs((step?.changeDb ?? 0) + 16)).toBeLessThan(1);
    expect(step?.lowDb).toBeLessThan(-16);
    expect(step?.highDb).toBeGreaterThan(-16);
    expect(Math.abs((step?.atUs ?? 0) - FALL)).toBeLessThan(5 * MINUTE);
    expect(step?.elsewhere).toBeNull();
    expect(step?.confidence).toBe(0.9);
  });

  it("is surer where another gateway hears the same nodes as before", () => {
    const here = levels({ senders: 4, changeDb: since(-10), marginDb: 25 });
    const [step] = commonSteps(here, [levels({ senders: 4, changeDb: steady, seed: 2 })]);
    expect(step?.confidence).toBe(0.97);
    expect(step?.elsewhere?.senders).toBe(4);
    expect(Math.abs(step?.elsewhere?.changeDb ?? 9)).toBeLessThan(1);
  });

  it("is none of the gateway's where another gateway sees it too", () => {
    const here = levels({ senders: 6, changeDb: since(-10), marginDb: 25 });
    expect(commonSteps(here, [levels({ senders: 6, changeDb: since(-10), marginDb: 25, seed: 2 })])).toEqual(
      [],
    );
  });

  it("is none when two of seven nodes fell", () => {
    const changeDb = (sender: number, tUs: number) => (sender <= 2 && tUs >= FALL ? -12 : 0);
    expect(commonSteps(levels({ senders: 7, changeDb }), [])).toEqual([]);
  });

  it("is none when each node changed by a size of its own: the gateway moved", () => {
    const sizes = [-14, 9, -3, 6, -8, 12, 2];
    const changeDb = (sender: number, tUs: number) => (tUs >= FALL ? (sizes[sender - 1] ?? 0) : 0);
    expect(commonSteps(levels({ senders: 7, changeDb }), [])).toEqual([]);
  });

  it("counts nodes that vanished with it, where one is left", () => {
    const points = levels({ senders: 6, changeDb: since(-22), marginDb: 12 });
    const strong = levels({ senders: 1, changeDb: since(-22), marginDb: 40 }).map((one) => ({
      ...one,
      sender: 9,
    }));
    const all = [...points, ...strong].sort((a, b) => a.tUs - b.tUs);
    const [step] = commonSteps(all, []);
    expect(step).toMatchObject({ senders: 1, vanished: 6 });
    expect(Math.abs((step?.changeDb ?? 0) + 22)).toBeLessThan(1.5);
  });

  it("of the power alone leaves the SNR: a gain setting", () => {
    const [loss] = commonSteps(levels({ senders: 5, changeDb: since(-8) }), []);
    const [gain] = commonSteps(levels({ senders: 5, changeDb: since(-8), snrFollows: false }), []);
    expect(loss?.snrChangeDb).toBeLessThan(-6);
    expect(Math.abs(gain?.snrChangeDb ?? 9)).toBeLessThan(1);
  });

  it.each([1, 2, 3, 4, 5, 6, 7, 8])("is never found where there is none, seed %i", (seed) => {
    expect(commonSteps(levels({ senders: 6, changeDb: steady, seed }), [])).toEqual([]);
  });
});

describe("a fall that was mended", () => {
  it("ends with the rise that takes it back; a rise alone is a gateway that hears better", () => {
    const mended = (_: number, tUs: number) => (tUs >= FALL && tUs < 12 * HOUR ? -9 : 0);
    const { weakened, strengthened } = weakenedTimes(
      commonSteps(levels({ senders: 5, changeDb: mended }), []),
    );
    expect(weakened).toHaveLength(1);
    expect(Math.abs((weakened[0]?.mended?.changeDb ?? 0) - 9)).toBeLessThan(1);
    expect(strengthened).toEqual([]);
    const better = weakenedTimes(commonSteps(levels({ senders: 5, changeDb: since(7) }), []));
    expect(better.weakened).toEqual([]);
    expect(better.strengthened).toHaveLength(1);
  });
});
