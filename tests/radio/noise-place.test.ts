import { describe, expect, it } from "vitest";
import type { TimedNoise } from "../../src/radio/noise.ts";
import { levelOf, type NoiseTime, noisePlace, type PlaceGateway } from "../../src/radio/noise-place.ts";

const MINUTE_US = 60e6;
/** Loud from minute 60 to 120 of three hours. */
const TIME: NoiseTime = {
  fromUs: 60 * MINUTE_US,
  toUs: 120 * MINUTE_US,
  isOn: (atUs) => atUs >= 60 * MINUTE_US && atUs <= 120 * MINUTE_US,
  isOff: (atUs) => atUs < 60 * MINUTE_US || atUs > 120 * MINUTE_US,
  onUs: 60 * MINUTE_US,
  offUs: 120 * MINUTE_US,
};

/** One sample in two minutes, 0.5 dB below and above its level by turns; a packet with each. */
function gateway(
  eui: string,
  quietDbm: number,
  loudDbm: number | null,
  more: Partial<PlaceGateway> = {},
): PlaceGateway {
  const samples = Array.from({ length: 90 }, (_, i): TimedNoise[] => {
    const atUs = (2 * i + 0.5) * MINUTE_US;
    const level = TIME.isOn(atUs) ? loudDbm : quietDbm;
    return level === null ? [] : [{ atUs, noiseDbm: level + (i % 2 === 0 ? -0.5 : 0.5), trust: "good" }];
  }).flat();
  return {
    eui,
    channels: [
      {
        frequencyHz: 868_300_000,
        samples,
        drowning: samples.map(({ atUs }) => ({ atUs, dbm: -100 })),
      },
    ],
    antennaGainDbi: null,
    quietDbm: null,
    isAlive: true,
    ...more,
  };
}

describe("the level of samples", () => {
  it("is their median; its error 1.2533 robust deviations over the root of their number", () => {
    // 30 values at -0.5 and +0.5 by turns: MAD 0.5, deviation 0.7413; they are no fewer than 30, for they alternate.
    const samples = Array.from({ length: 30 }, (_, i) => ({
      atUs: i,
      noiseDbm: -100 + (i % 2 === 0 ? -0.5 : 0.5),
      trust: "good" as const,
    }));
    expect(levelOf(samples)).toEqual({
      dbm: -100,
      error: expect.closeTo((1.2533 * 0.7413) / Math.sqrt(30), 3),
      samples: 30,
    });
    expect(levelOf(samples.slice(0, 4))).toBeNull();
  });

  it("counts samples that follow their neighbours as fewer, in whichever order they are handed in", () => {
    // Fifteen below, then fifteen above: some two values, not thirty.
    const samples = Array.from({ length: 30 }, (_, i) => ({
      atUs: i,
      noiseDbm: -100 + (i < 15 ? -0.5 : 0.5),
      trust: "good" as const,
    }));
    const level = levelOf(samples);
    expect(level?.error).toBeGreaterThan((1.2533 * 0.7413) / Math.sqrt(8));
    const mixed = samples.map((_, i) => samples[(i * 7) % 30] ?? samples[0]!);
    expect(levelOf(mixed)).toEqual(level);
  });
});

describe("the place of a noise", () => {
  it("is the gateway that receives most of it, with the interval of gateways that differ", () => {
    // 16 dB over -116: the noise alone is 10 log10(1 - 10^-1.6) = -0.11 dB below the sum, -100.1 dBm; at the other
    // 6 dB over -116: -1.26 dB, -111.3 dBm. 11.1 dB; 1.96 x 1.5 x sqrt 2 = 4.2 dB and a little for the samples.
    const place = noisePlace([gateway("A", -116, -110), gateway("B", -116, -100)], TIME);
    expect(place).toMatchObject({ verdict: "strongest", eui: "B", weakestEui: "A", reason: null });
    expect(place.differenceDb).toBeCloseTo(11.15, 1);
    expect((place.differenceDb ?? 0) - (place.lowDb ?? 0)).toBeGreaterThan(4.16);
    expect((place.differenceDb ?? 0) - (place.lowDb ?? 0)).toBeLessThan(4.4);
    expect(place.gateways.map(({ status, riseDb }) => [status, riseDb])).toEqual([
      ["raised", 6],
      ["raised", 16],
    ]);
    expect(place.gateways[1]?.receivedDbm).toBeCloseTo(-100.11, 1);
  });

  it("takes off antenna gains that were given for both", () => {
    const place = noisePlace(
      [gateway("A", -116, -110, { antennaGainDbi: 2 }), gateway("B", -116, -100, { antennaGainDbi: 8 })],
      TIME,
    );
    expect(place.differenceDb).toBeCloseTo(5.15, 1);
  });

  it("is at least some dB where the other gateway shows no rise", () => {
    const place = noisePlace([gateway("A", -116, -116), gateway("B", -116, -100)], TIME);
    expect(place).toMatchObject({ verdict: "strongest", eui: "B", differenceDb: null, highDb: null });
    // No rise of more than 0.5 dB: at most -125.1 dBm of noise alone.
    expect(place.lowDb).toBeGreaterThan(15);
  });

  it("is open within the interval, and alike where it surely lies within 6 dB", () => {
    expect(noisePlace([gateway("A", -116, -103), gateway("B", -116, -100)], TIME)).toMatchObject({
      verdict: "open",
      reason: "interval",
      eui: null,
    });
    expect(noisePlace([gateway("A", -116, -100), gateway("B", -116, -100)], TIME)).toMatchObject({
      verdict: "alike",
    });
  });

  it("is the gateway that heard nothing meanwhile, when its usual packets stand far above the other's noise", () => {
    // Its median packet drowns at -100 dBm; at the other the noise is -111.3 dBm.
    const place = noisePlace([gateway("A", -116, -110), gateway("B", -116, null)], TIME);
    expect(place).toMatchObject({ verdict: "strongest", eui: "B", differenceDb: null });
    expect(place.gateways[1]).toMatchObject({ status: "drowned", heard: 0, expected: 30 });
  });

  it("is open where both are drowned, and where one is and the other's noise is stronger than its packets", () => {
    expect(noisePlace([gateway("A", -116, null), gateway("B", -116, null)], TIME)).toMatchObject({
      verdict: "open",
      reason: "drowned",
    });
    // At -60 dBm surely more than the -100 of A's packets; what drowned A may have been stronger yet.
    expect(noisePlace([gateway("A", -116, null), gateway("B", -116, -60)], TIME)).toMatchObject({
      verdict: "open",
      reason: "drowned",
    });
  });

  it("is not where there is no rise, however noisy it always was", () => {
    // At A -80 dBm all along, so at most some -89 of the noise alone; at B it rose to -110.
    expect(noisePlace([gateway("A", -80, -80), gateway("B", -116, -110)], TIME)).toMatchObject({
      verdict: "open",
      reason: "interval",
    });
  });

  it("is open when a gateway heard nothing at all, for it may have been off", () => {
    expect(
      noisePlace([gateway("A", -116, -110), gateway("B", -116, null, { isAlive: false })], TIME),
    ).toMatchObject({ verdict: "open" });
    expect(
      noisePlace(
        [gateway("A", -116, -116), gateway("B", -116, -100), gateway("C", -116, null, { isAlive: false })],
        TIME,
      ),
    ).toMatchObject({ verdict: "open", reason: "drowned" });
  });

  it("is open with one gateway", () => {
    expect(noisePlace([gateway("A", -116, -100)], TIME)).toMatchObject({
      verdict: "open",
      reason: "one gateway",
    });
  });
});

describe("one gateway's noise by hand", () => {
  const Z95 = 1.959964;
  /** Error of 30 samples half a dB about their level: 1.2533 × 0.7413 / √30. */
  const ERROR_30 = (1.2533 * 0.5 * 1.4826) / Math.sqrt(30);
  const ERROR_60 = (1.2533 * 0.5 * 1.4826) / Math.sqrt(60);
  const one = (...more: PlaceGateway[]) => noisePlace(more, TIME).gateways[0];

  it("is told field by field", () => {
    const raised = one(gateway("A", -116, -106));
    expect(raised).toMatchObject({
      eui: "A",
      status: "raised",
      frequencyHz: 868_300_000,
      samples: 30,
      quietDbm: -116,
      loudDbm: -106,
      riseDb: 10,
      heard: 30,
      expected: 30,
    });
    // 10 dB over the quiet level: 10 log10(1 − 0.1) = −0.458 dB.
    expect(raised?.receivedDbm).toBeCloseTo(-106.4576, 3);
    const half = Z95 * Math.hypot(ERROR_30, ERROR_60);
    expect(raised?.riseInterval?.[0]).toBeCloseTo(10 - half, 3);
    expect(raised?.riseInterval?.[1]).toBeCloseTo(10 + half, 3);
  });

  it("that is not surely raised has a rise and no power of its own", () => {
    expect(one(gateway("A", -116, -116))).toMatchObject({
      status: "not raised",
      riseDb: 0,
      receivedDbm: null,
    });
    // Surely raised is a lower end above 0.5 dB; the half interval is 0.41 dB.
    expect(one(gateway("A", -116, -115.2))).toMatchObject({ status: "not raised" });
    expect(one(gateway("A", -116, -115))).toMatchObject({ status: "raised" });
  });

  it("that heard nothing is drowned at least at the median of its packets, less its own quiet noise", () => {
    const drowned = one(gateway("A", -116, null));
    expect(drowned).toMatchObject({
      status: "drowned",
      samples: 0,
      loudDbm: null,
      riseDb: null,
      riseInterval: null,
    });
    // 16 dB over the quiet level: 10 log10(1 − 10^−1.6) = −0.110 dB.
    expect(drowned?.receivedDbm).toBeCloseTo(-100.1105, 3);
  });

  it("that has no usual packets, or none that stand 3 dB over its noise, is too few", () => {
    const alive = gateway("A", -116, null);
    const channel = alive.channels[0]!;
    const near = {
      ...alive,
      channels: [{ ...channel, drowning: channel.drowning.map(({ atUs }) => ({ atUs, dbm: -113.1 })) }],
    };
    expect(one(near)).toMatchObject({
      status: "too few",
      receivedDbm: null,
      quietDbm: null,
      frequencyHz: null,
    });
    const far = {
      ...alive,
      channels: [{ ...channel, drowning: channel.drowning.map(({ atUs }) => ({ atUs, dbm: -113 })) }],
    };
    expect(one(far)).toMatchObject({ status: "drowned" });
    // 19 packets in the quiet two hours are 9.5 expected in one; 20 are ten.
    const few = (count: number) => ({
      ...alive,
      channels: [{ ...channel, drowning: channel.drowning.slice(0, count) }],
    });
    expect(one(few(19))).toMatchObject({ status: "too few", heard: 0, expected: 10 });
    expect(one(few(20))).toMatchObject({ status: "drowned", heard: 0, expected: 10 });
  });

  it("that heard a fifth of its usual packets or more is not drowned", () => {
    const alive = gateway("A", -116, null);
    const channel = alive.channels[0]!;
    const withHeard = (count: number) => ({
      ...alive,
      channels: [
        {
          ...channel,
          drowning: [
            ...channel.drowning,
            ...Array.from({ length: count }, (_, i) => ({ atUs: (70 + i) * MINUTE_US, dbm: -100 })),
          ],
        },
      ],
    });
    // Thirty expected: six are a fifth.
    expect(one(withHeard(5))).toMatchObject({ status: "drowned", heard: 5, expected: 30 });
    expect(one(withHeard(6))).toMatchObject({ status: "too few", heard: 6, expected: 30 });
  });

  it("takes the quiet level that was handed in", () => {
    const given = one(gateway("A", -116, -106, { quietDbm: { dbm: -109, error: 0, samples: 50 } }));
    expect(given).toMatchObject({ quietDbm: -109, riseDb: 3, status: "raised" });
    expect(given?.riseInterval?.[1]).toBeCloseTo(3 + Z95 * ERROR_30, 3);
  });

  it("is that of the channel with most samples, and counts the packets of all", () => {
    const first = gateway("A", -116, -106);
    const second = gateway("A", -112, -100).channels[0]!;
    const fewer = {
      ...second,
      frequencyHz: 868_500_000,
      samples: second.samples.filter((_, i) => i % 2 === 0),
    };
    expect(one({ ...first, channels: [fewer, ...first.channels] })).toMatchObject({
      frequencyHz: 868_300_000,
      quietDbm: -116,
      heard: 60,
      expected: 60,
    });
  });

  it("of which half is lost is not believed from the frames that were read", () => {
    // Thirty expected and 10 read: they have met pauses; 10 is more than a fifth, so not drowned either.
    const quiet = gateway("A", -116, -116);
    const channel = quiet.channels[0]!;
    const loud = channel.drowning.filter(({ atUs }) => TIME.isOn(atUs));
    const thinned = {
      ...quiet,
      channels: [
        {
          ...channel,
          drowning: [...channel.drowning.filter(({ atUs }) => TIME.isOff(atUs)), ...loud.slice(0, 10)],
        },
      ],
    };
    expect(one(thinned)).toMatchObject({ status: "too few", heard: 10, expected: 30 });
    // 18 of 30 are more than half, though fewer than chance leaves: 18 + 2 √30 < 30.
    const half = {
      ...quiet,
      channels: [
        {
          ...channel,
          drowning: [...channel.drowning.filter(({ atUs }) => TIME.isOff(atUs)), ...loud.slice(0, 18)],
        },
      ],
    };
    expect(one(half)).toMatchObject({ status: "not raised", heard: 18 });
    // 20 of 30: within chance, 20 + 2 √30 > 30.
    const most = {
      ...quiet,
      channels: [
        {
          ...channel,
          drowning: [...channel.drowning.filter(({ atUs }) => TIME.isOff(atUs)), ...loud.slice(0, 20)],
        },
      ],
    };
    expect(one(most)).toMatchObject({ status: "not raised", heard: 20 });
  });
});

describe("the comparison of three gateways", () => {
  const three = [gateway("A", -116, -110), gateway("B", -116, -90), gateway("C", -116, -100)];

  it("names the strongest, the one that comes next, and the one farthest below", () => {
    const place = noisePlace(three, TIME);
    expect(place).toMatchObject({ verdict: "strongest", eui: "B", nextEui: "C", weakestEui: "A" });
    // −90.011 less −100.110
    expect(place.differenceDb).toBeCloseTo(10.1, 1);
    expect((place.highDb ?? 0) + (place.lowDb ?? 0)).toBeCloseTo(2 * (place.differenceDb ?? 0), 9);
    // Without samples' errors: 1.96 × √2 × 1.5 dB.
    expect((place.highDb ?? 0) - (place.differenceDb ?? 0)).toBeCloseTo(Math.hypot(4.158, 0.43), 1);
  });

  it("is open with few where only one has samples", () => {
    const none = { ...gateway("A", -116, null), isAlive: false };
    const [judged] = noisePlace([{ ...none, channels: [] }, three[1]!], TIME).gateways;
    expect(judged).toMatchObject({ status: "too few", heard: 0, expected: 0, samples: 0 });
    expect(noisePlace([{ ...none, channels: [] }, three[1]!], TIME)).toMatchObject({
      verdict: "open",
      reason: "few",
      eui: null,
      nextEui: null,
      weakestEui: null,
      lowDb: null,
      highDb: null,
    });
  });

  it("is open with few where gateways share no channel", () => {
    const other = gateway("B", -116, -90);
    const elsewhere = {
      ...other,
      channels: other.channels.map((one) => ({ ...one, frequencyHz: 867_100_000 })),
    };
    expect(noisePlace([three[0]!, elsewhere], TIME)).toMatchObject({ verdict: "open", reason: "few" });
  });

  it("takes no gain off that was given for one alone", () => {
    const bare = noisePlace([three[0]!, three[1]!], TIME).differenceDb;
    const given = noisePlace([three[0]!, { ...three[1]!, antennaGainDbi: 8 }], TIME).differenceDb;
    expect(given).toBe(bare);
  });

  it("compares levels where both have samples at the same time", () => {
    // B was loud by 26 dB in the first half hour and by 6 in the second; A has samples in the second alone.
    const half = 90 * MINUTE_US;
    const samplesOf = (given: PlaceGateway, keep: (atUs: number) => boolean) => ({
      ...given,
      channels: given.channels.map((one) => ({
        ...one,
        samples: one.samples.filter(({ atUs }) => keep(atUs)),
      })),
    });
    const early = samplesOf(gateway("B", -116, -90), (atUs) => atUs < half || TIME.isOff(atUs)).channels[0]!;
    const late = samplesOf(gateway("B", -116, -110), (atUs) => atUs >= half && TIME.isOn(atUs)).channels[0]!;
    const b = {
      ...gateway("B", -116, -110),
      // Never at the same moment: 20 s later.
      channels: [
        {
          ...early,
          samples: [...early.samples, ...late.samples].map((one) => ({ ...one, atUs: one.atUs + 20e6 })),
        },
      ],
    };
    const a = samplesOf(gateway("A", -116, -100), (atUs) => TIME.isOff(atUs) || atUs >= half);
    // Both in the second half, 15 samples each, the middle one half a dB above: A −99.598, B −110.598 dBm.
    expect(noisePlace([a, b], TIME)).toMatchObject({ verdict: "strongest", eui: "A" });
    expect(noisePlace([a, b], TIME).differenceDb).toBeCloseTo(11.0, 2);
  });
});
