/** How long is a frame of this kind on the air, and how often may it be sent? */
import { Command } from "commander";
import { z } from "zod";
import {
  fskAirtime,
  LR_FHSS_BITRATE_BPS,
  LR_FHSS_HEADER_BITS,
  loraAirtime,
  lrFhssAirtime,
  lrFhssCodeRate,
} from "../radio/airtime.ts";
import { isLora2g4Bandwidth } from "../radio/lora-airtime.ts";
import { framesPerHour, offTimeUs } from "../radio/occupancy.ts";
import { dutyCycleLimitFor, dwellLimitFor, LIMITS_CAUTION } from "../radio/regions/limits.ts";
import { type RegionPlan, regionPlan, regionPlans } from "../radio/regions/region-plan.ts";
import { megahertz } from "../words/format.ts";
import { CannotRun, guarded } from "./options.ts";
import { print, printJson } from "./terminal.ts";

/** What the command prints with --json. */
export interface AirtimeReport {
  /** `SF7BW125 4/5`, `FSK 50 kb/s`, `LR-FHSS 1/3`. */
  readonly modulation: string;
  readonly payloadBytes: number;
  readonly airtimeMs: number;
  /** Null where symbols mean nothing: FSK and LR-FHSS. */
  readonly symbolMs: number | null;
  readonly payloadSymbols: number | null;
  readonly preambleSymbols: number | null;
  readonly lowDataRateOptimisation: boolean | null;
  readonly dutyCycle: readonly DutyCycleConsequence[];
  readonly dwell: readonly DwellConsequence[];
  /** Sentences about the region: a frequency outside it, no duty cycle in the sources … */
  readonly notes: readonly string[];
  readonly caution: string;
}

interface DutyCycleConsequence {
  /** Share of an hour. */
  readonly limit: number;
  readonly framesPerHour: number;
  /** Silence after each frame that keeps the limit. */
  readonly offTimeMs: number;
  /** Where the limit comes from; "an example" without a region. */
  readonly source: string;
}

interface DwellConsequence {
  readonly limitMs: number;
  readonly within: boolean;
  readonly source: string;
}

/** The exact bandwidths in Hz that a radio has, each with the kilohertz that people write for it. */
const BANDWIDTHS: readonly (readonly [number, ...string[]])[] = [
  [7812.5, "7.8", "7.81", "7.8125"],
  [125_000 / 12, "10.4"],
  [15_625, "15.6", "15.625"],
  [125_000 / 6, "20.8"],
  [31_250, "31.25", "31.3"],
  [125_000 / 3, "41.7"],
  [62_500, "62.5"],
  [125_000, "125"],
  [250_000, "250"],
  [500_000, "500"],
  [203_125, "200", "203", "203.125"],
  [406_250, "400", "406", "406.25"],
  [812_500, "800", "812", "812.5"],
  [1_625_000, "1600", "1625"],
];

const bandwidthHz = (label: string): number | undefined =>
  BANDWIDTHS.find(([, ...labels]) => labels.includes(label))?.[0];

const wholeNumber = (what: string, least: number, most: number) =>
  z
    .string({ error: `${what} is missing` })
    .regex(/^\d+$/, `${what} must be a whole number from ${least} to ${most}`)
    .transform(Number)
    .refine((n) => n >= least && n <= most, `${what} must be a whole number from ${least} to ${most}`);

const common = {
  size: wholeNumber("--size, the octets of the PHY payload,", 0, 255),
  region: z
    .string()
    .refine((name) => regionPlan(name) !== null, {
      error: `--region must be one of ${regionPlans.map((plan) => plan.name).join(", ")}`,
    })
    .transform((name) => regionPlan(name))
    .optional(),
  frequency: z
    .string()
    .regex(/^\d+(\.\d+)?$/, "--frequency must be a number of megahertz, for example 868.1")
    .transform((mhz) => Math.round(Number(mhz) * 1e6))
    .optional(),
};

const loraSchema = z
  .object({
    ...common,
    sf: wholeNumber("--sf, the spreading factor,", 5, 12),
    bw: z
      .string()
      .transform(bandwidthHz)
      .refine((hz) => hz !== undefined, {
        error:
          "--bw must be a LoRa bandwidth in kilohertz: 7.8, 10.4, 15.6, 20.8, 31.25, 41.7, 62.5, 125, 250, 500, or 203, 406, 812, 1625 at 2.4 GHz",
      }),
    cr: z.enum(["4/5", "4/6", "4/7", "4/8", "4/5LI", "4/6LI", "4/8LI"], {
      error: "--cr must be 4/5, 4/6, 4/7 or 4/8 for LoRa, or 4/5LI, 4/6LI or 4/8LI at 2.4 GHz",
    }),
    preamble: wholeNumber("--preamble, in symbols,", 0, 65_535),
    implicitHeader: z.boolean(),
    crc: z.boolean(),
    ldro: z.enum(["auto", "on", "off"], { error: "--ldro must be auto, on or off" }),
  })
  .refine((o) => !o.cr.endsWith("LI") || isLora2g4Bandwidth(o.bw ?? 0), {
    error: "--cr with long interleaving (LI) exists at 2.4 GHz only: --bw 203, 406, 812 or 1625",
  });

const fskSchema = z.object({
  ...common,
  fsk: wholeNumber("--fsk, the bits per second,", 600, 300_000),
  crc: z.boolean(),
});

const lrFhssSchema = z.object({
  ...common,
  lrFhss: wholeNumber("--lr-fhss, the number of headers,", 1, 4),
  cr: z
    .enum(["5/6", "2/3", "4/6", "1/2", "3/6", "1/3", "2/6"], {
      error: "--cr must be 1/3, 1/2, 2/3 or 5/6 with --lr-fhss (2/6, 3/6 and 4/6 too)",
    })
    .transform((rate) => lrFhssCodeRate(rate) ?? "1/3"),
});

/** Answers the command's question from its raw options; throws CannotRun with what to mend. */
export function airtimeReport(options: Readonly<Record<string, unknown>>): AirtimeReport {
  const { fsk, lrFhss } = options;
  if (fsk !== undefined && lrFhss !== undefined)
    throw new CannotRun("Give either --fsk or --lr-fhss, not both.");
  if (fsk !== undefined) return fskReport(asked(fskSchema, options));
  if (lrFhss !== undefined) return lrFhssReport(asked(lrFhssSchema, options));
  return loraReport(asked(loraSchema, options));
}

function asked<T>(schema: z.ZodType<T>, options: unknown): T {
  const parsed = schema.safeParse(options);
  if (parsed.success) return parsed.data;
  throw new CannotRun(`${parsed.error.issues[0]?.message ?? "the options cannot be read"}.`);
}

function loraReport(asked: z.output<typeof loraSchema>): AirtimeReport {
  const { sf, cr, size: payloadBytes, preamble, implicitHeader, crc, ldro, region, frequency } = asked;
  const bandwidthHz = asked.bw ?? 125_000;
  const { airtimeUs, symbolUs, ...symbols } = loraAirtime({
    spreadingFactor: sf,
    bandwidthHz,
    codingRate: cr,
    payloadBytes,
    preambleSymbols: preamble,
    explicitHeader: !implicitHeader,
    crc,
    lowDataRateOptimisation: ldro === "auto" ? "auto" : ldro === "on",
  });
  return {
    modulation: `SF${sf}BW${Math.floor(bandwidthHz / 100) / 10} ${cr}`,
    payloadBytes,
    airtimeMs: milliseconds(airtimeUs),
    symbolMs: milliseconds(symbolUs),
    payloadSymbols: symbols.payloadSymbols,
    preambleSymbols: symbols.preambleSymbols,
    lowDataRateOptimisation: symbols.lowDataRateOptimisation,
    ...consequences(airtimeUs, bandwidthHz, region ?? null, frequency ?? null),
  };
}

function fskReport(asked: z.output<typeof fskSchema>): AirtimeReport {
  const { fsk: bitrateBps, size: payloadBytes, crc, region, frequency } = asked;
  const { airtimeUs } = fskAirtime({ bitrateBps, payloadBytes, crc });
  return {
    ...withoutSymbols(`FSK ${bitrateBps / 1000} kb/s`, payloadBytes, airtimeUs),
    ...consequences(airtimeUs, 50_000, region ?? null, frequency ?? null),
  };
}

function lrFhssReport(asked: z.output<typeof lrFhssSchema>): AirtimeReport {
  const { lrFhss: headers, cr: codeRate, size: payloadBytes, region, frequency } = asked;
  const { airtimeUs } = lrFhssAirtime({ payloadBytes, codeRate, headers });
  // It hops: a dwell limit counts what stays on one frequency, at most a header.
  const headerUs = (LR_FHSS_HEADER_BITS * 1e6) / LR_FHSS_BITRATE_BPS;
  return {
    ...withoutSymbols(`LR-FHSS ${codeRate}, ${headers} headers`, payloadBytes, airtimeUs),
    ...consequences(airtimeUs, 137_000, region ?? null, frequency ?? null, headerUs),
  };
}

function withoutSymbols(modulation: string, payloadBytes: number, airtimeUs: number) {
  return {
    modulation,
    payloadBytes,
    airtimeMs: milliseconds(airtimeUs),
    symbolMs: null,
    payloadSymbols: null,
    preambleSymbols: null,
    lowDataRateOptimisation: null,
  };
}

const EXAMPLE = "an example; name a --region for its limits";

/** Limits of the region, or the usual ones as examples when no region was named. */
function consequences(
  airtimeUs: number,
  bandwidthHz: number,
  region: RegionPlan | null,
  frequencyHz: number | null,
  longestOnOneFrequencyUs = airtimeUs,
): Pick<AirtimeReport, "dutyCycle" | "dwell" | "notes" | "caution"> {
  const duty = (limit: number, source: string): DutyCycleConsequence => ({
    limit,
    framesPerHour: framesPerHour(airtimeUs, limit),
    offTimeMs: milliseconds(offTimeUs(airtimeUs, limit)),
    source,
  });
  const dwell = (limitMs: number, source: string): DwellConsequence => ({
    limitMs,
    within: longestOnOneFrequencyUs <= limitMs * 1000,
    source,
  });
  if (region === null) {
    return {
      dutyCycle: [0.001, 0.01, 0.1].map((limit) => duty(limit, EXAMPLE)),
      dwell: [dwell(400, EXAMPLE)],
      notes: frequencyHz === null ? [] : ["A frequency means nothing here without a --region."],
      caution: LIMITS_CAUTION,
    };
  }
  // Without a frequency the first default channel stands for the region.
  const at = frequencyHz ?? region.variants[0]?.channels[0]?.frequencyHz ?? region.fromHz;
  const limit = dutyCycleLimitFor(at, region);
  const most = dwellLimitFor(region, bandwidthHz);
  return {
    notes: [
      ...(at >= region.fromHz && at <= region.toHz ? [] : [`${megahertz(at)} lies outside ${region.plan}.`]),
      ...(limit !== null && limit.limit === null ? [limit.text] : []),
      ...(region.remark === null ? [] : [`${region.name}: ${region.remark}.`]),
    ],
    dutyCycle: limit?.limit == null ? [] : [duty(limit.limit, `${limit.text} ${limit.source}`)],
    dwell: most?.uplinkMs == null ? [] : [dwell(most.uplinkMs, `${most.text} ${most.source}`)],
    caution: LIMITS_CAUTION,
  };
}

/** Microseconds to milliseconds, to the nanosecond: rounding belongs to display only. */
const milliseconds = (us: number): number => Math.round(us * 1000) / 1e6;

/** The report for people. */
export function renderAirtime(report: AirtimeReport): string {
  const ms = (value: number): string => `${Math.round(value * 1000) / 1000} ms`;
  const ldro = report.lowDataRateOptimisation === true ? "on" : "off";
  const lines = [`${report.modulation}, ${report.payloadBytes} octets: ${ms(report.airtimeMs)} on the air`];
  if (report.symbolMs !== null)
    lines.push(
      `  one symbol ${ms(report.symbolMs)}; ${report.preambleSymbols} of preamble, ${report.payloadSymbols} of header and payload; low-data-rate optimisation ${ldro}`,
    );
  for (const { limit, framesPerHour: frames, offTimeMs, source } of report.dutyCycle)
    lines.push(
      `  at ${Math.round(limit * 10_000) / 100} %: ${frames} frames an hour, ${ms(offTimeMs)} of silence after each (${source})`,
    );
  for (const { limitMs, within, source } of report.dwell)
    lines.push(`  ${within ? "within" : "longer than"} a dwell limit of ${limitMs} ms (${source})`);
  for (const sentence of [...report.notes, report.caution]) lines.push(`  ${sentence}`);
  return lines.join("\n");
}

export function airtimeCommand(): Command {
  return new Command("airtime")
    .description("Time on air of a frame, and what duty cycle and dwell limits make of it.")
    .option("--sf <5..12>", "spreading factor")
    .option("--bw <kHz>", "LoRa bandwidth", "125")
    .option("--cr <rate>", "coding rate: 4/5 to 4/8; 1/3, 1/2, 2/3 or 5/6 with --lr-fhss", "4/5")
    .option("--size <octets>", "octets of the PHY payload (13 more than the application's)")
    .option("--preamble <symbols>", "LoRa preamble", "8")
    .option("--implicit-header", "LoRa without header", false)
    .option("--no-crc", "without payload CRC, as in downlinks")
    .option("--ldro <auto|on|off>", "low-data-rate optimisation", "auto")
    .option("--fsk <bit/s>", "FSK instead of LoRa")
    .option("--lr-fhss <headers>", "LR-FHSS instead of LoRa, with this number of headers")
    .option("--region <name>", "limits of a region, for example EU868")
    .option("--frequency <MHz>", "where in that region")
    .option("--json", "print JSON")
    .action((options: Readonly<Record<string, unknown>>) =>
      guarded(() => {
        const report = airtimeReport(options);
        if (options.json === true) printJson(report);
        else print(`${renderAirtime(report)}\n`);
      }),
    );
}
