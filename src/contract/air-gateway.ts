/** What fills the air at one gateway? Data rates, networks, collisions to expect, its own transmissions, demodulators. */
import { z } from "zod";
import { EuiText, IsoTime } from "./common.ts";

export const DataRateShare = z.object({
  name: z.string(),
  receptions: z.number().int().describe("packets"),
  frames: z.number().int().describe("transmissions of LoRaWAN, each once however many gateways heard it"),
  airtimeSeconds: z.number(),
});
export type DataRateShare = z.infer<typeof DataRateShare>;

/** A network as far as addresses tell it; `null`: packets that name no node (wrong CRC, joins, no LoRaWAN). */
export const AirNetwork = z.object({
  network: z.string().nullable(),
  stranger: z.boolean().nullable().describe("null with `network` null"),
  nodes: z.number().int(),
  receptions: z.number().int().describe("packets"),
  frames: z.number().int(),
  airtimeSeconds: z.number().describe("sum over packets"),
});
export type AirNetwork = z.infer<typeof AirNetwork>;

/** Expected share of frames that others spoil, 0 to 1. */
export const CollisionShare = z.object({
  aloha: z.number().describe("no capture: any overlap at the same spreading factor is a loss"),
  captureTheory: z
    .number()
    .nullable()
    .describe("capture from 6 dB, Goursaud and Gorce 2015; null: too few levels"),
  captureMeasured: z.number().nullable().describe("capture from 1 dB, Croce et al. 2018"),
});
export type CollisionShare = z.infer<typeof CollisionShare>;

export const CollisionRow = CollisionShare.extend({
  frequencyHz: z.number().int(),
  dataRate: z.string(),
  frames: z.number().int().describe("packets heard"),
  offeredLoad: z.number().describe("Erlang, on this channel and data rate"),
});
export type CollisionRow = z.infer<typeof CollisionRow>;

/** While a gateway sends it hears nothing, on any channel. */
export const DeafTime = z.object({
  visible: z.boolean().describe("false: downlinks of this gateway are not seen here"),
  words: z.string(),
  sent: z.number().int().describe("downlinks that the gateway took, or did not refuse"),
  refused: z.number().int(),
  seconds: z.number().nullable().describe("sum of their airtime: at least so long deaf"),
  share: z.number().nullable().describe("of the window"),
  spoiltShare: z
    .number()
    .nullable()
    .describe("upper bound of the share of frames that meet a transmission, at the mean length heard"),
  reportedSent: z.number().int().nullable().describe("frames sent by the gateway's own status reports"),
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
