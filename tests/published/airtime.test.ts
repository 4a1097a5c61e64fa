/**
 * Do whole tables of published airtime figures agree, beyond the single check values?
 */
import { describe, expect, it } from "vitest";
import type { CodingRate } from "../../src/model/modulation.ts";
import { loraAirtime } from "../../src/radio/airtime.ts";
import { regionPlan, uplinkDataRates } from "../../src/radio/regions/region-plan.ts";

function ms(spreadingFactor: number, payloadBytes: number, more: object = {}): number {
  return (
    loraAirtime({ spreadingFactor, bandwidthHz: 125_000, codingRate: 1, payloadBytes, ...more }).airtimeUs /
    1000
  );
}

describe("LoRaWAN Regional Parameters, AS923 and US902-928: payload limits at 400 ms", () => {
  // Maximum N of FRMPayload with a 400 ms dwell time at SF10, SF9, SF8 and SF7: 11, 53, 125, 242; PHYPayload N + 13
  it.each([
    [10, 11],
    [9, 53],
    [8, 125],
    [7, 242],
  ])("SF%i carries N = %i within 400 ms", (spreadingFactor, n) => {
    expect(ms(spreadingFactor, n + 13)).toBeLessThanOrEqual(400);
  });

  it("SF11 and SF12 carry no frame within 400 ms", () => {
    // The shortest data frame has 12 octets (LoRaWAN 1.0.x, 4)
    expect(ms(11, 12)).toBeGreaterThan(400);
    expect(ms(12, 12)).toBeGreaterThan(400);
  });
});

describe("public worksheet built on Semtech AN1200.13: SF9, 125 kHz, 13 octets", () => {
  it("has 28 payload symbols, 50.176 ms of preamble and 114.688 ms of payload", () => {
    const airtime = loraAirtime({
      spreadingFactor: 9,
      bandwidthHz: 125_000,
      codingRate: 1,
      payloadBytes: 13,
    });
    expect(airtime.payloadSymbols).toBe(28);
    expect((airtime.preambleSymbols * airtime.symbolUs) / 1000).toBeCloseTo(50.176, 9);
    expect((airtime.payloadSymbols * airtime.symbolUs) / 1000).toBeCloseTo(114.688, 9);
  });
});

describe("SX1302 HAL against the air: forced optimisation at SF11 and SF12 (sx1302_hal, lora_packet_time_on_air)", () => {
  it("its queue believes 534.528 ms at SF12/500 and 575.488 ms at SF11/250", () => {
    const downlink = { crc: false, lowDataRateOptimisation: true };
    expect(ms(12, 46, { ...downlink, bandwidthHz: 500_000 })).toBeCloseTo(534.528, 9);
    expect(ms(11, 46, { ...downlink, bandwidthHz: 250_000 })).toBeCloseTo(575.488, 9);
  });
});

describe("Bor, Roedig, Voigt, Alonso, MSWiM 2016: SF6/500, 20 octets, implicit header", () => {
  it("differs by transmitter family: 7.072 ms from SX127x, 7.328 ms from SX126x", () => {
    const settings = { bandwidthHz: 500_000, explicitHeader: false };
    expect(ms(6, 20, { ...settings, transmitter: "sx127x" })).toBeCloseTo(7.072, 9);
    expect(ms(6, 20, settings)).toBeCloseTo(7.328, 9);
  });
});

describe("LoRaWAN Regional Parameters RP002-1.0.4: LR-FHSS data rates of the regions", () => {
  const REGIONS = [
    "EU868",
    "US915",
    "AU915",
    "AS923-1",
    "IN865",
    "KR920",
    "RU864",
    "EU433",
    "CN779",
    "CN470",
  ];

  function dataRatesOf(operatingWidthHz: number, codingRate: CodingRate): string[] {
    return REGIONS.flatMap((region) => {
      const [variant] = regionPlan(region)?.variants ?? [];
      if (variant === undefined) throw new Error(`no plan ${region}`);
      const hopping = { kind: "lr-fhss", type: 0, operatingWidthHz, codingRate } as const;
      return uplinkDataRates(variant, hopping).map((dr) => `${region} DR${dr}`);
    });
  }

  it.each<[number, CodingRate, CodingRate, string[]]>([
    [137_000, "1/3", "2/6", ["EU868 DR8"]],
    [137_000, "2/3", "4/6", ["EU868 DR9"]],
    [336_000, "1/3", "2/6", ["EU868 DR10"]],
    [336_000, "2/3", "4/6", ["EU868 DR11"]],
    [1_523_000, "1/3", "2/6", ["US915 DR5", "AU915 DR7"]],
    [1_523_000, "2/3", "4/6", ["US915 DR6"]],
    [137_000, "5/6", "3/6", []],
  ])("%i Hz at %s or %s belongs to %j", (widthHz, codingRate, inSixths, expected) => {
    expect(dataRatesOf(widthHz, codingRate)).toEqual(expected);
    expect(dataRatesOf(widthHz, inSixths)).toEqual(expected);
  });
});
