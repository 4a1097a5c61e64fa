import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { Modulation } from "../../../src/model/modulation.ts";
import { contradictionsWith } from "../../../src/radio/regions/contradictions.ts";
import { type HeardChannel, recogniseRegion } from "../../../src/radio/regions/recognise-region.ts";
import { regionPlans } from "../../../src/radio/regions/region-plan.ts";

function lora(spreadingFactor: number, bandwidthHz = 125_000): Modulation {
  return { kind: "lora", spreadingFactor, bandwidthHz, codingRate: "4/5" };
}

/** Small repeatable generator, so that a failure can be run again. */
function generator(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    return state / 2 ** 32;
  };
}

/** Frames of a gateway on given channels, each on a random channel and spreading factor. */
function frames(
  frequenciesMhz: readonly number[],
  count: number,
  seed: number,
  factors: readonly number[] = [7, 8, 9, 10],
  bandwidthHz = 125_000,
): HeardChannel[] {
  const random = generator(seed);
  return Array.from({ length: count }, () => ({
    frequencyHz: Math.round(frequenciesMhz[Math.floor(random() * frequenciesMhz.length)]! * 1e6),
    modulation: lora(factors[Math.floor(random() * factors.length)]!, bandwidthHz),
    payloadBytes: 20,
    count: 1,
  }));
}

const run = (firstMhz: number, count: number): number[] =>
  Array.from({ length: count }, (_, i) => Math.round((firstMhz + 0.2 * i) * 10) / 10);

/** A plain gateway of each region: the default channels and neighbours on the raster, eight where the band allows. */
const plainGateways: Readonly<Record<string, readonly number[]>> = {
  EU868: [868.1, 868.3, 868.5, 867.1, 867.3, 867.5, 867.7, 867.9],
  US915: run(903.9, 8),
  AU915: run(916.8, 8),
  "AS923-1": [923.2, 923.4, 922.0, 922.2, 922.4, 922.6, 922.8, 923.0],
  "AS923-2": [921.4, 921.6, 921.8, 922.0, 922.2, 922.4, 922.6, 922.8],
  "AS923-3": [916.6, 916.8, 917.0, 917.2, 917.4, 917.6, 917.8, 918.0],
  "AS923-4": [917.3, 917.5, 917.7, 917.9, 918.1, 918.3, 918.5, 918.7],
  IN865: [865.0625, 865.4025, 865.985, 866.185, 866.385, 866.585, 866.785],
  KR920: [922.1, 922.3, 922.5, 922.7, 922.9, 923.1, 921.9, 923.3],
  RU864: [868.9, 869.1, 864.1, 864.3, 864.5, 864.7, 864.9, 865.1],
  EU433: [433.175, 433.375, 433.575, 433.775, 433.975, 434.175, 434.375, 434.575],
  CN779: [779.5, 779.7, 779.9, 780.1, 780.3, 780.5, 780.7, 780.9],
  CN470: run(486.3, 8),
  ISM2400: [2403, 2425, 2479],
};

describe("a plain gateway's region", () => {
  it("is generated here for every region of the file", () => {
    expect(Object.keys(plainGateways).sort()).toEqual(regionPlans.map((plan) => plan.name).sort());
  });

  for (const [name, mhz] of Object.entries(plainGateways)) {
    it(`is recognised as ${name} after 50 frames, without contradictions`, () => {
      const bandwidthHz = name === "ISM2400" ? 812_500 : 125_000;
      for (let seed = 1; seed <= 6; seed += 1) {
        const result = recogniseRegion(frames(mhz, 50, seed, [7, 8, 9, 10], bandwidthHz));
        expect(result, `seed ${seed}`).toMatchObject({ verdict: "recognised", name });
        expect(result.confidence).toBeGreaterThan(0.9);
        expect(result.contradictions).toEqual([]);
      }
    });
  }

  it("is one of thirteen: EU868, US915, AU915, AS923-1, -2, -3, -4, IN865, KR920, RU864, EU433, CN779, CN470; or ISM2400, which is said to be no region of the Alliance", () => {
    const ofTheStandard = regionPlans.filter((plan) => plan.record?.standing === undefined);
    expect(ofTheStandard.map((plan) => plan.name)).toEqual([
      ...["EU868", "US915", "AU915", "AS923-1", "AS923-2", "AS923-3", "AS923-4"],
      ...["IN865", "KR920", "RU864", "EU433", "CN779", "CN470"],
    ]);
    expect(recogniseRegion(frames([2403, 2425, 2479], 50, 1, [9], 812_500)).reason).toBe(
      "ISM2400, from 50 receptions; vendor proposal, not part of RP002.",
    );
    expect(recogniseRegion(frames(plainGateways.CN779!, 50, 1)).reason).toContain("; withdrawn");
  });

  it("names the sub-band that a fixed-plan gateway listens to", () => {
    for (let band = 1; band <= 8; band += 1) {
      const us = recogniseRegion(frames(run(902.3 + 1.6 * (band - 1), 8), 50, band));
      expect(us).toMatchObject({ name: "US915", subBand: band });
    }
  });

  it("names no sub-band when the whole of a fixed plan is heard", () => {
    const result = recogniseRegion(frames(run(902.3, 64), 400, 5));
    expect(result).toMatchObject({ name: "US915", subBand: null });
    const australian = recogniseRegion(frames(run(915.2, 64), 400, 5));
    expect(australian).toMatchObject({ name: "AU915", subBand: null, contradictions: [] });
  });

  it("tells the older channel set of CN470 by its SF12", () => {
    const result = recogniseRegion(frames(run(486.3, 8), 60, 3, [10, 12]));
    expect(result).toMatchObject({ name: "CN470", variant: "before RP002-1.0.1" });
  });

  it("is found although a few frames are strays", () => {
    const strays: HeardChannel[] = [
      { frequencyHz: 864_900_000, modulation: lora(12), count: 1 },
      { frequencyHz: 871_300_000, modulation: lora(9), count: 1 },
    ];
    const result = recogniseRegion([...frames(plainGateways.EU868!, 50, 9), ...strays]);
    expect(result).toMatchObject({ verdict: "recognised", name: "EU868" });
  });
});

describe("what fits several plans", () => {
  const shared = run(923.2, 8);

  it("is called ambiguous: AS923-1 on the raster of AU915's sixth sub-band", () => {
    const result = recogniseRegion(frames(shared, 60, 2));
    expect(result.verdict).toBe("ambiguous");
    expect(result.name).toBeNull();
    expect(result.alternatives.map((a) => a.name).sort()).toEqual(["AS923-1", "AU915"]);
    expect(result.reason).toContain("Ambiguous");
  });

  it("names its rival: two sub-bands of AU915 on the raster of AS923-3, with its default channels", () => {
    const result = recogniseRegion(frames(run(915.2, 16), 200, 2));
    expect(result).toMatchObject({ name: "AU915", subBand: null, contradictions: [] });
    expect(result.confidence).toBeLessThan(0.9);
    expect(result.alternatives.map((a) => a.name)).toEqual(["AS923-3"]);
    const others = recogniseRegion(frames(run(918.4, 16), 200, 2));
    expect(others).toMatchObject({ name: "AU915", alternatives: [] });
  });

  it("is settled by a data rate that only one of them has", () => {
    const wide: HeardChannel = { frequencyHz: 923_300_000, modulation: lora(7, 250_000), count: 5 };
    expect(recogniseRegion([...frames(shared, 60, 2), wide]).name).toBe("AS923-1");
    const half: HeardChannel = { frequencyHz: 923_900_000, modulation: lora(8, 500_000), count: 5 };
    expect(recogniseRegion([...frames(shared, 60, 2), half])).toMatchObject({ name: "AU915", subBand: 6 });
  });

  it("stays open after one frame that several dynamic plans allow", () => {
    const one: HeardChannel = { frequencyHz: 866_300_000, modulation: lora(7), count: 1 };
    expect(recogniseRegion([one]).verdict).not.toBe("recognised");
  });
});

describe("the verdict", () => {
  it("says that nothing was heard", () => {
    expect(recogniseRegion([])).toMatchObject({ verdict: "nothing-heard", name: null, confidence: 0 });
  });

  it("says that no known plan fits frequencies of no plan", () => {
    const result = recogniseRegion(frames([902.05, 905.77, 911.13, 914.41], 60, 4));
    expect(result).toMatchObject({ verdict: "no-known-plan", name: null });
  });

  it("is a probability and does not depend on the order of the receptions", () => {
    const anyHeard = fc.array(
      fc.record({
        frequencyHz: fc.integer({ min: 430_000_000, max: 930_000_000 }),
        spreadingFactor: fc.integer({ min: 5, max: 12 }),
        count: fc.integer({ min: 0, max: 200 }),
      }),
      { maxLength: 12 },
    );
    fc.assert(
      fc.property(anyHeard, (list) => {
        const heard = list.map((h) => ({ ...h, modulation: lora(h.spreadingFactor) }));
        const result = recogniseRegion(heard);
        expect(result.confidence).toBeGreaterThanOrEqual(0);
        expect(result.confidence).toBeLessThanOrEqual(1 + 1e-9);
        const reversed = recogniseRegion([...heard].reverse());
        expect(reversed.name).toBe(result.name);
        expect(reversed.confidence).toBeCloseTo(result.confidence, 9);
      }),
      { numRuns: 100 },
    );
  });
});

describe("contradictions", () => {
  it("name frequency, data rate and size that do not fit", () => {
    const result = recogniseRegion([
      ...frames(run(903.9, 8), 80, 6),
      { frequencyHz: 925_700_000, modulation: lora(8), count: 3 },
      { frequencyHz: 904_100_000, modulation: lora(12), count: 4 },
      { frequencyHz: 904_300_000, modulation: lora(10), payloadBytes: 40, count: 2 },
      { frequencyHz: 910_100_000, modulation: lora(8), count: 2 },
    ]);
    expect(result).toMatchObject({ name: "US915", subBand: 2 });
    expect(result.contradictions).toEqual([
      "3 receptions at 925.7\u202FMHz, which is not an uplink channel of US902-928.",
      "4 receptions with SF12BW125, which is not an uplink data rate of US902-928.",
      "SF10BW125 frames of up to 40 octets, more than the 24 that US902-928 allows at this data rate.",
      "2 receptions in sub-band 5, beside sub-band 2.",
    ]);
  });

  it("name a sub-band that the gateway is set to and never hears", () => {
    const heard = frames(run(903.9, 8), 30, 8);
    expect(contradictionsWith("US915", heard, { subBand: 1 })).toEqual([
      "Sub-band 1 of US902-928 was never heard in 30 receptions.",
      "30 receptions in sub-band 2, beside sub-band 1.",
    ]);
    expect(contradictionsWith("nowhere", heard)).toEqual([]);
  });

  it("name a default channel that stays silent, and a data rate on the wrong kind of channel", () => {
    const two = frames([868.1, 868.3], 60, 3);
    expect(contradictionsWith("EU868", two)).toEqual([
      "The default channel 868.5\u202FMHz of EU863-870 was never heard in 60 receptions.",
    ]);
    const misplaced: HeardChannel = { frequencyHz: 903_900_000, modulation: lora(8, 500_000), count: 2 };
    expect(contradictionsWith("US915", [misplaced])).toEqual([
      "2 receptions with SF8BW500 at 903.9\u202FMHz, a data rate that this channel does not allow.",
    ]);
  });

  it("name each sub-band that a gateway of the whole plan never hears", () => {
    const withoutFifth = [...run(902.3, 32), ...run(902.3 + 8, 24)];
    const result = recogniseRegion(frames(withoutFifth, 400, 5));
    expect(result).toMatchObject({ name: "US915", subBand: null });
    expect(result.contradictions).toEqual(["Sub-band 5 of US902-928 was never heard in 400 receptions."]);
    const australian = recogniseRegion(frames([...run(915.2, 40), ...run(915.2 + 9.6, 16)], 400, 5));
    expect(australian.contradictions).toEqual(["Sub-band 6 of AU915-928 was never heard in 400 receptions."]);
  });

  it("do not wonder at silent sub-bands beside the two that a gateway of sixteen channels listens to", () => {
    const result = recogniseRegion(frames(run(903.9, 16), 400, 5));
    expect(result).toMatchObject({ name: "US915", subBand: null, contradictions: [] });
  });

  it("do not count single receptions, which may be false detections", () => {
    expect(
      contradictionsWith("EU868", [{ frequencyHz: 902_300_000, modulation: lora(7), count: 1 }]),
    ).toEqual([]);
  });
});

/** Some receptions on one channel. */
const on = (mhz: number, count: number, spreadingFactor = 9, bandwidthHz = 125_000): HeardChannel => ({
  frequencyHz: Math.round(mhz * 1e6),
  modulation: lora(spreadingFactor, bandwidthHz),
  payloadBytes: 20,
  count,
});
const NNBSP = "\u202F";

describe("contradictions by hand", () => {
  it("outside a dynamic plan name its band, most frequent first, counts of one frequency summed", () => {
    const heard = [on(868.1, 9), on(902.3, 2), on(871.5, 1), on(871.5, 3, 12), on(863, 2), on(870, 2)];
    expect(contradictionsWith("EU868", heard)).toEqual([
      `4 receptions at 871.5${NNBSP}MHz, outside EU863-870 (863.0 to 870.0${NNBSP}MHz).`,
      `2 receptions at 902.3${NNBSP}MHz, outside EU863-870 (863.0 to 870.0${NNBSP}MHz).`,
    ]);
  });

  it("of a data rate sum up over channels", () => {
    expect(contradictionsWith("EU868", [on(868.1, 1, 9, 62_500), on(868.3, 1, 9, 62_500)])).toEqual([
      "2 receptions with SF9BW62.5, which is not an uplink data rate of EU863-870.",
    ]);
    // 125 kHz on the channel of 500 kHz: the frequency is right, the width is not.
    expect(contradictionsWith("US915", [on(903, 2, 9)])).toEqual([
      `2 receptions with SF9BW125 at 903.0${NNBSP}MHz, a data rate that this channel does not allow.`,
    ]);
    expect(contradictionsWith("US915", [on(903, 2, 8, 500_000), on(903.9, 2, 8)])).toEqual([]);
  });

  it("of a size name the largest of each data rate, from one reception on", () => {
    const sized = (spreadingFactor: number, payloadBytes: number) => ({
      ...on(868.1, 1, spreadingFactor),
      payloadBytes,
    });
    // RP002, EU868: N 51 at DR0 to DR2, so 64 octets; at DR3 115, so 128.
    expect(
      contradictionsWith("EU868", [
        sized(10, 70),
        sized(10, 90),
        sized(10, 80),
        sized(9, 129),
        sized(12, 64),
      ]),
    ).toEqual([
      "SF10BW125 frames of up to 90 octets, more than the 64 that EU863-870 allows at this data rate.",
      "SF9BW125 frames of up to 129 octets, more than the 128 that EU863-870 allows at this data rate.",
    ]);
    const { payloadBytes: _, ...unsized } = sized(10, 250);
    expect(contradictionsWith("EU868", [unsized])).toEqual([]);
  });

  it("of silence begin at 50 receptions of a plan, 100 of a sub-band", () => {
    const silent = (count: number) => contradictionsWith("EU868", [on(868.1, count - 1), on(868.3, 1)]);
    expect(silent(49)).toEqual([]);
    expect(silent(50)).toEqual([
      `The default channel 868.5${NNBSP}MHz of EU863-870 was never heard in 50 receptions.`,
    ]);
    // US915, sub-band 2 without 904.1 and 905.3 MHz; nobody used 904.6 MHz at 500 kHz, which says nothing.
    const heard = (count: number) => [
      ...[903.9, 904.3, 904.5, 904.7, 904.9].map((mhz) => on(mhz, 10)),
      on(905.1, count - 50),
    ];
    expect(contradictionsWith("US915", heard(99), { subBand: 2 })).toEqual([]);
    expect(contradictionsWith("US915", heard(100), { subBand: 2 })).toEqual([
      `Never heard in 100 receptions of sub-band 2: 904.1, 905.3${NNBSP}MHz.`,
    ]);
  });

  it("of a set sub-band begin at two receptions, others in order of their number", () => {
    expect(contradictionsWith("US915", [on(903.9, 1)], { subBand: 1 })).toEqual([]);
    expect(
      contradictionsWith("US915", [on(913.5, 1), on(913.7, 1), on(903.9, 5), on(905.5, 1)], { subBand: 1 }),
    ).toEqual([
      "Sub-band 1 of US902-928 was never heard in 8 receptions.",
      "5 receptions in sub-band 2, beside sub-band 1.",
      "2 receptions in sub-band 8, beside sub-band 1.",
    ]);
  });

  it("of silent sub-bands need half of them heard, and 50 receptions", () => {
    const four = [902.3, 905.5, 907.1, 910.3].map((mhz) => on(mhz, 15));
    // Sub-bands 1, 3, 4 and 6 were heard: 2, 5, 7 and 8 were not.
    const sentence = (subBand: number) =>
      `Sub-band ${subBand} of US902-928 was never heard in 60 receptions.`;
    expect(contradictionsWith("US915", four)).toEqual([2, 5, 7, 8].map(sentence));
    expect(
      contradictionsWith(
        "US915",
        four.slice(1).map((one) => ({ ...one, count: 20 })),
      ),
    ).toEqual([]);
    expect(
      contradictionsWith(
        "US915",
        four.map((one) => ({ ...one, count: 12 })),
      ),
    ).toEqual([]);
  });

  it("of CN470 are those with the channel set that most receptions fit", () => {
    // 486.3 to 487.7 MHz are uplinks of 26MHz-B (to 489.7) and of the older set (to 489.3), which alone has SF12.
    const heard = [...run(486.3, 8).map((mhz) => on(mhz, 10, 12)), on(509.9, 3, 12)];
    expect(contradictionsWith("CN470", heard)).toEqual([
      `3 receptions at 509.9${NNBSP}MHz, which is not an uplink channel of CN470-510.`,
    ]);
  });
});

describe("a verdict by hand", () => {
  it("is ambiguous below 80 %, its alternatives those from 5 % on, best first", () => {
    // 868.9 and 869.1 MHz, 20 frames each: defaults of RU864, a raster of EU868 without its three defaults.
    const result = recogniseRegion([on(868.9, 20), on(869.1, 20)]);
    expect(result).toMatchObject({ verdict: "recognised", name: "RU864" });
    // EU868: two places beside each other, ln(2/3) − ln 70, and three silent defaults at 0.02 each: 8e-8 of it.
    expect(result.confidence).toBeGreaterThan(0.99);
    expect(result.alternatives).toEqual([]);
  });

  it("from one frame has the odds of the weights: RU864's own channel against a place of EU868", () => {
    const one = recogniseRegion([on(868.9, 1)]);
    // RU864: ⅓ of nothing, one silent default 15/16. EU868: 70^(−1/3) × (15/16)^3. IN865 ends at 867 MHz: 1e-4^(1/3) × (15/16)^3.
    // No plan: 0.05 × 0.02^(1/3). All the others lie elsewhere: 1e-4^(1/3), dynamic ones times their silent defaults.
    const silent = 15 / 16;
    const far = 1e-4 ** (1 / 3);
    const russian = silent;
    const european = 70 ** (-1 / 3) * silent ** 3;
    const weights = [
      ...[russian, european, 0.05 * 0.02 ** (1 / 3)],
      // AS923-1 to -4: two defaults each; IN865, KR920, EU433, CN779: three; ISM2400 has neither SF9 at 125 kHz.
      ...Array<number>(4).fill(far * silent ** 2),
      ...Array<number>(4).fill(far * silent ** 3),
    ];
    const rest = weights.reduce((sum, weight) => sum + weight, 0);
    // The fixed plans and ISM2400 hold a few hundredths more.
    expect(one.confidence).toBeLessThan(russian / rest);
    expect(one.confidence).toBeGreaterThan(0.85 * (russian / rest));
    expect(one.verdict).toBe("ambiguous");
    expect(one.alternatives.map(({ name }) => name).slice(0, 2)).toEqual(["RU864", "EU868"]);
    const [first, second] = one.alternatives;
    expect((second?.confidence ?? 0) / (first?.confidence ?? 1)).toBeCloseTo(european / russian, 9);
    expect(one.reason).toMatch(/^Ambiguous: what was heard in 1 reception fits RU864, EU868/);
  });

  it("names the block of CN470 that stands out, and its channel set", () => {
    const result = recogniseRegion(run(470.3, 8).map((mhz) => on(mhz, 20, 12)));
    expect(result).toMatchObject({
      name: "CN470",
      variant: "before RP002-1.0.1",
      subBand: null,
      block: `470.3 to 471.7${NNBSP}MHz`,
      reason: `CN470-510, channels 470.3 to 471.7${NNBSP}MHz, from 160 receptions.`,
    });
    // At SF10 every set that begins at 470.3 MHz explains it alike: no set stands out, the block does.
    expect(recogniseRegion(run(470.3, 8).map((mhz) => on(mhz, 20, 10)))).toMatchObject({
      variant: null,
      block: `470.3 to 471.7${NNBSP}MHz`,
    });
  });

  it("leaves out what was counted zero times or has no frequency", () => {
    expect(recogniseRegion([on(868.1, 0), { ...on(868.1, 5), frequencyHz: 0 }]).verdict).toBe(
      "nothing-heard",
    );
    const clean = [on(868.1, 20), on(868.3, 20), on(868.5, 20)];
    expect(recogniseRegion([...clean, { ...on(868.1, 5), frequencyHz: 0 }, on(902.3, 0)])).toEqual(
      recogniseRegion(clean),
    );
  });
});

/** N + 13 at SF10, by the most generous of a region's tables: under a dwell limit AS923 allows but 24. */
const mostAtSf10: Readonly<Record<string, number>> = {
  ...{ EU868: 64, US915: 24, AU915: 64, "AS923-1": 128, "AS923-2": 128, "AS923-3": 128, "AS923-4": 128 },
  ...{ IN865: 64, KR920: 64, RU864: 64, EU433: 64, CN779: 64, CN470: 99, ISM2400: 233 },
};

describe("against every region stands", () => {
  for (const plan of regionPlans) {
    const bandwidthHz = plan.name === "ISM2400" ? 812_500 : 125_000;
    const plain = frames(plainGateways[plan.name]!, 60, 4, [7, 8, 9, 10], bandwidthHz);
    const mhz = plainGateways[plan.name]![0]!;
    const onChannel = { frequencyHz: Math.round(mhz * 1e6), modulation: lora(10, bandwidthHz) };
    const against = (...more: HeardChannel[]) => {
      const result = recogniseRegion([...plain, ...more]);
      expect(result.name).toBe(plan.name);
      return result.contradictions;
    };

    it(`a frequency outside ${plan.name}`, () => {
      const outside = { ...onChannel, frequencyHz: 600_300_000, modulation: lora(9, bandwidthHz), count: 2 };
      const [sentence, ...others] = against(outside);
      expect(sentence).toMatch(
        /^2 receptions at 600\.3\u202FMHz, (which is not an uplink channel of|outside) /,
      );
      expect(sentence).toContain(plan.plan);
      expect(others).toEqual([]);
    });

    it(`a data rate that ${plan.name} does not have`, () => {
      expect(against({ ...onChannel, modulation: lora(9, 62_500), count: 2 })[0]).toBe(
        `2 receptions with SF9BW62.5, which is not an uplink data rate of ${plan.plan}.`,
      );
    });

    it(`a payload over the most that any table of ${plan.name} allows, and none of just that size`, () => {
      const most = mostAtSf10[plan.name]!;
      expect(against({ ...onChannel, payloadBytes: most, count: 2 })).toEqual([]);
      const name = bandwidthHz === 125_000 ? "SF10BW125" : "SF10BW812.5";
      expect(against({ ...onChannel, payloadBytes: most + 1, count: 2 })).toEqual([
        `${name} frames of up to ${most + 1} octets, more than the ${most} that ${plan.plan} allows at this data rate.`,
      ]);
    });
  }
});

describe("the wrong sub-band", () => {
  it("is named beside the right one, in both plans that have sub-bands", () => {
    const stray: HeardChannel = { frequencyHz: 905_500_000, modulation: lora(8), count: 6 };
    const us = recogniseRegion([...frames(run(903.9, 8), 90, 2), stray]);
    expect(us).toMatchObject({ name: "US915", subBand: 2 });
    expect(us.contradictions).toEqual(["6 receptions in sub-band 3, beside sub-band 2."]);
    const au = recogniseRegion([
      ...frames(run(916.8, 8), 90, 2),
      { frequencyHz: 915_200_000, modulation: lora(8), count: 6 },
    ]);
    expect(au).toMatchObject({ name: "AU915", subBand: 2 });
    expect(au.contradictions).toEqual(["6 receptions in sub-band 1, beside sub-band 2."]);
  });
});
