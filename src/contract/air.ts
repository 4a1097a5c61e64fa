/** What fills the channels? Utilisation, load, noise, strangers. */
import { z } from "zod";
import { AirGateway, AirNetwork, CollisionShare, DataRateShare } from "./air-gateway.ts";
import { AirtimeOfNode } from "./airtime.ts";
import { EuiText, IsoTime, Sentence, Window } from "./common.ts";

/** The noise of a channel over the window: does it rise or fall? */
export const NoiseTrend = z.object({
  verdict: z.enum(["rises", "falls", "steady", "not enough"]),
  words: z.string(),
  slopeDbPerHour: z.number().nullable().describe("Theil-Sen"),
  slopeInterval95: z.tuple([z.number(), z.number()]).nullable(),
  changeDb: z.number().nullable().describe("slope times the time between the first and the last value"),
  loudestDb: z.number().nullable().describe("the loudest stretch of time above the median one"),
  p: z.number().nullable().describe("Mann-Kendall, two-sided, widened for autocorrelation"),
  values: z.number().int().describe("stretches of time that tell the noise"),
});

export const ChannelRow = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  frequencyHz: z.number().int(),
  receptions: z.number().int().describe("packets, each once however many antennas heard it"),
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
  noiseTrust: z.enum(["good", "rough", "none"]).describe("good: frames at SNR ≤ 0 dB; rough: up to 5 dB"),
  noiseTrend: NoiseTrend,
  ownAirtimeSeconds: z.number().describe("within `detail`, as the two that follow"),
  strangerAirtimeSeconds: z.number(),
  strangerReceptions: z.number().int(),
  collisions: CollisionShare.nullable().describe(
    "share of frames that others should spoil; null: nothing heard",
  ),
});
export type ChannelRow = z.infer<typeof ChannelRow>;

/** Channels as rows, time as columns: share busy in each cell, 0 to 1. Every grid has one array a frequency. */
export const AirMap = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  from: IsoTime,
  cellSeconds: z.number().int(),
  frequenciesHz: z.array(z.number().int()),
  lastCellSeconds: z.number().describe("how long the last cell has lasted; its shares are of this"),
  utilisation: z.array(z.array(z.number())).describe("union of busy intervals / cell"),
  offeredLoad: z.array(z.array(z.number())).describe("sum of airtime / cell, Erlang"),
  ownLoad: z
    .array(z.array(z.number().nullable()))
    .describe("of one's own nodes; null before `detail` begins"),
  strangerLoad: z.array(z.array(z.number().nullable())),
  crcBadRatio: z.array(z.array(z.number().nullable())),
  noise: z.object({
    stretchSeconds: z.number(),
    from: IsoTime,
    dbm: z
      .array(z.array(z.number().nullable()))
      .describe("low quantile of each stretch; null: too few frames"),
  }),
});
export type AirMap = z.infer<typeof AirMap>;

export const Talker = z.object({
  devAddr: z.string(),
  name: z.string().nullable(),
  network: z.string(),
  stranger: z.boolean(),
  frames: z.number().int(),
  airtimeSeconds: z.number().describe("heard airtime: a lower bound"),
  share: z.number().describe("of the airtime of all nodes heard"),
  busiestHourDuty: z.number().describe("airtime in its busiest sliding hour / 3600 s, all bands"),
});

export const AirView = z.object({
  window: Window,
  detail: z
    .object({ from: IsoTime, to: IsoTime, whole: z.boolean(), packets: z.number().int() })
    .describe("the newest part of the window, which all figures but those of the roll-ups rest on"),
  sentence: Sentence,
  channels: z.array(ChannelRow),
  maps: z.array(AirMap),
  gateways: z.array(AirGateway),
  moreGateways: z.number().int().describe("heard too, and left out of channels, maps and gateways"),
  dataRates: z.array(DataRateShare),
  networks: z.array(AirNetwork).describe("one's own beside strangers, over all gateways"),
  talkers: z.array(Talker).describe("busiest 20"),
  airtime: z.array(AirtimeOfNode).describe("airtime against limits: nearest to its limit first, 50 at most"),
  caution: z.string(),
});
export type AirView = z.infer<typeof AirView>;
