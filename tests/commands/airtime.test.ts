import { afterEach, beforeEach, describe, expect, it, vi } from "vitest";
import { airtimeCommand, airtimeReport, renderAirtime } from "../../src/commands/airtime.ts";

const defaults = { bw: "125", cr: "4/5", preamble: "8", implicitHeader: false, crc: true, ldro: "auto" };

const reportOf = (options: Record<string, unknown>) => airtimeReport({ ...defaults, ...options });

function refusalOf(options: Record<string, unknown>): string {
  try {
    reportOf(options);
    return "";
  } catch (error) {
    return (error as Error).message;
  }
}

describe("the airtime command", () => {
  it("answers for a join-request at SF7", () => {
    const report = reportOf({ sf: "7", size: "23" });
    expect(report).toMatchObject({
      modulation: "SF7BW125 4/5",
      airtimeMs: 61.696,
      symbolMs: 1.024,
      payloadSymbols: 48,
      preambleSymbols: 12.25,
      lowDataRateOptimisation: false,
    });
    expect(report.dutyCycle.map((d) => d.limit)).toEqual([0.001, 0.01, 0.1]);
    expect(report.dutyCycle[1]?.framesPerHour).toBe(583);
  });

  it("takes rounded bandwidth labels for the exact bandwidth", () => {
    expect(reportOf({ sf: "7", bw: "7.8", size: "10" }).airtimeMs).toBe(741.376);
    expect(reportOf({ sf: "12", bw: "812", size: "20" }).airtimeMs).toBeCloseTo(202.9095, 3);
  });

  it("follows header, CRC, preamble and optimisation settings", () => {
    const plain = reportOf({ sf: "10", size: "20" }).airtimeMs;
    expect(reportOf({ sf: "10", size: "20", crc: false }).airtimeMs).toBeLessThanOrEqual(plain);
    expect(reportOf({ sf: "10", size: "20", implicitHeader: true }).airtimeMs).toBeLessThan(plain);
    expect(reportOf({ sf: "10", size: "20", ldro: "on" }).airtimeMs).toBeGreaterThan(plain);
    expect(reportOf({ sf: "10", size: "20", preamble: "9" }).airtimeMs - plain).toBeCloseTo(8.192, 6);
  });

  it("answers for FSK and LR-FHSS without symbols", () => {
    expect(reportOf({ fsk: "50000", size: "20" })).toMatchObject({
      airtimeMs: 4.96,
      symbolMs: null,
      payloadSymbols: null,
    });
    expect(reportOf({ lrFhss: "3", cr: "1/3", size: "10" })).toMatchObject({
      airtimeMs: 1355.776,
      symbolMs: null,
    });
  });

  it("names the limit of the region's sub-band", () => {
    const n = reportOf({ sf: "12", size: "20", region: "eu868", frequency: "868.8" });
    expect(n.dutyCycle).toHaveLength(1);
    expect(n.dutyCycle[0]).toMatchObject({ limit: 0.001, framesPerHour: 2 });
    expect(n.dwell).toEqual([]);
    expect(n.caution).toContain("local rules");
  });

  it("says when a frame breaks the dwell limit of a region", () => {
    expect(reportOf({ sf: "10", size: "24", region: "AS923-1" }).dwell[0]).toMatchObject({
      limitMs: 400,
      within: true,
    });
    expect(reportOf({ sf: "10", size: "25", region: "AS923-1" }).dwell[0]).toMatchObject({
      limitMs: 400,
      within: false,
    });
    expect(reportOf({ sf: "8", bw: "500", size: "200", region: "US915" }).dwell).toEqual([]);
  });

  it("counts a hopping frame's longest stay on one frequency against the dwell limit", () => {
    expect(reportOf({ lrFhss: "3", cr: "1/3", size: "50", region: "US915" }).dwell[0]).toMatchObject({
      within: true,
    });
  });

  it("notes a frequency outside the region", () => {
    expect(reportOf({ sf: "7", size: "20", region: "IN865", frequency: "868.1" }).notes[0]).toBe(
      "868.1\u202FMHz lies outside IN865-867.",
    );
  });

  it("refuses wrong usage with one plain sentence", () => {
    expect(refusalOf({ size: "3" })).toBe("--sf, the spreading factor, is missing.");
    expect(refusalOf({ sf: "13", size: "3" })).toBe(
      "--sf, the spreading factor, must be a whole number from 5 to 12.",
    );
    expect(refusalOf({ sf: "7" })).toBe("--size, the octets of the PHY payload, is missing.");
    expect(refusalOf({ sf: "7", size: "3", bw: "126" })).toContain("--bw must be a LoRa bandwidth");
    expect(refusalOf({ sf: "7", size: "3", cr: "4/9" })).toContain("--cr must be 4/5");
    expect(refusalOf({ sf: "7", size: "3", cr: "4/5LI" })).toContain("2.4 GHz only");
    expect(refusalOf({ lrFhss: "3", size: "3" })).toBe(
      "--cr must be 1/3, 1/2, 2/3 or 5/6 with --lr-fhss (2/6, 3/6 and 4/6 too).",
    );
    expect(refusalOf({ fsk: "50000", lrFhss: "3", size: "3" })).toBe(
      "Give either --fsk or --lr-fhss, not both.",
    );
    expect(refusalOf({ sf: "7", size: "3", region: "XX000" })).toContain("--region must be one of EU868");
  });

  it("speaks in a few lines to people", () => {
    const text = renderAirtime(reportOf({ sf: "12", size: "20" }));
    expect(text.split("\n")[0]).toBe("SF12BW125 4/5, 20 octets: 1318.912 ms on the air");
    expect(text).toContain("at 1 %: 27 frames an hour");
  });
});

describe("the airtime command's output", () => {
  let out = "";
  let err = "";
  beforeEach(() => {
    out = "";
    err = "";
    vi.spyOn(process.stdout, "write").mockImplementation((text) => {
      out += String(text);
      return true;
    });
    vi.spyOn(process.stderr, "write").mockImplementation((text) => {
      err += String(text);
      return true;
    });
  });
  afterEach(() => {
    vi.restoreAllMocks();
    process.exitCode = undefined;
  });

  it("is JSON with --json", () => {
    airtimeCommand().parse(["--sf", "9", "--size", "13", "--json"], { from: "user" });
    expect(JSON.parse(out)).toMatchObject({ airtimeMs: 164.864, symbolMs: 4.096, payloadSymbols: 28 });
    expect(process.exitCode).toBeUndefined();
  });

  it("is one sentence on stderr and exit code 2 for wrong usage", () => {
    airtimeCommand().parse(["--sf", "99", "--size", "13"], { from: "user" });
    expect(out).toBe("");
    expect(err).toBe("--sf, the spreading factor, must be a whole number from 5 to 12.\n");
    expect(process.exitCode).toBe(2);
  });
});
