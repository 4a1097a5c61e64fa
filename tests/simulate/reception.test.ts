import { describe, expect, it } from "vitest";
import {
  deliveryProbability,
  detectionProbability,
  marginDb,
  reportedSnrDb,
  reportSignal,
  sumPowersDbm,
  survivesInterference,
} from "../../src/simulate/radio-link.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";

const dB = (from: number, to: number, step: number) =>
  Array.from({ length: Math.round((to - from) / step) + 1 }, (_, index) => from + index * step);

describe("the demodulator's knee", () => {
  // SX1276 data sheet, Table 13; SX1272 data sheet, Table 13.
  it.each([
    [7, -7.5],
    [8, -10],
    [9, -12.5],
    [10, -15],
    [11, -17.5],
    [12, -20],
  ])("lies for SF%i at the data sheets' %f dB", (spreadingFactor, floorDb) => {
    expect(marginDb(floorDb, spreadingFactor)).toBe(0);
    expect(deliveryProbability(marginDb(floorDb, spreadingFactor))).toBeCloseTo(0.5, 9);
  });

  it("is soft: frames come 2 dB below, losses happen 2 dB above, none matter at 5 dB", () => {
    expect(deliveryProbability(-2)).toBeGreaterThan(0.03);
    expect(deliveryProbability(-5)).toBeLessThan(0.005);
    expect(deliveryProbability(2)).toBeLessThan(0.97);
    expect(deliveryProbability(5)).toBeGreaterThan(0.995);
  });

  it("never reads a payload without its header, and more power never hurts", () => {
    for (const margin of dB(-10, 10, 0.25)) {
      expect(detectionProbability(margin)).toBeGreaterThan(deliveryProbability(margin));
      expect(deliveryProbability(margin + 0.25)).toBeGreaterThan(deliveryProbability(margin));
    }
  });
});

describe("what a concentrator reports", () => {
  const reports = (signalDbm: number, noiseDbm: number) => {
    const random = createRandom(5);
    return Array.from({ length: 400 }, () => reportSignal(signalDbm, noiseDbm, [], random));
  };
  const mean = (values: number[]) => values.reduce((sum, value) => sum + value, 0) / values.length;

  // Expected signal power of the LoRa link-estimation literature: RSSI + SNR - 10 log10(1 + 10^(SNR/10)).
  it.each([-20, -12, -5, 0, 5])("keeps signal power = ESP(RSSI, SNR) at %i dB SNR", (snrDb) => {
    const esp = reports(-117 + snrDb, -117).map(
      (report) => report.rssiDbm + report.snrDb - 10 * Math.log10(1 + 10 ** (report.snrDb / 10)),
    );
    expect(mean(esp)).toBeCloseTo(-117 + snrDb, 0);
  });

  it("puts channel RSSI near the noise and signal RSSI below it for weak frames", () => {
    // Published pair: rssi -100, rssis -110, lsnr -11.0 (issue 48 of the SX1302 HAL): the channel holds the noise.
    const [report] = reports(-111, -100);
    expect(report!.rssiDbm).toBeGreaterThanOrEqual(-101);
    expect(report!.rssiDbm).toBeLessThanOrEqual(-98);
    expect(report!.signalRssiDbm).toBeGreaterThanOrEqual(-113);
    expect(report!.signalRssiDbm).toBeLessThanOrEqual(-109);
  });

  it("saturates near +12 dB and is true below +6 dB", () => {
    for (const snrDb of dB(-25, 6, 0.5))
      expect(Math.abs(reportedSnrDb(snrDb, 0) - snrDb)).toBeLessThanOrEqual(0.25);
    for (const snrDb of dB(18, 90, 4)) expect(reportedSnrDb(snrDb, 0)).toBe(12);
    for (const snrDb of dB(-25, 60, 0.5))
      expect(reportedSnrDb(snrDb + 0.5, 0)).toBeGreaterThanOrEqual(reportedSnrDb(snrDb, 0));
  });

  it("counts SNR in quarters and power in whole dBm", () => {
    for (const { rssiDbm, signalRssiDbm, snrDb } of reports(-120, -117)) {
      expect(snrDb * 4).toBe(Math.round(snrDb * 4));
      expect([rssiDbm, signalRssiDbm].every(Number.isInteger)).toBe(true);
    }
  });
});

describe("capture", () => {
  const other = (spreadingFactor: number, powerDbm: number) => ({ spreadingFactor, powerDbm });

  it("needs 6 dB over frames of the same spreading factor, all of them together", () => {
    expect(survivesInterference(-100, 7, [other(7, -106)])).toBe(true);
    expect(survivesInterference(-100, 7, [other(7, -105.9)])).toBe(false);
    expect(survivesInterference(-100, 7, [other(7, -107), other(7, -107)])).toBe(false);
  });

  it("bears other spreading factors that are far stronger", () => {
    // Goursaud and Gorce 2015: SF12 against SF7, -36 dB.
    expect(survivesInterference(-120, 12, [other(7, -85)])).toBe(true);
    expect(survivesInterference(-120, 12, [other(7, -83)])).toBe(false);
    expect(survivesInterference(-120, 12, [])).toBe(true);
  });

  it("adds powers, not decibels", () => {
    expect(sumPowersDbm([-100, -100])).toBeCloseTo(-96.99, 2);
    expect(sumPowersDbm([])).toBe(Number.NEGATIVE_INFINITY);
  });
});
