import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { CodingRate, Modulation } from "../../src/model/modulation.ts";
import {
  airtimeNotKnown,
  airtimeOfReception,
  fskAirtime,
  loraAirtime,
  lrFhssAirtime,
} from "../../src/radio/airtime.ts";

const spreadingFactor = fc.integer({ min: 5, max: 12 });
const bandwidthHz = fc.constantFrom(7812.5, 62_500, 125_000, 250_000, 500_000, 203_125, 812_500, 1_625_000);
const plainRate = fc.constantFrom("4/5" as const, "4/6" as const, "4/7" as const, "4/8" as const);
const anyRate = fc.constantFrom<CodingRate>("4/5", "4/6", "4/7", "4/8", "4/5LI", "4/6LI", "4/8LI");

describe("LoRa airtime", () => {
  it("never falls when the payload grows", () => {
    fc.assert(
      fc.property(
        spreadingFactor,
        bandwidthHz,
        anyRate,
        fc.integer({ min: 0, max: 254 }),
        fc.boolean(),
        fc.boolean(),
        (sf, bw, cr, size, explicitHeader, crc) => {
          const common = {
            spreadingFactor: sf,
            bandwidthHz: bw,
            codingRate: cr as "4/5",
            explicitHeader,
            crc,
          };
          const shorter = loraAirtime({ ...common, payloadBytes: size }).airtimeUs;
          expect(loraAirtime({ ...common, payloadBytes: size + 1 }).airtimeUs).toBeGreaterThanOrEqual(
            shorter,
          );
        },
      ),
    );
  });

  it("grows by one symbol for each symbol of preamble", () => {
    fc.assert(
      fc.property(spreadingFactor, bandwidthHz, fc.integer({ min: 6, max: 1000 }), (sf, bw, preamble) => {
        const common = { spreadingFactor: sf, bandwidthHz: bw, codingRate: 1 as const, payloadBytes: 20 };
        const short = loraAirtime({ ...common, preambleSymbols: preamble });
        const long = loraAirtime({ ...common, preambleSymbols: preamble + 1 });
        expect(long.airtimeUs - short.airtimeUs).toBeCloseTo(short.symbolUs, 3);
      }),
    );
  });

  it("equals the data sheet's own form for SF7 to SF12", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 7, max: 12 }),
        fc.constantFrom(125_000, 250_000, 500_000),
        fc.integer({ min: 1, max: 4 }),
        fc.integer({ min: 0, max: 255 }),
        fc.boolean(),
        fc.boolean(),
        fc.boolean(),
        (sf, bw, cr, size, explicitHeader, crc, de) => {
          // SX1272 data sheet Rev 2, 4.1.1.7, written as printed there
          const inner =
            (8 * size - 4 * sf + 28 + 16 * Number(crc) - 20 * Number(!explicitHeader)) /
            (4 * (sf - 2 * Number(de)));
          const symbols = 8 + Math.max(Math.ceil(inner) * (cr + 4), 0);
          const airtime = loraAirtime({
            spreadingFactor: sf,
            bandwidthHz: bw,
            codingRate: cr as 1,
            payloadBytes: size,
            explicitHeader,
            crc,
            lowDataRateOptimisation: de,
          });
          expect(airtime.payloadSymbols).toBe(symbols);
          expect(airtime.airtimeUs).toBeCloseTo(((12.25 + symbols) * 2 ** sf * 1e6) / bw, 3);
        },
      ),
    );
  });

  it("switches low-data-rate optimisation by symbol time below 1 GHz and by spreading factor above", () => {
    const on = (sf: number, bw: number): boolean =>
      loraAirtime({ spreadingFactor: sf, bandwidthHz: bw, codingRate: 1, payloadBytes: 10 })
        .lowDataRateOptimisation;
    expect([on(10, 125_000), on(11, 125_000), on(12, 125_000)]).toEqual([false, true, true]);
    expect([on(11, 250_000), on(12, 250_000), on(12, 500_000)]).toEqual([false, true, false]);
    expect([on(10, 1_625_000), on(11, 1_625_000), on(7, 7812.5)]).toEqual([false, true, true]);
  });

  it("refuses settings that no radio has", () => {
    const base = { spreadingFactor: 7, bandwidthHz: 125_000, codingRate: 1 as const, payloadBytes: 10 };
    expect(() => loraAirtime({ ...base, spreadingFactor: 4 })).toThrow(RangeError);
    expect(() => loraAirtime({ ...base, spreadingFactor: 7.5 })).toThrow(RangeError);
    expect(() => loraAirtime({ ...base, bandwidthHz: 0 })).toThrow(RangeError);
    expect(() => loraAirtime({ ...base, payloadBytes: 256 })).toThrow(RangeError);
    expect(() => loraAirtime({ ...base, codingRate: "5/5" as "4/5" })).toThrow(RangeError);
    expect(() => fskAirtime({ bitrateBps: 0, payloadBytes: 1 })).toThrow(RangeError);
    expect(() => lrFhssAirtime({ payloadBytes: 1, headers: 0, codeRate: "1/3" })).toThrow(RangeError);
  });
});

describe("airtime of a reception", () => {
  const lora = (sf: number, bw: number, codingRate: CodingRate | null): Modulation => ({
    kind: "lora",
    spreadingFactor: sf,
    bandwidthHz: bw,
    codingRate,
  });

  it("is the whole microseconds of a LoRaWAN uplink's airtime", () => {
    fc.assert(
      fc.property(
        spreadingFactor,
        fc.constantFrom(125_000, 250_000, 500_000),
        plainRate,
        fc.integer({ min: 0, max: 255 }),
        fc.constantFrom("ok" as const, "bad" as const, "none" as const, "unknown" as const),
        (sf, bw, cr, size, crc) => {
          const exact = loraAirtime({
            spreadingFactor: sf,
            bandwidthHz: bw,
            codingRate: cr,
            payloadBytes: size,
            crc: crc !== "none",
          }).airtimeUs;
          const heard = airtimeOfReception(lora(sf, bw, cr), size, crc);
          expect(Number.isInteger(heard)).toBe(true);
          expect(Math.abs(heard - exact)).toBeLessThanOrEqual(0.5);
        },
      ),
    );
  });

  it("assumes twelve preamble symbols at SF5 and SF6 on 2.4 GHz", () => {
    const exact = loraAirtime({
      spreadingFactor: 6,
      bandwidthHz: 812_500,
      codingRate: "4/8LI",
      payloadBytes: 30,
      preambleSymbols: 12,
    }).airtimeUs;
    expect(airtimeOfReception(lora(6, 812_500, "4/8LI"), 30, "ok")).toBe(Math.round(exact));
  });

  it("takes 2/3 and 1/2 for the reduced names of 4/6 and 4/8", () => {
    expect(airtimeOfReception(lora(9, 125_000, "2/3"), 20, "ok")).toBe(
      airtimeOfReception(lora(9, 125_000, "4/6"), 20, "ok"),
    );
    expect(airtimeOfReception(lora(9, 125_000, "1/2"), 20, "ok")).toBe(
      airtimeOfReception(lora(9, 125_000, "4/8"), 20, "ok"),
    );
  });

  it("covers FSK and the LR-FHSS rates of LoRaWAN", () => {
    expect(airtimeOfReception({ kind: "fsk", bitrateBps: 50_000 }, 20, "ok")).toBe(4960);
    const hopping = (codingRate: CodingRate | null): Modulation => ({
      kind: "lr-fhss",
      type: 0,
      operatingWidthHz: 137_000,
      codingRate,
    });
    expect(airtimeOfReception(hopping("1/3"), 10, "ok")).toBe(1_355_776);
    expect(airtimeOfReception(hopping("2/3"), 10, "ok")).toBe(796_672);
    expect(airtimeOfReception(hopping("4/6"), 10, "ok")).toBe(796_672);
    expect(airtimeOfReception(hopping("2/6"), 10, "ok")).toBe(1_355_776);
    expect(airtimeOfReception(hopping(null), 10, "ok")).toBe(0);
    expect(airtimeOfReception(hopping("5/6"), 10, "ok")).toBe(0);
  });

  it("names the reason where it is not known", () => {
    const hopping = (codingRate: CodingRate | null): Modulation => ({
      kind: "lr-fhss",
      type: 0,
      operatingWidthHz: 137_000,
      codingRate,
    });
    expect(airtimeNotKnown(hopping(null))).toBe("airtime not known: no coding rate was reported");
    expect(airtimeNotKnown(hopping("3/6"))).toBe(
      "airtime not known: LoRaWAN sends LR-FHSS at 1/3 and 2/3, not at 3/6",
    );
    expect(airtimeNotKnown(hopping("4/5"))).toBe(
      "airtime not known: coding rate 4/5 does not belong to LR-FHSS",
    );
    expect(airtimeNotKnown(lora(7, 125_000, "OFF"))).toBe(
      "airtime not known: coding rate OFF does not belong to LoRa",
    );
    expect(airtimeNotKnown({ kind: "unknown", text: "?" })).toBe(
      "airtime not known: the modulation was not recognised",
    );
  });

  it("is 0 for what cannot be computed, and never throws", () => {
    expect(airtimeOfReception(lora(7, 125_000, "OFF"), 20, "ok")).toBe(0);
    expect(airtimeOfReception(lora(7, 125_000, null), 20, "ok")).toBe(0);
    expect(airtimeOfReception(lora(13, 125_000, "4/5"), 20, "ok")).toBe(0);
    expect(airtimeOfReception(lora(7, 0, "4/5"), 20, "ok")).toBe(0);
    expect(airtimeOfReception(lora(7, Number.NaN, "4/5"), 20, "ok")).toBe(0);
    expect(airtimeOfReception(lora(7, 125_000, "4/5"), -1, "ok")).toBe(0);
    expect(airtimeOfReception({ kind: "fsk", bitrateBps: 0 }, 20, "ok")).toBe(0);
    expect(airtimeOfReception({ kind: "unknown", text: "?" }, 20, "ok")).toBe(0);
    fc.assert(
      fc.property(fc.double(), fc.double(), fc.option(anyRate), fc.double(), (sf, bw, cr, size) => {
        const airtime = airtimeOfReception(lora(sf, bw, cr), size, "ok");
        expect(Number.isFinite(airtime) && airtime >= 0).toBe(true);
      }),
    );
  });
});
