import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { CodingRate, Modulation } from "../../src/model/modulation.ts";
import {
  airtimeNotKnown,
  airtimeOfReception,
  airtimeOfTransmission,
  fskAirtime,
  loraAirtime,
  lrFhssAirtime,
  lrFhssCodeRate,
} from "../../src/radio/airtime.ts";
import {
  longInterleavedSymbols,
  loraPayloadSymbols,
  lowDataRateOptimisationByRule,
} from "../../src/radio/lora-airtime.ts";

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

describe("airtime of a gateway's own transmission (SX1302 daemon V2.1.0, thread_down)", () => {
  const sf7: Modulation = { kind: "lora", spreadingFactor: 7, bandwidthHz: 125_000, codingRate: "4/5" };
  const fsk: Modulation = { kind: "fsk", bitrateBps: 50_000 };
  const us = (modulation: Modulation, preamble: number | null, withCrc = false) =>
    airtimeOfTransmission(modulation, 20, { preamble, withCrc });

  it("is a downlink's without CRC: SF7, 20 octets are 12.25 + 8 + 6 × 5 symbols of 1,024 µs", () => {
    // (8 × 20 − 28 + 28) / 28 = 5.71, so six blocks of five symbols; with CRC (160 + 16) / 28 = 6.3, so seven.
    expect(us(sf7, null)).toBe(51_456);
    expect(us(sf7, null, true)).toBe(56_576);
  });

  it("grows by a symbol for each beyond eight of preamble, and falls to six at the least", () => {
    expect([8, 10, 7, 6, 5, 0].map((preamble) => us(sf7, preamble))).toEqual([
      51_456, 53_504, 50_432, 49_408, 49_408, 49_408,
    ]);
  });

  it("of FSK grows by an octet of 160 µs for each beyond five, and falls to three at the least", () => {
    // 5 + 3 + 1 + 20 octets without CRC.
    expect([null, 5, 7, 4, 3, 2].map((preamble) => us(fsk, preamble))).toEqual([
      4_640, 4_640, 4_960, 4_480, 4_320, 4_320,
    ]);
    expect(us(fsk, null, true)).toBe(4_960);
  });

  it("of what cannot be computed is 0, and LR-FHSS has no preamble", () => {
    expect(us({ kind: "unknown", text: "?" }, 12)).toBe(0);
    const hopping: Modulation = { kind: "lr-fhss", type: 0, operatingWidthHz: 137_000, codingRate: "1/3" };
    expect(us(hopping, 12)).toBe(us(hopping, null));
    expect(us(hopping, 12)).toBeGreaterThan(0);
  });
});

describe("bits of LR-FHSS (LR11xx driver, lr11xx_lr_fhss_get_nb_bits)", () => {
  // 10 octets: 8 × 12 + 6 = 102 bits before coding.
  it.each([
    // 3 × 102 = 306 = 6 × 48 + 18: 3 × 114 + 6 × 50 + 20
    ["1/3", 3, 662],
    // 3 × 102 / 2 = 153 = 3 × 48 + 9: 2 × 114 + 150 + 11
    ["2/3", 2, 389],
    // 204 = 4 × 48 + 12: 114 + 200 + 14
    ["1/2", 1, 328],
    // (6 × 102 + 4) / 5 = 123.2, cut to 123 = 2 × 48 + 27: 4 × 114 + 100 + 29
    ["5/6", 4, 585],
  ] as const)("at %s with %i headers", (codeRate, headers, bits) => {
    const airtime = lrFhssAirtime({ payloadBytes: 10, codeRate, headers });
    expect(airtime.bits).toBe(bits);
    // 488.28125 bits a second are 2,048 µs a bit.
    expect(airtime.airtimeUs).toBe(bits * 2_048);
  });

  it("refuses sizes and headers that no packet has", () => {
    const bits = (payloadBytes: number, headers: number) =>
      lrFhssAirtime({ payloadBytes, codeRate: "1/3", headers }).bits;
    expect([bits(0, 1), bits(255, 4)].every((one) => one > 0)).toBe(true);
    for (const [size, headers] of [
      [-1, 1],
      [256, 1],
      [1.5, 1],
      [10, 5],
      [10, 1.5],
    ] as const)
      expect(() => bits(size, headers), `${size}, ${headers}`).toThrow(RangeError);
  });

  it("is told from the names that forwarders use", () => {
    expect(
      (["1/3", "2/6", "1/2", "3/6", "2/3", "4/6", "5/6", "4/5", null] as const).map(lrFhssCodeRate),
    ).toEqual([...["1/3", "1/3", "1/2", "1/2", "2/3", "2/3", "5/6"], ...[null, null]]);
  });
});

describe("airtime of FSK", () => {
  it("counts preamble, sync word, length, payload and CRC: 5 + 3 + 1 + 20 + 2 octets of 160 µs", () => {
    const us = (more: object) => fskAirtime({ bitrateBps: 50_000, payloadBytes: 20, ...more }).airtimeUs;
    expect(us({})).toBe(31 * 160);
    expect(us({ preambleBytes: 8 })).toBe(34 * 160);
    expect(us({ syncWordBytes: 1 })).toBe(29 * 160);
    expect(us({ lengthByte: false })).toBe(30 * 160);
    expect(us({ crc: false })).toBe(29 * 160);
    expect(us({ payloadBytes: 255 })).toBe(266 * 160);
    expect(us({ payloadBytes: 0 })).toBe(11 * 160);
    for (const payloadBytes of [-1, 256, 0.5]) expect(() => us({ payloadBytes })).toThrow(RangeError);
    expect(() => fskAirtime({ bitrateBps: Number.POSITIVE_INFINITY, payloadBytes: 1 })).toThrow(RangeError);
  });

  it("of a reception without CRC is two octets shorter", () => {
    expect(airtimeOfReception({ kind: "fsk", bitrateBps: 50_000 }, 20, "none")).toBe(29 * 160);
    expect(airtimeOfReception({ kind: "fsk", bitrateBps: Number.POSITIVE_INFINITY }, 20, "ok")).toBe(0);
  });
});

describe("low-data-rate optimisation", () => {
  it("begins beyond a symbol of 16 ms, not at it", () => {
    // 2^11 / 128 kHz = 16 ms
    expect(lowDataRateOptimisationByRule(11, 128_000)).toBe(false);
    expect(lowDataRateOptimisationByRule(11, 127_000)).toBe(true);
  });

  it("at 2.4 GHz begins at SF11, at each of its four bandwidths", () => {
    for (const bandwidth of [203_125, 406_250, 812_500, 1_625_000])
      expect(
        [10, 11, 12].map((sf) => lowDataRateOptimisationByRule(sf, bandwidth)),
        String(bandwidth),
      ).toEqual([false, true, true]);
    // SF10 at 203,125 Hz lasts 5 ms; beside these four the symbol decides: SF11 at 203 kHz, 10.1 ms.
    expect(lowDataRateOptimisationByRule(11, 203_000)).toBe(false);
  });

  it("never acts at SF5 and SF6, and takes two bits of each symbol above", () => {
    // SF6, 20 octets, CRC, explicit: (160 + 16 − 24 + 20) / 24 = 7.2: eight blocks; no 8 more at SF6.
    expect(loraPayloadSymbols(6, 5, 20, true, true, true)).toBe(48);
    expect(loraPayloadSymbols(6, 5, 20, true, true, false)).toBe(48);
    // SF7: (160 + 16 − 28 + 28) / (4 × 5) = 8.8: nine blocks; without, / 28 = 6.3: seven.
    expect(loraPayloadSymbols(7, 5, 20, true, true, true)).toBe(53);
    expect(loraPayloadSymbols(7, 5, 20, true, true, false)).toBe(43);
    // Nothing left to send beside the header: SF12, no octets, no CRC, implicit header: −48 + 8.
    expect(loraPayloadSymbols(12, 5, 0, false, false, false)).toBe(8);
  });

  it("may be set against the rule, and the settings have their ends", () => {
    const base = { spreadingFactor: 12, bandwidthHz: 500_000, codingRate: 1 as const, payloadBytes: 20 };
    expect(loraAirtime({ ...base, lowDataRateOptimisation: true }).lowDataRateOptimisation).toBe(true);
    expect(loraAirtime({ ...base, lowDataRateOptimisation: "auto" }).lowDataRateOptimisation).toBe(false);
    expect(loraAirtime({ ...base, preambleSymbols: 0 }).preambleSymbols).toBe(4.25);
    expect(loraAirtime({ ...base, preambleSymbols: 65_535 }).preambleSymbols).toBe(65_539.25);
    for (const wrong of [{ preambleSymbols: 65_536 }, { preambleSymbols: -1 }, { preambleSymbols: 8.5 }])
      expect(() => loraAirtime({ ...base, ...wrong })).toThrow(RangeError);
    for (const wrong of [
      { codingRate: 5 as 4 },
      { codingRate: 0 as 1 },
      { bandwidthHz: 10_000_001 },
      { payloadBytes: 0.5 },
    ])
      expect(() => loraAirtime({ ...base, ...wrong })).toThrow(RangeError);
    expect(loraAirtime({ ...base, bandwidthHz: 10_000_000 }).symbolUs).toBeCloseTo(409.6, 9);
  });
});

describe("symbols with long interleaving (SX128x driver, sx128x_get_lora_time_on_air_numerator), by hand", () => {
  it.each([
    // Implicit header: the first eight symbols carry 4 × (SF − 2) bits, 4 × SF below SF7.
    // 48 bits × 6 = 288; 288 / 20 > 8, so 8 + (288 − 160) / 28 = 12.6.
    [7, 6, 4, false, true, 13],
    // 8 × 5 / 20 = 2; 24 × 5 / 24 = 5; 24 × 5 / 20 = 6.
    [7, 5, 1, false, false, 2],
    [6, 5, 1, false, true, 5],
    [7, 5, 1, false, true, 6],
    // 96 × 5 = 480; 480 / 36 > 8, so 8 + (480 − 288) / 36 = 13.3.
    [11, 5, 10, false, true, 14],
    // Just eight: 32 × 5 = 160 / 20.
    [7, 5, 2, false, true, 8],
    // Explicit header: 8 × ⌊(SF − 7) / 2⌋ bits of the payload go with it. SF7 none: 8 + 240 / 28 = 16.6.
    [7, 5, 4, true, true, 17],
    // SF12: 16 bits; 32 × 5 / 40 = 4. With one octet only its own 8: 16 × 5 / 40 = 2. With none all fits.
    [12, 5, 4, true, true, 12],
    [12, 5, 1, true, true, 10],
    [12, 5, 0, true, true, 8],
    // SF6 has room for ⌊1 / 2⌋: 8 + 240 / 24. SF10: 8 bits, 40 × 5 / 40.
    [6, 5, 4, true, true, 18],
    [10, 5, 4, true, true, 13],
  ] as const)(
    "SF%i, %i coded bits, %i octets, explicit %s, CRC %s: %i",
    (sf, bits, octets, explicit, crc, symbols) => {
      expect(longInterleavedSymbols(sf, bits, octets, explicit, crc)).toBe(symbols);
    },
  );
});
