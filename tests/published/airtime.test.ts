/**
 * Do whole tables of published airtime figures agree, beyond the single check values?
 */
import { describe, expect, it } from "vitest";
import { loraAirtime } from "../../src/radio/airtime.ts";

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
