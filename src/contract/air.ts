/** What fills the channels? Utilisation, load, noise, strangers. */
import { z } from "zod";
import { EuiText, Interval95, IsoTime, Sentence, Standing, Whole, Window } from "./common.ts";
import { Outage } from "./gateways.ts";
import { CollisionShare, NoiseSource } from "./others-on-air.ts";
import { LoudNoise } from "./site.ts";

// What fills the air at one gateway? Data rates, networks, collisions to expect, its own transmissions, demodulators.

export const DataRateShare = z.object({
  name: z.string(),
  receptions: Whole.describe("packets"),
  frames: Whole.describe("transmissions of LoRaWAN, each once however many gateways heard it"),
  airtimeSeconds: z.number(),
});
export type DataRateShare = z.infer<typeof DataRateShare>;

/** A network as far as addresses tell it; `null`: packets that name no node (wrong CRC, joins, no LoRaWAN). */
export const AirNetwork = z.object({
  network: z.string().nullable(),
  stranger: z.boolean().nullable().describe("null with `network` null"),
  nodes: Whole,
  receptions: Whole.describe("packets"),
  frames: Whole,
  airtimeSeconds: z.number().describe("sum over packets"),
});
export type AirNetwork = z.infer<typeof AirNetwork>;

export const CollisionRow = CollisionShare.extend({
  frequencyHz: Whole,
  dataRate: z.string(),
  frames: Whole.describe("packets heard"),
  offeredLoad: z.number().describe("Erlang, on this channel and data rate"),
});
export type CollisionRow = z.infer<typeof CollisionRow>;

/** While a gateway sends it hears nothing, on any channel. */
export const DeafTime = z.object({
  visible: z.boolean().describe("false: downlinks of this gateway are not seen here"),
  words: z.string(),
  sent: Whole.describe("downlinks that the gateway took, or did not refuse"),
  refused: Whole,
  seconds: z.number().nullable().describe("sum of their airtime: at least so long deaf"),
  share: z.number().nullable().describe("of the window"),
  spoiltShare: z
    .number()
    .nullable()
    .describe("upper bound of the share of frames that meet a transmission, at the mean length heard"),
  reportedSent: Whole.nullable().describe("frames sent by the gateway's own status reports"),
});
export type DeafTime = z.infer<typeof DeafTime>;

/** Demodulator demand by Erlang's B formula: the chance that a frame finds all of them busy. */
export const DemodulatorDemand = z.object({
  meanErlang: z.number().describe("sum of airtime on all channels / window"),
  busiestErlang: z.number().describe("in the busiest cell of the map"),
  blockedOf8: z.number().describe("in that cell, with 8 demodulators"),
  blockedOf16: z.number(),
  matters: z.boolean(),
  words: z.string(),
});
export type DemodulatorDemand = z.infer<typeof DemodulatorDemand>;

export const AirGateway = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  region: z.string().nullable(),
  firstHeard: IsoTime.nullable().describe("first packet within `detail`"),
  dataRates: z.array(DataRateShare),
  networks: z.array(AirNetwork),
  collisions: z.array(CollisionRow).describe("by channel and data rate"),
  collisionWords: z.string(),
  deaf: DeafTime,
  demodulators: DemodulatorDemand,
});
export type AirGateway = z.infer<typeof AirGateway>;

// How much airtime did a node spend, against the limits of its region's table? An indication, never more.

export const DwellOfNode = z.object({
  standing: Standing,
  words: z.string(),
  frameLimitMs: z.number(),
  longestFrameMs: z.number(),
  framesOver: Whole,
  inPeriod: z
    .object({ seconds: z.number(), limitMs: z.number(), mostMs: z.number() })
    .nullable()
    .describe("most airtime on one frequency within the rule's period; null: not a rule of the region"),
  source: z.string(),
});
export type DwellOfNode = z.infer<typeof DwellOfNode>;

/** One transmitter in one sub-band: budgets of sub-bands and of nodes are never added up. */
export const AirtimeOfNode = z.object({
  devAddr: z.string(),
  name: z.string().nullable(),
  network: z.string(),
  stranger: z.boolean(),
  region: z.string(),
  subBand: z.string().nullable(),
  fromHz: z.number().nullable(),
  toHz: z.number().nullable(),
  limit: z.number().nullable().describe("share of an hour allowed; null: the sources name none"),
  frames: Whole,
  airtimeSeconds: z.number(),
  atLeast: z.number().describe("heard airtime in the fullest sliding hour / 3600 s: a lower bound"),
  estimate: z.number().nullable().describe("the same / delivery ratio; null where that is unknown"),
  deliveryRatio: z.number().nullable(),
  fullestHourTo: IsoTime,
  standing: Standing,
  words: z.string(),
  source: z.string(),
  dwell: DwellOfNode.nullable().describe("null: the region names no dwell limit for its frames"),
});
export type AirtimeOfNode = z.infer<typeof AirtimeOfNode>;

/** The noise of a channel over the window: does it rise or fall? */
export const NoiseTrend = z.object({
  verdict: z.enum(["rises", "falls", "steady", "not enough"]),
  words: z.string(),
  slopeDbPerHour: z.number().nullable().describe("Theil-Sen"),
  slopeInterval95: Interval95.nullable(),
  changeDb: z.number().nullable().describe("slope times the time between the first and the last value"),
  loudestDb: z.number().nullable().describe("the loudest stretch of time above the median one"),
  p: z.number().nullable().describe("Mann-Kendall, two-sided, widened for autocorrelation"),
  values: Whole.describe("stretches of time that tell the noise"),
  loud: LoudNoise.nullable().describe("the loudest time, 6 dB or more above the quiet level"),
});

export const ChannelRow = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  frequencyHz: Whole,
  receptions: Whole.describe("packets, each once however many antennas heard it"),
  airtimeSeconds: z.number().describe("sum of airtime: offered load times the window"),
  busySeconds: z.number().describe("union of busy intervals"),
  offeredLoad: z.number().describe("Erlang; may exceed 1"),
  utilisation: z.number().min(0).max(1),
  crcBad: Whole,
  crcBadRatio: z.number().nullable(),
  noiseFloorDbm: z
    .number()
    .nullable()
    .describe(
      "10th percentile of the noise that frames at SNR ≤ 0 dB betray; up to 5 dB where fewer than 20 do",
    ),
  noiseSamples: Whole,
  noiseTrust: z.enum(["good", "rough", "none"]).describe("good: frames at SNR ≤ 0 dB; rough: up to 5 dB"),
  noiseTrend: NoiseTrend,
  ownAirtimeSeconds: z.number().describe("within `detail`, as the two that follow"),
  strangerAirtimeSeconds: z.number(),
  strangerReceptions: Whole,
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
  cellSeconds: Whole,
  frequenciesHz: z.array(Whole),
  notRecorded: z.array(Outage).describe("where nothing was recorded of this gateway, within the window"),
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
  frames: Whole,
  airtimeSeconds: z.number().describe("heard airtime: a lower bound"),
  share: z.number().describe("of the airtime of all nodes heard"),
  busiestHourDuty: z.number().describe("airtime in its busiest sliding hour / 3600 s, all bands"),
});

export const AirView = z.object({
  window: Window,
  detail: z
    .object({ from: IsoTime, to: IsoTime, whole: z.boolean(), packets: Whole })
    .describe("the newest part of the window, which all figures but those of the roll-ups rest on"),
  sentence: Sentence,
  channels: z.array(ChannelRow),
  maps: z.array(AirMap),
  gateways: z.array(AirGateway),
  moreGateways: Whole.describe("heard too, and left out of channels, maps and gateways"),
  dataRates: z.array(DataRateShare),
  noiseSources: z
    .array(NoiseSource)
    .describe("noise that stood out within `detail`, compared between gateways, strongest first, 12 at most"),
  networks: z.array(AirNetwork).describe("one's own beside strangers, over all gateways"),
  talkers: z.array(Talker).describe("busiest 20"),
  airtime: z.array(AirtimeOfNode).describe("airtime against limits: nearest to its limit first, 50 at most"),
  caution: z.string(),
});
export type AirView = z.infer<typeof AirView>;
