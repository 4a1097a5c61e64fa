/** What fills the channels? Utilisation, load, noise, strangers. */
import { z } from "zod";
import { EuiText, IsoTime, Sentence, Window } from "./common.ts";

export const ChannelRow = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  frequencyHz: z.number().int(),
  receptions: z.number().int(),
  airtimeSeconds: z.number().describe("sum of airtime: offered load times the window"),
  busySeconds: z.number().describe("union of busy intervals"),
  offeredLoad: z.number().describe("Erlang; may exceed 1"),
  utilisation: z.number().min(0).max(1),
  crcBad: z.number().int(),
  crcBadRatio: z.number().nullable(),
  noiseFloorDbm: z
    .number()
    .nullable()
    .describe(
      "10th percentile of the noise that frames at SNR ≤ 0 dB betray; up to 5 dB where fewer than 20 do",
    ),
  noiseSamples: z.number().int(),
  strangerAirtimeSeconds: z.number(),
  strangerReceptions: z.number().int(),
});
export type ChannelRow = z.infer<typeof ChannelRow>;

/** Channels as rows, time as columns: share busy in each cell, 0 to 1. */
export const AirMap = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  from: IsoTime,
  cellSeconds: z.number().int(),
  frequenciesHz: z.array(z.number().int()),
  utilisation: z.array(z.array(z.number())).describe("one array a frequency"),
  crcBadRatio: z.array(z.array(z.number().nullable())),
});
export type AirMap = z.infer<typeof AirMap>;

export const DataRateShare = z.object({
  name: z.string(),
  receptions: z.number().int(),
  airtimeSeconds: z.number(),
});

export const Talker = z.object({
  devAddr: z.string(),
  name: z.string().nullable(),
  network: z.string(),
  stranger: z.boolean(),
  frames: z.number().int(),
  airtimeSeconds: z.number().describe("heard airtime: a lower bound"),
  busiestHourDuty: z.number().describe("airtime in its busiest sliding hour / 3600 s, all bands"),
});

export const AirView = z.object({
  window: Window,
  sentence: Sentence,
  channels: z.array(ChannelRow),
  maps: z.array(AirMap),
  dataRates: z.array(DataRateShare),
  talkers: z.array(Talker).describe("busiest 20"),
  caution: z.string(),
});
export type AirView = z.infer<typeof AirView>;
