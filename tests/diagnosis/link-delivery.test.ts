import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { deliveryUnder, type Outcome } from "../../src/diagnosis/link-delivery.ts";
import { type Knee, linkMarginDb, readProbability } from "../../src/radio/margin.ts";
import { createRandom, normal } from "../../src/simulate/time-and-chance.ts";
import { wilsonInterval } from "../../src/statistics/proportions.ts";
import { gateway, lifeOf, node, packetsOf, play, SHED, site } from "../simulate/small-site.ts";
import { courseOf } from "./link-site.ts";

/** Counters of a link with wandering margin, read by a knee, a share lost for other reasons; and what else they had given. */
function linkOf(
  middleDb: number,
  spreadDb: number,
  knee: Knee,
  otherLoss: number,
  seed: number,
  count = 400,
) {
  const random = createRandom(seed, "link");
  let wander = 0;
  const margins = Array.from({ length: count }, () => {
    wander = 0.95 * wander + Math.sqrt(1 - 0.95 ** 2) * normal(random);
    return middleDb + spreadDb * (0.7 * wander + 0.7 * normal(random));
  });
  const draws = margins.map(() => [random.uniform(), random.uniform()] as const);
  const outcomes = margins.map((margin, i): Outcome => {
    const [read, kept] = draws[i]!;
    return read < readProbability(margin, knee) && kept >= otherLoss ? margin : null;
  });
  /** The true chance of delivery of these very counters under another margin. */
  const truth = (changeDb: number) =>
    margins.reduce((sum, margin) => sum + readProbability(margin + changeDb, knee) * (1 - otherLoss), 0) /
    count;
  return { outcomes, truth };
}

const KNEES: readonly Knee[] = [
  { offsetDb: 0, widthDb: 0.75 },
  { offsetDb: 0.7, widthDb: 0.5 },
  { offsetDb: -0.7, widthDb: 1.1 },
];

describe("what delivery would be", () => {
  it("holds the truth in its interval, whatever the knee, the margin and the other losses", () => {
    let held = 0;
    let asked = 0;
    let width = 0;
    let seed = 1;
    for (const knee of KNEES)
      for (const middleDb of [-1, 1, 3, 6, 10])
        for (const otherLoss of [0, 0.08])
          for (let round = 0; round < 2; round += 1) {
            const { outcomes, truth } = linkOf(middleDb, 2, knee, otherLoss, seed++);
            for (const changeDb of [-3, -2.5, 2.5]) {
              const { ratio, interval95 } = deliveryUnder(outcomes, changeDb);
              if (ratio === null || interval95 === null) continue;
              asked += 1;
              width += interval95[1] - interval95[0];
              if (truth(changeDb) >= interval95[0] && truth(changeDb) <= interval95[1]) held += 1;
            }
          }
    console.info(
      `what-if intervals: ${held} of ${asked} hold the truth, ${(width / asked).toFixed(3)} wide in the mean`,
    );
    expect(asked).toBeGreaterThan(150);
    expect(held / asked).toBeGreaterThan(0.93);
    // Not bought by intervals that say nothing.
    expect(width / asked).toBeLessThan(0.3);
  });

  it("agrees with the same link simulated at another data rate and at less power", () => {
    let held = 0;
    let asked = 0;
    const errors: number[] = [];
    // Margins of about 0 to 9 dB at SF9: noise −117 dBm, power 14 dBm.
    for (const pathGainDb of [-136, -139, -141, -142, -143])
      for (const seed of [1, 2]) {
        const as = (more: object) =>
          courseOf({ hours: 8, seed, pathGainDb: { [SHED]: pathGainDb }, ...more });
        const { outcomes } = as({});
        for (const [changeDb, more] of [
          [-2.5, { spreadingFactor: 8 }],
          [2.5, { spreadingFactor: 10 }],
          [-3, { transmitPowerDbm: 11 }],
        ] as const) {
          const { ratio, interval95 } = deliveryUnder(outcomes, changeDb);
          if (ratio === null || interval95 === null) continue;
          // The same wander of the link, other luck.
          const { heard, sent } = as(more);
          const real = wilsonInterval(heard, sent);
          asked += 1;
          errors.push(Math.abs(ratio - heard / sent));
          if (real.high >= interval95[0] && real.low <= interval95[1]) held += 1;
        }
      }
    errors.sort((a, b) => a - b);
    console.info(
      `what-if against simulation: ${held} of ${asked} agree; error ${errors[asked >> 1]?.toFixed(3)} in the median, ${errors.at(-1)?.toFixed(3)} at most`,
    );
    expect(asked).toBeGreaterThanOrEqual(27);
    expect(held / asked).toBeGreaterThan(0.95);
    expect(errors[asked >> 1]).toBeLessThan(0.03);
  });

  it("agrees with the whole site played again, octets, channels and all, at another data rate and power", () => {
    const played = (more: object) => {
      const scenario = site({
        duration: "2:00:00",
        gateways: [gateway(SHED, { keepaliveSeconds: 600, statSeconds: 600 })],
        nodes: [node({ rhythmSeconds: 30, spreadingFactor: 9, pathGainDb: { [SHED]: -141 }, ...more })],
      });
      const { passages, truth } = play(scenario, 4);
      const margins = new Map<number, number>();
      for (const { packet, transmission } of packetsOf(passages)) {
        const margin = linkMarginDb(
          packet.signals[0]?.snrDb ?? null,
          transmission.modulation.spreadingFactor,
        );
        if (packet.crc === "ok" && margin !== null && transmission.counter !== null)
          margins.set(transmission.counter, margin);
      }
      return Array.from({ length: lifeOf(truth).sent }, (_, counter) => margins.get(counter) ?? null);
    };
    const outcomes = played({});
    for (const [changeDb, more] of [
      [-2.5, { spreadingFactor: 8 }],
      [2.5, { spreadingFactor: 10 }],
      [-3, { transmitPowerDbm: 11 }],
    ] as const) {
      const { ratio, interval95 } = deliveryUnder(outcomes, changeDb);
      const real = played(more);
      const delivered = real.filter((margin) => margin !== null).length / real.length;
      expect(delivered).toBeGreaterThan(interval95![0]);
      expect(delivered).toBeLessThanOrEqual(interval95![1]);
      expect(Math.abs(delivered - ratio!)).toBeLessThan(0.1);
    }
  });

  it("corrects for the frames that never arrived: taking the heard margins for all would promise too much or too little", () => {
    const { outcomes, truth } = linkOf(0, 2, KNEES[0]!, 0, 99, 4000);
    const heard = outcomes.filter((margin) => margin !== null);
    const naive = heard.reduce((sum, margin) => sum + readProbability(margin + 2.5), 0) / heard.length;
    const { ratio } = deliveryUnder(outcomes, 2.5);
    expect(Math.abs(ratio! - truth(2.5))).toBeLessThan(0.04);
    expect(Math.abs(naive - truth(2.5))).toBeGreaterThan(0.06);
  });

  it("is never better with less margin, nor worse with more, and lies within its interval", () => {
    fc.assert(
      fc.property(
        fc.array(fc.option(fc.double({ min: -4, max: 20, noNaN: true }), { nil: null }), {
          minLength: 0,
          maxLength: 80,
        }),
        fc.double({ min: 0.1, max: 6, noNaN: true }),
        (outcomes, db) => {
          const [less, as, more] = [-db, 0, db].map((change) => deliveryUnder(outcomes, change));
          if (as?.ratio == null) return;
          expect(less!.ratio!).toBeLessThanOrEqual(as.ratio + 1e-9);
          expect(more!.ratio!).toBeGreaterThanOrEqual(as.ratio - 1e-9);
          for (const one of [less, as, more]) {
            expect(one!.interval95![0]).toBeLessThanOrEqual(one!.ratio!);
            expect(one!.interval95![1]).toBeGreaterThanOrEqual(one!.ratio!);
            expect(one!.interval95![0]).toBeGreaterThanOrEqual(0);
            expect(one!.interval95![1]).toBeLessThanOrEqual(1);
          }
        },
      ),
    );
  });

  it("needs twenty counters and ten frames with an SNR", () => {
    expect(deliveryUnder([], -3).ratio).toBeNull();
    expect(deliveryUnder(new Array<Outcome>(19).fill(5), -3).ratio).toBeNull();
    expect(
      deliveryUnder([...new Array<Outcome>(9).fill(5), ...new Array<Outcome>(30).fill(null)], 0).ratio,
    ).toBeNull();
    expect(deliveryUnder(new Array<Outcome>(20).fill(5), -3).ratio).not.toBeNull();
  });
});
