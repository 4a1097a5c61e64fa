import { describe, expect, it } from "vitest";
import {
  dataRateKey,
  dataRateNamed,
  dutyCycleLimitFor,
  dwellLimitFor,
  EU868_BANDS,
  mostEirpDbm,
} from "../../../src/radio/regions/limits.ts";
import { regionFile, sourcesOf } from "../../../src/radio/regions/region-file.ts";
import { regionPlan, regionPlans, uplinkDataRates } from "../../../src/radio/regions/region-plan.ts";

describe("duty-cycle limits", () => {
  it("of EU868 cover 863 to 870 MHz without gap or overlap and agree with the regional parameters", () => {
    let at = 863e6;
    for (const band of EU868_BANDS) {
      expect(band.fromHz).toBe(at);
      at = band.toHz;
    }
    expect(at).toBe(870e6);
    for (const band of regionPlan("EU868")!.record!.dutyCycle.bands) {
      expect(dutyCycleLimitFor((band.fromHz + band.toHz) / 2, "EU868")?.limit).toBe(band.limit);
    }
  });

  it("keep K and N apart although both allow 0.1 %", () => {
    expect(dutyCycleLimitFor(864_000_000, "EU868")).toMatchObject({ limit: 0.001, subBand: "K", erpMw: 25 });
    expect(dutyCycleLimitFor(869_000_000, "EU868")).toMatchObject({ limit: 0.001, subBand: "N" });
    expect(dutyCycleLimitFor(869_525_000, "EU868")).toMatchObject({ limit: 0.1, subBand: "P", erpMw: 500 });
    expect(dutyCycleLimitFor(870_000_000, "EU868")).toMatchObject({ subBand: "Q" });
  });

  it("say what the regime is where there is none", () => {
    const us = dutyCycleLimitFor(903_900_000, "US915");
    expect(us?.limit).toBeNull();
    expect(us?.text).toContain("dwell time");
    expect(dutyCycleLimitFor(868_300_000, "RU864")?.limit).toBeNull();
    expect(dutyCycleLimitFor(868_900_000, "RU864")?.source).toContain("disagree");
    expect(dutyCycleLimitFor(868_100_000, "nowhere")).toBeNull();
  });
});

/** Text with plain spaces. */
const plain = (text: string | undefined) => text?.replace(/[\u202F\u00A0]/g, " ");

describe("a duty-cycle limit, field by field", () => {
  it("of EU868 at 868.1 MHz is that of sub-band M: 1 %, 25 mW", () => {
    const limit = dutyCycleLimitFor(868_100_000, "EU868");
    expect({ ...limit, text: plain(limit?.text) }).toEqual({
      limit: 0.01,
      subBand: "M",
      fromHz: 868_000_000,
      toHz: 868_600_000,
      erpMw: 25,
      text: "At most 1 % of an hour for one transmitter from 868.0 to 868.6 MHz.",
      source: "LoRaMac-node region bands; ERP of EN 300 220-2 from memory",
    });
  });

  it("begins with a band's first frequency and ends before its last, which belongs to the next", () => {
    const band = (hz: number, region = "EU868") => dutyCycleLimitFor(hz, region)?.subBand;
    expect([864_999_999, 865_000_000, 868_000_000, 868_600_000, 868_700_000].map((hz) => band(hz))).toEqual([
      "K",
      "L",
      "M",
      "alarm",
      "N",
    ]);
    expect([862_999_999, 863_000_000, 870_000_000, 870_000_001].map((hz) => band(hz))).toEqual([
      null,
      "K",
      "Q",
      null,
    ]);
    // Only the end of the plan itself belongs to its last band: RU864 reaches 870 MHz, its first band ends at 865.
    expect(band(865_000_000, "RU864")).toBeNull();
    expect(band(787_000_000, "CN779")).not.toBeNull();
  });

  it("elsewhere carries the band as its name, no power, and whether sources disagree", () => {
    const russian = dutyCycleLimitFor(864_100_000, "RU864");
    expect(russian).toMatchObject({ limit: 0.001, fromHz: 864e6, toHz: 865e6, erpMw: null });
    expect(plain(russian?.subBand ?? "")).toBe("864.0–865.0 MHz");
    expect(plain(russian?.text)).toBe(
      "At most 0.1 % of an hour for one transmitter from 864.0 to 865.0 MHz.",
    );
    expect(russian?.source).toMatch(/ \(sources disagree\)$/);
    const low = dutyCycleLimitFor(433_175_000, "EU433");
    expect(low).toMatchObject({ limit: 0.01, fromHz: 433_050_000, toHz: 434_790_000 });
    expect(low?.source).not.toContain("disagree");
    expect(plain(dutyCycleLimitFor(868_300_000, "RU864")?.text)).toBe(
      "The sources name no duty cycle for 868.3 MHz in RU864-870; regime: sub-band duty cycle.",
    );
    expect(dutyCycleLimitFor(868_300_000, "RU864")).toMatchObject({
      subBand: null,
      fromHz: null,
      toHz: null,
      erpMw: null,
    });
  });
});

describe("the most power of a region (LoRaWAN Regional Parameters, as reference/regions.json carries them)", () => {
  it.each([
    ["EU868", 16],
    ["US915", 30],
    ["EU433", 12.15],
    ["KR920", 14],
    ["CN470", 19.15],
    ["nowhere", null],
  ])("%s: %s dBm EIRP", (region, dbm) => {
    expect(mostEirpDbm(region)).toBe(dbm);
  });
});

describe("a data rate by its name", () => {
  it.each([
    ["SF7BW7.8", 7, 7812.5],
    ["SF7BW10.4", 7, 10_416.67],
    ["SF7BW15.6", 7, 15_625],
    ["SF7BW20.8", 7, 20_833.33],
    ["SF7BW31.25", 7, 31_250],
    ["SF7BW31.2", 7, 31_250],
    ["SF7BW41.7", 7, 41_666.67],
    ["SF7BW62.5", 7, 62_500],
    ["sf5 bw125", 5, 125_000],
    ["SF12BW250", 12, 250_000],
    ["SF10BW500", 10, 500_000],
    ["SF9BW203", 9, 203_125],
    ["SF9BW406", 9, 406_250],
    ["SF9BW812", 9, 812_500],
    ["SF9BW1625", 9, 1_625_000],
  ])("%s is LoRa", (name, sf, bwHz) => {
    expect(dataRateNamed(name)).toEqual({ modulation: "LORA", sf, bwHz, direction: "both" });
    expect(dataRateKey(dataRateNamed(name)!)).toBe(`lora/${sf}/${bwHz}`);
  });

  it("is FSK or LR-FHSS", () => {
    expect(dataRateNamed("FSK 50 kb/s")).toEqual({ modulation: "FSK", bitrate: 50_000, direction: "both" });
    expect(dataRateNamed("fsk12.5kb/s")).toMatchObject({ bitrate: 12_500 });
    expect(dataRateKey(dataRateNamed("FSK 50 kb/s")!)).toBe("fsk/50000");
    const hopping = dataRateNamed("M0CW137")!;
    expect(hopping).toEqual({
      modulation: "LR-FHSS",
      codingRate: null,
      occupiedChannelWidthHz: 137_000,
      direction: "up",
    });
    expect(dataRateKey(hopping)).toBe("lr-fhss/137000/any");
    expect(
      dataRateKey({ ...hopping, modulation: "LR-FHSS", codingRate: "1/3", occupiedChannelWidthHz: 137_000 }),
    ).toBe("lr-fhss/137000/1/3");
  });

  it.each([
    "SF4BW125",
    "SF13BW125",
    "SF7BW126",
    "SF7BW",
    "xSF7BW125",
    "SF7BW125x",
    "FSK 0 kb/s",
    "FSK 50",
    "xFSK50kb/s",
    "M0CW1",
    "M0CW13712",
    "xM0CW137",
    "",
  ])("%j names none", (name) => {
    expect(dataRateNamed(name)).toBeNull();
  });
});

describe("dwell limits", () => {
  it("hold for 125 kHz but not for 500 kHz in US915", () => {
    expect(dwellLimitFor("US915", 125_000)?.uplinkMs).toBe(400);
    expect(dwellLimitFor("US915", 500_000)?.uplinkMs).toBeNull();
  });

  it("are named as liftable in AS923 and absent in EU868", () => {
    expect(dwellLimitFor("AS923-2", 125_000)?.text).toContain("TXParamSetupReq");
    expect(dwellLimitFor("EU868", 125_000)?.uplinkMs).toBeNull();
    expect(dwellLimitFor("nowhere", 125_000)).toBeNull();
  });

  it("say how long, in which direction, and whether a network may lift them", () => {
    expect(dwellLimitFor("US915", 250_000)).toMatchObject({
      uplinkMs: 400,
      downlinkMs: null,
      text: "At most 400 ms on one hopping frequency in 20 s.",
    });
    expect(dwellLimitFor("US915", 500_000)).toMatchObject({
      downlinkMs: null,
      text: "No dwell limit at 500 kHz.",
    });
    expect(dwellLimitFor("AS923-1", 125_000)).toMatchObject({
      uplinkMs: 400,
      downlinkMs: 400,
      text: "At most 400 ms for one uplink frame, unless the network lifts it with TXParamSetupReq.",
    });
    expect(dwellLimitFor("CN470", 125_000)).toMatchObject({
      uplinkMs: 1000,
      downlinkMs: null,
      text: "At most 1000 ms for one uplink frame (from memory).",
    });
    expect(dwellLimitFor("EU868", 125_000)).toMatchObject({
      downlinkMs: null,
      text: "No dwell limit in the sources.",
    });
  });
});

describe("the file of regional parameters", () => {
  it("gives every region channels, uplink data rates and payload limits", () => {
    for (const plan of regionPlans) {
      for (const variant of plan.variants) {
        expect(variant.channels.length, plan.name).toBeGreaterThan(0);
        const sf9: Parameters<typeof uplinkDataRates>[1] = {
          kind: "lora",
          spreadingFactor: 9,
          bandwidthHz: variant.channels[0]!.bandwidthHz!,
          codingRate: "4/5",
        };
        const [dr] = uplinkDataRates(variant, sf9);
        expect(dr, plan.name).toBeDefined();
        expect(variant.mostPhyPayload.get(dr!), plan.name).toBeGreaterThan(50);
        for (const channel of variant.channels) {
          expect(channel.frequencyHz >= plan.fromHz && channel.frequencyHz <= plan.toHz, plan.name).toBe(
            true,
          );
        }
      }
    }
  });

  it("keeps the AS923 groups at their offsets from the first", () => {
    const first = regionPlan("AS923-1")!.variants[0]!.channels.map((c) => c.frequencyHz);
    for (const [name, offset] of [
      ["AS923-2", -1.8e6],
      ["AS923-3", -6.6e6],
      ["AS923-4", -5.9e6],
    ] as const) {
      expect(regionPlan(name)!.variants[0]!.channels.map((c) => c.frequencyHz)).toEqual(
        first.map((f) => f + offset),
      );
    }
  });
});

describe("the sources of a region's topic", () => {
  const record = regionPlan("EU868")!.record!;
  const titles = (confirmedBy: Record<string, unknown>) => sourcesOf({ ...record, confirmedBy }, "topic");

  it("are the titles of those that confirm it, by the first word of each, or what stands there", () => {
    const [first, second] = ["L1", "L2"].map((id) => regionFile.sources[id]?.title);
    expect(titles({ topic: ["L1", "L2 in part"] })).toBe(`${first}; ${second}`);
    expect(titles({ topic: ["nobody knows"] })).toBe("nobody knows");
  });

  it("are not named where there are none", () => {
    const unnamed = "LoRaWAN Regional Parameters as public implementations carry them";
    for (const confirmedBy of [{}, { topic: [] }, { topic: "L1" }]) expect(titles(confirmedBy)).toBe(unnamed);
  });
});
