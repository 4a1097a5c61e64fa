/**
 * What does the file of regional parameters hold? regions.json as data, checked when it is read.
 */
import { z } from "zod";
import regions from "./regions.json" with { type: "json" };

const channelSchema = z.object({
  frequencyHz: z.number().int().positive(),
  bwHz: z.number().positive(),
  minDr: z.number().int(),
  maxDr: z.number().int(),
});

const blockSchema = z.object({
  name: z.string().optional(),
  indexFirst: z.number().int().nonnegative(),
  count: z.number().int().positive(),
  startHz: z.number().int().positive(),
  stepHz: z.number().int().positive(),
  bwHz: z.number().positive(),
  minDr: z.number().int().optional(),
  maxDr: z.number().int().optional(),
  lrFhssDr: z.array(z.number().int()).optional(),
});

const direction = z.enum(["up", "down", "both"]);
const dataRateSchema = z.discriminatedUnion("modulation", [
  z.object({ modulation: z.literal("LORA"), sf: z.number().int(), bwHz: z.number(), direction }),
  z.object({ modulation: z.literal("FSK"), bitrate: z.number(), direction }),
  z.object({
    modulation: z.literal("LR-FHSS"),
    codingRate: z.enum(["1/3", "2/3"]),
    occupiedChannelWidthHz: z.number(),
    direction,
  }),
]);

const payloadTable = z.record(z.string(), z.number().int().nullable());
const payloadSchema = z.object({
  noRepeater: payloadTable,
  repeater: payloadTable,
  uplinkDwell400: z.object({ noRepeater: payloadTable }).optional(),
});

const dutyBandSchema = z.object({
  fromHz: z.number(),
  toHz: z.number(),
  limit: z.number().positive().max(1),
  note: z.string().optional(),
});

const regionSchema = z.object({
  plan: z.string(),
  kind: z.enum(["dynamic", "fixed"]),
  rangeHz: z.tuple([z.number(), z.number()]),
  status: z.string().optional(),
  standing: z.string().optional(),
  uplinkChannels: z
    .object({ default: z.array(channelSchema).optional(), formula: z.array(blockSchema).optional() })
    .optional(),
  variants: z
    .record(z.string(), z.object({ uplink: z.array(blockSchema), downlink: z.array(blockSchema) }))
    .optional(),
  legacyPlan: z
    .object({ uplink: z.array(blockSchema), downlink: z.array(blockSchema), maxPayload: payloadSchema })
    .optional(),
  downlink: z
    .object({ formula: blockSchema.optional(), rx2: z.object({ frequencyHz: z.number().int() }).optional() })
    .optional(),
  power: z.object({
    maxEirpDbm: z.number(),
    limits: z.array(z.object({ when: z.string(), maxDbm: z.number() })).optional(),
  }),
  subBands: z
    .array(
      z.object({
        subBand: z.number().int(),
        channels125: z.object({ first: z.number().int(), last: z.number().int() }),
        channel500: z.object({ index: z.number().int() }),
      }),
    )
    .optional(),
  dataRates: z.record(z.string(), dataRateSchema),
  maxPayload: payloadSchema,
  dwellTime: z.object({
    uplinkMs: z.number().nullable(),
    downlinkMs: z.number().nullable(),
    txParamSetup: z.boolean().optional(),
    note: z.string().optional(),
  }),
  dutyCycle: z.object({
    regime: z.string(),
    bands: z.array(dutyBandSchema),
    note: z.string().optional(),
  }),
  confirmedBy: z.record(z.string(), z.unknown()),
  conflicts: z.array(z.object({ what: z.string(), use: z.unknown() })).optional(),
});

const fileSchema = z.object({
  schema: z.literal("lorawan-regions/1"),
  sources: z.record(z.string(), z.object({ title: z.string() })),
  regions: z.record(z.string(), regionSchema),
});

export type RegionRecord = z.output<typeof regionSchema>;
export type BlockRecord = z.output<typeof blockSchema>;
export type DataRateRecord = z.output<typeof dataRateSchema>;
export type PayloadRecord = z.output<typeof payloadSchema>;

/** The parsed file. A broken file stops the program at its start: it is part of the program, not input. */
export const regionFile: z.output<typeof fileSchema> = fileSchema.parse(regions);

/** Titles of the sources that confirm one topic of a region, for people; "source not named" when the file names none. */
export function sourcesOf(record: RegionRecord, topic: string): string {
  const ids = z.array(z.string()).safeParse(record.confirmedBy[topic]);
  if (!ids.success || ids.data.length === 0) {
    return "LoRaWAN Regional Parameters as public implementations carry them";
  }
  return ids.data.map((id) => regionFile.sources[id.split(" ")[0] ?? id]?.title ?? id).join("; ");
}
