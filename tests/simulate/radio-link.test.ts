import { describe, expect, it } from "vitest";
import { levelAt } from "../../src/simulate/effects.ts";
import { Link } from "../../src/simulate/radio-link.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { gateway, node, SHED, site } from "./small-site.ts";

const link = (nodeMore: object, gatewayMore: object = {}) => {
  const scenario = site({ gateways: [gateway(SHED, gatewayMore)], nodes: [node(nodeMore)] });
  return new Link(scenario.nodes[0]!, scenario.gateways[0]!, scenario.events, createRandom(4));
};
const minutes = (count: number) => Array.from({ length: count }, (_, index) => index * 60e6);
const spread = (values: number[]) => {
  const mean = values.reduce((sum, value) => sum + value, 0) / values.length;
  return Math.sqrt(values.reduce((sum, value) => sum + (value - mean) ** 2, 0) / values.length);
};

describe("Link", () => {
  it("gives power sent plus path gain plus antenna gain when nothing fades", () => {
    const still = link({ fastFadingDb: 0, slowFadingDb: 0 }, { antennas: [{ gainDb: 0 }, { gainDb: -3.5 }] });
    expect(still.powersDbm(0)).toEqual([14 - 100, 14 - 100 - 3.5]);
  });

  it("varies from frame to frame with the spread of fast fading", () => {
    const fast = link({ fastFadingDb: 3, slowFadingDb: 0 });
    expect(spread(minutes(4000).map((atUs) => fast.powersDbm(atUs)![0]!))).toBeCloseTo(3, 0);
  });

  it("varies slowly with shadowing: neighbours in time are alike, distant ones are not", () => {
    const slow = link({ fastFadingDb: 0, slowFadingDb: 4, slowFadingMinutes: 30 });
    const values = minutes(20_000).map((atUs) => slow.powersDbm(atUs)![0]!);
    const differences = (step: number) => values.slice(step).map((value, index) => value - values[index]!);
    expect(spread(values)).toBeCloseTo(4, 0);
    // Correlation exp(-t/30 min): sigma of a difference = 4 sqrt(2 (1 - r)).
    expect(spread(differences(1))).toBeCloseTo(4 * Math.sqrt(2 * (1 - Math.exp(-1 / 30))), 1);
    expect(spread(differences(240))).toBeGreaterThan(5);
  });

  it("loses what distance takes by the Oulu model where no path gain is told", () => {
    const position = { latitudeDeg: 0, longitudeDeg: 0, altitudeM: 0 };
    // One arc minute of a great circle: 1853.25 m.
    const away = { latitudeDeg: 1 / 60, longitudeDeg: 0, altitudeM: 0 };
    const still = { fastFadingDb: 0, slowFadingDb: 0, pathGainDb: {}, position: away };
    // Petäjäjärvi et al. 2015: 128.95 dB at 1 km, exponent 2.32.
    expect(link(still, { position }).powersDbm(0)![0]).toBeCloseTo(
      14 - 128.95 - 23.2 * Math.log10(1.85325),
      2,
    );
  });

  it("is silent where the path is told to be none", () => {
    expect(link({ pathGainDb: { [SHED]: null } }).powersDbm(0)).toBeNull();
  });
});

describe("a change of level", () => {
  const fade = { fromUs: 100, toUs: 400, riseUs: 100, fallUs: 0, changeDb: -20 };

  it("ramps, stays and ends", () => {
    expect([0, 99, 100, 150, 200, 399, 400].map((atUs) => levelAt(fade, atUs))).toEqual([
      0, 0, -0, -10, -20, -20, 0,
    ]);
    expect(levelAt({ ...fade, toUs: Number.POSITIVE_INFINITY }, 1e12)).toBe(-20);
  });

  it("may go as it came", () => {
    const both = { ...fade, fallUs: 100 };
    expect([100, 200, 300, 350, 399, 400].map((atUs) => levelAt(both, atUs))).toEqual([
      -0, -20, -20, -10, -0.2, 0,
    ]);
  });
});

describe("fast fading with a line of sight", () => {
  const powers = (more: object) => {
    const one = link({ fastFadingDb: 0, slowFadingDb: 0, ...more });
    return minutes(20_000).map((atUs) => 10 ** ((one.powersDbm(atUs)![0]! + 86) / 10));
  };
  const mean = (values: number[]) => values.reduce((sum, value) => sum + value, 0) / values.length;

  it("keeps the mean power, and is exponential in power without one (Rayleigh)", () => {
    const rayleigh = powers({ fastFading: "rayleigh" });
    expect(mean(rayleigh)).toBeCloseTo(1, 1);
    // Exponential distribution: P(power < 0.1 of the mean) = 1 - exp(-0.1).
    expect(mean(rayleigh.map((power) => (power < 0.1 ? 1 : 0)))).toBeCloseTo(1 - Math.exp(-0.1), 1.7);
  });

  it("spreads by (1 + 2K) / (1 + K)^2 of the squared mean (Rice)", () => {
    const rician = powers({ fastFading: "rician", ricianKDb: 6 });
    const k = 10 ** 0.6;
    expect(mean(rician)).toBeCloseTo(1, 1);
    expect(mean(rician.map((power) => (power - 1) ** 2))).toBeCloseTo((1 + 2 * k) / (1 + k) ** 2, 1);
  });
});
