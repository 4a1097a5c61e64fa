/**
 * The figures of the air view against published numbers: shares lost in ALOHA, rules of duty cycle and dwell time. The
 * numbers come from the documents that each test names; "from memory" where the document was not at hand.
 */
import { describe, expect, it } from "vitest";
import { judgeAirtime } from "../../src/diagnosis/status.ts";
import { airtimeOfReception } from "../../src/radio/airtime.ts";
import { bandUses, LimitTable } from "../../src/radio/airtime-limits.ts";
import { expectedCollisions } from "../../src/radio/collisions.ts";
import { regionPlan } from "../../src/radio/regions/region-plan.ts";

function limits(region: string): LimitTable {
  const plan = regionPlan(region);
  if (plan === null) throw new Error(region);
  return new LimitTable(plan);
}

/** Share lost when so many Erlang of equal frames share a channel. */
function lossAt(erlang: number): number {
  const frame = { dataRate: 7, spreadingFactor: 7, bandwidthHz: 125_000, airtimeUs: 100_000 };
  const [one] = expectedCollisions([{ ...frame, count: 36_000 * erlang }], new Map(), 3.6e9);
  return one?.aloha ?? Number.NaN;
}

describe("collisions (Abramson 1970, AFIPS 37: pure ALOHA carries G e^-2G; from memory)", () => {
  it("leave most at G = 1/2: 1/(2e) = 0.184 of the channel", () => {
    expect(0.5 * (1 - lossAt(0.5))).toBeCloseTo(0.184, 3);
    const carried = [0.3, 0.4, 0.5, 0.6, 0.7].map((erlang) => erlang * (1 - lossAt(erlang)));
    expect(Math.max(...carried)).toBe(carried[2]);
  });
});

describe("duty cycle (ETSI EN 300 220-2: 1 % of an hour in 868.0 to 868.6 MHz)", () => {
  it("LoRaWAN 1.0.x, example of a frame of 0.5 s at 1 %: silent for 49.5 s; so spaced, the hour holds 36 s", () => {
    const frames = Array.from({ length: 200 }, (_, i) => ({
      startUs: i * 50_000_000,
      airtimeUs: 500_000,
      frequencyHz: 868_100_000,
      bandwidthHz: 125_000,
    }));
    const [use] = bandUses(frames, limits("EU868"));
    expect(use).toMatchObject({ limit: 0.01, fullestHourUs: 36_000_000 });
    const judged = (atLeast: number) =>
      judgeAirtime({ atLeast, estimate: null, limit: 0.01, seconds: 10_000 }).standing;
    expect(judged((use?.fullestHourUs ?? 0) / 3.6e9)).toBe("look");
    const closer = frames.map((one) => ({ ...one, startUs: one.startUs * 0.99 }));
    expect(judged((bandUses(closer, limits("EU868"))[0]?.fullestHourUs ?? 0) / 3.6e9)).toBe("bad");
  });
});

describe("dwell time", () => {
  const sf10 = { kind: "lora", spreadingFactor: 10, bandwidthHz: 125_000, codingRate: "4/5" } as const;

  it("AS923: 24 octets at SF10 (11 of payload, LoRaMac-node's limit under dwell time) fit into 400 ms, 25 do not", () => {
    const over = (octets: number) => {
      const airtimeUs = airtimeOfReception(sf10, octets, "ok");
      const sent = { startUs: 0, airtimeUs, frequencyHz: 923_200_000, bandwidthHz: 125_000 };
      return bandUses([sent], limits("AS923-1"))[0]?.dwell?.framesOver;
    };
    expect([airtimeOfReception(sf10, 24, "ok"), airtimeOfReception(sf10, 25, "ok")]).toEqual([
      370_688, 411_648,
    ]);
    expect([over(24), over(25)]).toEqual([0, 1]);
  });

  it("47 CFR 15.247 (a)(1)(i): at most 0.4 s on one frequency within 20 s", () => {
    const sent = (atS: number) => ({
      startUs: atS * 1e6,
      airtimeUs: 370_688,
      frequencyHz: 902_300_000,
      bandwidthHz: 125_000,
    });
    const most = (...atS: number[]) =>
      bandUses(atS.map(sent), limits("US915"))[0]?.dwell?.inPeriod ?? { mostUs: 0, limitUs: 0 };
    expect(most(0, 25)).toMatchObject({ mostUs: 370_688, limitUs: 400_000, periodUs: 20_000_000 });
    expect(most(0, 15).mostUs).toBe(741_376);
  });
});
