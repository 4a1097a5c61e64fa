/** What a measure counts, by hand: which frames take part, why nothing is said, where each stands in the drawing. */
import { describe, expect, it } from "vitest";
import { measureReceiver, type ReceiverMeasure } from "../../../src/diagnosis/receiver/threshold.ts";
import type { ReceiverSeries, ReceiverTrial } from "../../../src/diagnosis/receiver/trials.ts";
import { createRandom, normal } from "../../../src/simulate/time-and-chance.ts";

const MINUTE_US = 60_000_000;
const HZ = 868_100_000;

interface Drawn {
  readonly meanDb: number;
  readonly kneeDb: number;
  readonly count?: number;
  readonly seed?: number;
  /** Standard deviation of the level, and the logistic scale of the knee. */
  readonly spreadDb?: number;
  readonly scaleDb?: number;
  /** Delivered far above the knee. */
  readonly share?: number;
  readonly everyUs?: number;
}

function drawn(one: Drawn): ReceiverTrial[] {
  return sent(one).map(({ snrDb, isHeard }, i) =>
    trial(i * (one.everyUs ?? MINUTE_US), isHeard ? Math.round(snrDb * 4) / 4 : null),
  );
}

/** The level of each frame, heard or not. */
function sent(one: Drawn): { readonly snrDb: number; readonly isHeard: boolean }[] {
  const { meanDb, kneeDb, count = 400, seed = 1, spreadDb = 1.5, scaleDb = 0.75, share = 1 } = one;
  const random = createRandom(seed, "receiver frames");
  return Array.from({ length: count }, () => {
    const snrDb = meanDb + spreadDb * normal(random);
    const isHeard = random.uniform() < share / (1 + Math.exp(-(snrDb - kneeDb) / scaleDb));
    return { snrDb, isHeard };
  });
}

function trial(atUs: number, snrDb: number | null, byOthers = true): ReceiverTrial {
  return { atUs, snrDb, isHeard: snrDb !== null, frequencyHz: HZ, byOthers };
}

const series = (node: string, spreadingFactor: number, trials: readonly ReceiverTrial[]): ReceiverSeries => ({
  node,
  spreadingFactor,
  trials,
});

const measured = (...all: readonly ReceiverSeries[]): ReceiverMeasure =>
  measureReceiver({ series: all, channelShiftsDb: new Map() });

const halfOf = ({ overall }: ReceiverMeasure) => ((overall?.highDb ?? 0) - (overall?.lowDb ?? 0)) / 2;

describe("the runs that levels do not explain", () => {
  /** 200 heard, with a run of missed ones after the first hundred; beside each heard one a frame that no other gateway heard. */
  const withRun = (missed: number) => {
    const heard = Array.from({ length: 200 }, (_, i) => trial((i < 100 ? i : i + missed) * MINUTE_US, -9));
    const run = Array.from({ length: missed }, (_, i) => trial((100 + i) * MINUTE_US, null));
    const unknown = heard.map(({ atUs }) => trial(atUs + 1, null, false));
    return [...heard, ...run, ...unknown].sort((a, b) => a.atUs - b.atUs);
  };

  it("are those in which more than seven should have been heard, by the share of what others heard", () => {
    // 200 of 208 heard: of eight 7.7 should have been. With them goes the unknown one within the run.
    expect(measured(series("A", 9, withRun(8))).leftOut).toBe(9);
    // 200 of 207: of seven 6.8.
    expect(measured(series("A", 9, withRun(7))).leftOut).toBe(0);
  });

  it("add up over the nodes, and end where any is heard", () => {
    const both = (missed: number) => {
      const one = withRun(missed).filter(({ byOthers }) => byOthers);
      const other = one.map((own) => ({ ...own, atUs: own.atUs + 2 }));
      return measured(series("A", 9, one), series("B", 9, other)).leftOut;
    };
    // 200 of 204 each: of eight 7.8; of six, 200 of 203, 5.9.
    expect(both(4)).toBe(8);
    expect(both(3)).toBe(0);
    // The other node is heard all the time: no run at all.
    const alone = withRun(8).filter(({ byOthers }) => byOthers);
    const steady = alone.map(({ atUs }) => trial(atUs + 2, -9));
    expect(measured(series("A", 9, alone), series("B", 9, steady)).leftOut).toBe(0);
  });
});

describe("what a measure counts", () => {
  const weak = drawn({ meanDb: -11, kneeDb: -12.5 });
  const other = drawn({ meanDb: -9.5, kneeDb: -12.5, seed: 2 });
  const missedOf = (...all: (readonly ReceiverTrial[])[]) =>
    all.flat().filter(({ snrDb }) => snrDb === null).length;

  it("are nodes, trials and missed ones by spreading factor, in order, each against its own floor", () => {
    // SF7's floor is -7.5 dB, SF9's -12.5 dB (SX1276, Table 13). The node at SF9 is the weaker one.
    const sf9 = drawn({ meanDb: -11, kneeDb: -12.5, count: 900 });
    const sf7 = drawn({ meanDb: -5, kneeDb: -7.5, count: 900, seed: 2 });
    const { factors, basis, verdict } = measured(series("A", 9, sf9), series("B", 7, sf7));
    expect([basis, verdict]).toEqual(["others", "sound"]);
    expect(factors.map(({ points: _points, level: _level, ...one }) => one)).toEqual([
      { spreadingFactor: 7, floorDb: -7.5, nodes: 1, trials: 900, missed: missedOf(sf7), lack: null },
      { spreadingFactor: 9, floorDb: -12.5, nodes: 1, trials: 900, missed: missedOf(sf9), lack: null },
    ]);
    for (const { floorDb, level } of factors)
      expect(level?.levelDb).toBeCloseTo(floorDb + (level?.offsetDb ?? 9), 9);
  });

  it("are lives of one node as one node", () => {
    const factor = measured(series("A", 9, weak), series("A", 9, other)).factors[0];
    expect(factor).toMatchObject({ nodes: 1, trials: 800, missed: missedOf(weak, other) });
  });

  it("are only frames that others heard, where they tell enough", () => {
    const beside = weak.flatMap((one, i) => (i % 4 === 0 ? [one, trial(one.atUs + 1, null, false)] : [one]));
    const { basis, factors } = measured(series("A", 9, beside));
    expect(basis).toBe("others");
    expect(factors[0]).toMatchObject({ trials: 400, missed: missedOf(weak) });
  });

  it("are all counters where no other gateway heard them", () => {
    const own = weak.map((one) => ({
      ...one,
      byOthers: false,
      frequencyHz: one.isHeard ? HZ : null,
    }));
    const { basis, factors } = measured(series("A", 9, own));
    expect(basis).toBe("alone");
    expect(factors[0]).toMatchObject({ trials: 400, missed: missedOf(weak) });
  });

  it("spreads the level of a missed one by what the channels differ, where its channel is not known", () => {
    const own = weak.map((one) => ({ ...one, byOthers: false, frequencyHz: one.isHeard ? HZ : null }));
    const offset = (...shiftsDb: number[]) => {
      // Channels on which it sent nothing: only their differences matter.
      const channelShiftsDb = new Map(shiftsDb.map((db, i) => [HZ + 200_000 * (i + 1), db]));
      return (
        measureReceiver({ series: [series("A", 9, own)], channelShiftsDb }).overall?.offsetDb ?? Number.NaN
      );
    };
    expect(offset(2, 2, 2)).toBeCloseTo(offset(), 9);
    // Mean 1 and variance 4 both.
    expect(offset(3, -1)).toBeCloseTo(offset(-1, 3, 3, -1), 9);
    expect(Math.abs(offset(3, -1) - offset())).toBeGreaterThan(0.02);
  });

  it("leaves out a frame that was heard without a figure: neither read nor missed", () => {
    const without = weak.map((one, i) => (i % 40 === 0 ? { ...one, snrDb: null, isHeard: true } : one));
    const missed = without.filter(({ isHeard }) => !isHeard).length;
    expect(measured(series("A", 9, without)).factors[0]).toMatchObject({ trials: 390, missed });
  });
});

describe("the interval of a measure", () => {
  it("lies evenly about it, and allows for what one node strays", () => {
    const weak = drawn({ meanDb: -11, kneeDb: -12.5, count: 1_500 });
    const one = measured(series("A", 9, weak));
    expect((one.overall?.highDb ?? 0) - (one.overall?.offsetDb ?? 0)).toBeCloseTo(halfOf(one), 9);
    // 1.96 x 0.42 dB for one node; for four half of it. The rest (fit, shape) is known to be less than 0.6 dB.
    expect(halfOf(one)).toBeGreaterThan(0.823);
    expect(halfOf(one)).toBeLessThan(Math.hypot(0.823, 0.6));
    const four = measured(
      ...["A", "B", "C", "D"].map((node, i) => series(node, 9, weak.slice(375 * i, 375 * (i + 1)))),
    );
    expect(halfOf(four)).toBeGreaterThan(0.412);
    expect(halfOf(four)).toBeLessThan(Math.hypot(0.412, 0.6));
  });

  it("leaves the verdict open where it holds what a sound board may have and what a deaf one has", () => {
    const open = measured(series("A", 9, drawn({ meanDb: -9.5, kneeDb: -11 })));
    expect(open.overall?.lowDb).toBeLessThan(1);
    expect(open.overall?.highDb).toBeGreaterThan(2);
    expect(open.verdict).toBe("open");
  });

  it("does not know the order of frames that lie too far apart in time", () => {
    const apart = drawn({ meanDb: -11, kneeDb: -12.5, everyUs: 7 * 3_600_000_000 });
    const levels = apart.map(({ snrDb }) => snrDb).sort((a, b) => (a ?? -99) - (b ?? -99));
    // Every second of them backwards, so that no run of missed ones comes of it.
    const mixed = levels.map((_, i) => levels[(i * 171) % levels.length] ?? null);
    const again = measured(
      series(
        "A",
        9,
        apart.map(({ atUs }, i) => trial(atUs, mixed[i] ?? null)),
      ),
    );
    expect(again.leftOut).toBe(0);
    expect(again.overall?.offsetDb).toBeCloseTo(measured(series("A", 9, apart)).overall?.offsetDb ?? 9, 6);
  });
});

describe("nothing is said", () => {
  const lackOf = (one: Drawn) => measured(series("A", 9, drawn(one))).lack;

  it("where half of it is lost at any level", () => {
    expect(lackOf({ meanDb: -6, kneeDb: -12.5, share: 0.45, spreadDb: 3 })).toBe("not of level");
    expect(lackOf({ meanDb: -10, kneeDb: -12.5, share: 0.8, spreadDb: 2 })).toBeNull();
  });

  it("where the knee spreads over so many levels that level does not decide", () => {
    expect(lackOf({ meanDb: -11, kneeDb: -12.5, scaleDb: 4, spreadDb: 5, count: 800 })).toBe("not of level");
  });

  it("of nodes whose middle frame lies more than 12 dB above the floor", () => {
    const all = (snrDb: number) => Array.from({ length: 40 }, (_, i) => trial(i * MINUTE_US, snrDb));
    expect(measured(series("A", 9, all(-0.5))).lack).toBe("few missed");
    expect(measured(series("A", 9, all(-0.25))).lack).toBe("too strong");
  });

  it("of nodes of which too little was read: fewer than 15, or less than 3 in a hundred", () => {
    const read = (count: number, of: number) =>
      measured(
        series(
          "A",
          9,
          Array.from({ length: of }, (_, i) =>
            trial(
              i * MINUTE_US,
              i % Math.floor(of / count) === 0 && i < count * Math.floor(of / count) ? -12.5 : null,
            ),
          ),
        ),
      ).factors.map(({ trials }) => trials);
    expect(read(14, 140)).toEqual([]);
    expect(read(15, 150)).toEqual([150]);
    expect(read(25, 1_000)).toEqual([]);
    expect(read(33, 1_000)).toEqual([1_000]);
    expect(read(29, 29)).toEqual([]);
    expect(read(30, 30)).toEqual([30]);
  });

  it("of fewer than 15 missed", () => {
    const missing = (count: number) =>
      Array.from({ length: 300 }, (_, i) =>
        trial(i * MINUTE_US, i % 20 === 10 && i < 20 * count ? null : -11 + (i % 7)),
      );
    expect(measured(series("A", 9, missing(14))).lack).toBe("few missed");
    expect(measured(series("A", 9, missing(15))).lack).not.toBe("few missed");
  });
});

describe("the points of the drawing", () => {
  const frames = drawn({ meanDb: -11, kneeDb: -12.5, count: 800 });
  const levels = sent({ meanDb: -11, kneeDb: -12.5, count: 800 });
  const drawnPoints = () => measured(series("A", 9, frames)).factors[0]?.points ?? [];
  /** Readings within half a dB about a point. */
  const heardAt = (snrDb: number) =>
    frames.filter((one) => one.snrDb !== null && one.snrDb >= snrDb - 0.5 && one.snrDb < snrDb + 0.5).length;

  it("stand a dB apart from 6 dB below the floor to 8 dB above", () => {
    const points = drawnPoints();
    const places = points.map(({ snrDb }) => snrDb);
    expect(places).toEqual(places.map((_, i) => (places[0] ?? 0) + i));
    expect(places[0]).toBeGreaterThanOrEqual(-18);
    expect(places.at(-1)).toBeLessThanOrEqual(-5);
    expect(places).toContain(-12);
  });

  it("say what was heard there of what was sent there, with Wilson's interval", () => {
    const points = drawnPoints();
    for (const { snrDb, trials, delivered, low, high } of points) {
      const heard = heardAt(snrDb);
      expect(trials, `${snrDb}`).toBeGreaterThanOrEqual(Math.max(5, heard));
      expect(delivered, `${snrDb}`).toBeCloseTo(heard / trials, 12);
      // Wilson 1927: (p + z²/2n ± z √(p(1-p)/n + z²/4n²)) / (1 + z²/n), z = 1.96.
      const z = 1.959964;
      const middle = delivered + (z * z) / (2 * trials);
      const reach = z * Math.sqrt((delivered * (1 - delivered)) / trials + (z / (2 * trials)) ** 2);
      expect(low, `${snrDb}`).toBeCloseTo((middle - reach) / (1 + (z * z) / trials), 5);
      expect(high, `${snrDb}`).toBeCloseTo((middle + reach) / (1 + (z * z) / trials), 5);
    }
  });

  it("place each missed frame once, where it was sent", () => {
    const points = drawnPoints();
    const sum = points.reduce((all, { trials }) => all + trials, 0);
    expect(Math.abs(sum - 800)).toBeLessThan(15);
    const common = points.filter(({ trials }) => trials >= 60);
    expect(common.map(({ snrDb }) => snrDb)).toEqual([-13, -12, -11, -10, -9]);
    // What the draw sent and delivered at each level is known here, to the measure it is not.
    for (const { snrDb, delivered } of common) {
      const there = levels.filter((one) => one.snrDb >= snrDb - 0.5 && one.snrDb < snrDb + 0.5);
      const share = there.filter(({ isHeard }) => isHeard).length / there.length;
      expect(Math.abs(delivered - share), `${snrDb}`).toBeLessThan(0.1);
    }
  });
});
