/**
 * How is a cause of lost frames injected into a synthetic site? One event a cause, by the cause's own name, each with
 * a time and a strength. The older events of scenario-events.ts do some of the same and stay.
 */
import { z } from "zod";
import { EuiText, NodeName, stretch } from "./event-fields.ts";
import { Offset } from "./scenario-time.ts";

const Decibel = z.number().min(0).max(80);
const Frequencies = z.array(z.number().int().positive()).min(1);
const Factor = z.number().int().min(7).max(12);

/** The way from the gateway to the listener loses datagrams: all of them, or a share, evenly or in bursts. */
export const GatewayUnreachable = z.strictObject({
  event: z.literal("gateway-unreachable"),
  gateway: EuiText,
  ...stretch,
  /** Strength: share of datagrams lost. 1 is an outage. */
  lossShare: z.number().min(0.01).max(1).default(1),
  /** Mean length of a burst of losses; 0: each datagram by itself. */
  burstSeconds: z.number().min(0).max(86_400).default(0),
});

/** The gateway restarts, or loses power for so long: its concentrator counter then starts at 0. */
export const GatewayRestarted = z.strictObject({
  event: z.literal("gateway-restarted"),
  gateway: EuiText,
  at: Offset,
  /** Strength: how long it is away. */
  seconds: z.number().min(1).max(604_800).default(20),
});

/**
 * The gateway's radio hangs: it hears nothing, also no packet with a wrong CRC, on any channel; keepalives and status
 * reports go on. At `to` its program restarts, which cures it.
 */
export const GatewayDeaf = z.strictObject({
  event: z.literal("gateway-deaf"),
  gateway: EuiText,
  ...stretch,
  /** Strength: how long the restart at `to` takes; 0: the radio hears again without one. */
  restartSeconds: z.number().min(0).max(3_600).default(15),
  /** The concentrator's counter stands still meanwhile. */
  counterStands: z.boolean().default(false),
});

/** Everything that one gateway hears is weaker by so many dB: its antenna, cable or connector. */
export const GatewayWeakened = z.strictObject({
  event: z.literal("gateway-weakened"),
  gateway: EuiText,
  ...stretch,
  /** Strength. */
  lossDb: Decibel,
});

/** The way from the gateway to the listener loses some datagrams: each by itself, or in short bursts. */
export const BackhaulLoss = z.strictObject({
  event: z.literal("backhaul-loss"),
  gateway: EuiText,
  ...stretch,
  /** Strength: share of datagrams lost. */
  lossShare: z.number().min(0.001).max(0.95),
  /** Mean length of a burst of losses; 0: each datagram by itself. */
  burstSeconds: z.number().min(0).max(60).default(0),
});

/** The node restarts: silent for so long, then counting from 0 under the same address, without a join. */
export const NodeRestarted = z.strictObject({
  event: z.literal("node-restarted"),
  node: NodeName,
  at: Offset,
  silentSeconds: z.number().min(1).max(604_800).default(4),
});

/** The node asks to join again and again; each session it gets lasts so many frames. At `to` it joins for good. */
export const RejoinLoop = z.strictObject({
  event: z.literal("rejoin-loop"),
  node: NodeName,
  ...stretch,
  /** Strength: one join-request in so many seconds, give or take a fifth. */
  everySeconds: z.number().min(8).max(86_400).default(60),
  /** Data frames, from counter 0, between two join-requests; 0: no request is answered. */
  dataFrames: z.number().int().min(0).max(20).default(0),
});

/** The way between node and gateway is worse by so many dB: one node's, one gateway's, or one pair's. */
export const WeakLink = z
  .strictObject({
    event: z.literal("weak-link"),
    node: NodeName.optional(),
    gateway: EuiText.optional(),
    ...stretch,
    /** Strength. */
    lossDb: Decibel,
    /** From nothing to all of it, and at the end back again. */
    rampSeconds: z.number().min(0).max(604_800).default(0),
  })
  .refine(({ node, gateway }) => node !== undefined || gateway !== undefined, {
    error: "a weak-link names a node, a gateway, or both",
  });

/** Noise rises: steadily or in periods, on some channels or on all, at one gateway or at all. */
export const Interference = z.strictObject({
  event: z.literal("interference"),
  gateway: EuiText.optional(),
  /** Default: all channels of the site. */
  frequenciesHz: Frequencies.optional(),
  ...stretch,
  /** Strength. */
  noiseRiseDb: Decibel,
  /** On for `onShare` of every period; without it, all the time. */
  periodSeconds: z.number().min(0.01).max(86_400).optional(),
  onShare: z.number().min(0.01).max(1).default(1),
});

/** Many strangers send. */
export const Congestion = z.strictObject({
  event: z.literal("congestion"),
  ...stretch,
  /** Strength: airtime offered on each channel, 1 being always busy. */
  load: z.number().min(0.001).max(2),
  frequenciesHz: Frequencies.optional(),
  spreadingFactors: z.array(Factor).min(1).default([7, 8, 9, 10]),
  devices: z.number().int().min(1).max(2000).default(60),
  /** Path gain of each stranger, drawn evenly. */
  pathGainDb: z
    .tuple([z.number().max(0), z.number().max(0)])
    .refine(([from, to]) => from <= to, { error: "from the weaker to the stronger" })
    .default([-132, -100]),
});

/**
 * A node sends, or a gateway listens, on other channels than the site's for a while. A gateway restarts for it, at the
 * beginning and at the end: the reference daemons read their channels when they start, and start the concentrator with
 * them (from memory).
 */
export const ChannelMismatch = z
  .strictObject({
    event: z.literal("channel-mismatch"),
    node: NodeName.optional(),
    gateway: EuiText.optional(),
    ...stretch,
    /** How long a gateway's restarts take; 0: it changes its channels while it runs. */
    restartSeconds: z.number().min(0).max(3_600).default(12),
    /** Strength: the channels that it uses meanwhile. */
    channelsHz: Frequencies,
  })
  .refine(({ node, gateway }) => (node === undefined) !== (gateway === undefined), {
    error: "a channel-mismatch names either a node or a gateway",
  });

/** The network has the gateway send much: while it transmits it hears nothing. Seen as PULL_RESP and TX_ACK. */
export const GatewayTransmitting = z.strictObject({
  event: z.literal("gateway-transmitting"),
  gateway: EuiText,
  ...stretch,
  /** Strength: share of the time spent transmitting. */
  share: z.number().min(0.01).max(0.95),
  spreadingFactor: Factor.default(10),
  payloadBytes: z.number().int().min(1).max(222).default(40),
});

/** A second device sends under the node's address, with keys, rhythm and counters of its own. */
export const SharedAddress = z.strictObject({
  event: z.literal("shared-address"),
  node: NodeName,
  ...stretch,
  rhythmSeconds: z.number().min(0.5).optional(),
  spreadingFactor: Factor.optional(),
  /** How much better it is heard than the first device. */
  levelDb: z.number().min(-40).max(40).default(-6),
  startCounter: z.number().int().min(0).max(0xffff_ffff).default(0),
});

export const CAUSE_EVENTS = [
  GatewayUnreachable,
  GatewayRestarted,
  GatewayDeaf,
  GatewayWeakened,
  BackhaulLoss,
  NodeRestarted,
  RejoinLoop,
  WeakLink,
  Interference,
  Congestion,
  ChannelMismatch,
  GatewayTransmitting,
  SharedAddress,
] as const;
