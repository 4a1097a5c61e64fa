import { describe, expect, it } from "vitest";
import { chargeADay, transmitCurrentMa, USUAL_POWER } from "../../../src/radio/capacity/charge.ts";

describe("the charge of a node's radio a day", () => {
  it("is what sending, both windows and sleeping draw, by hand", () => {
    const power = { ...USUAL_POWER, transmitMa: 40, receiveMa: 10, sleepUa: 2, batteryMah: 2000 };
    const sending = { framesADay: 144, airtimeMs: 1482.752, spreadingFactor: 12, bandwidthHz: 125_000 };
    const charge = chargeADay(sending, power);
    // 144 × 1.482752 s
    expect(charge.airtimeSecondsADay).toBeCloseTo(213.516_288, 6);
    // 144 × 8 symbols × (32.768 ms + 32.768 ms)
    expect(charge.receiveSecondsADay).toBeCloseTo(75.497_472, 6);
    // 213.516288 s × 40 mA / 3600
    expect(charge.transmitMahADay).toBeCloseTo(2.372_403, 5);
    expect(charge.receiveMahADay).toBeCloseTo(0.209_715, 5);
    // (86 400 − 289.01376) s × 0.002 mA / 3600
    expect(charge.sleepMahADay).toBeCloseTo(0.047_839, 5);
    expect(charge.totalMahADay).toBeCloseTo(2.629_958, 5);
    expect(charge.batteryDays).toBeCloseTo(760.47, 1);
  });

  it("takes the table's current at its powers, and between them a straight line", () => {
    expect([7, 13, 17, 20].map(transmitCurrentMa)).toEqual([20, 29, 87, 120]);
    expect([2, 30].map(transmitCurrentMa)).toEqual([20, 120]);
    // 29 + (87 − 29) / 4
    expect(transmitCurrentMa(14)).toBe(43.5);
  });

  it("knows no end of a battery that nothing draws from", () => {
    const idle = { ...USUAL_POWER, sleepUa: 0 };
    const sending = { framesADay: 0, airtimeMs: 0, spreadingFactor: 7, bandwidthHz: 125_000 };
    expect(chargeADay(sending, idle)).toMatchObject({ totalMahADay: 0, batteryDays: null });
  });
});
