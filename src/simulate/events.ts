/**
 * What can befall a synthetic site? Each event of a scenario, with its time. Nodes and gateways are named by
 * `name` and `eui`; whether they exist is checked with the whole scenario (scenario.ts).
 */
import { z } from "zod";
import { Offset } from "./time-and-chance.ts";

// Which fields do the events of a scenario share?

export const EuiText = z.string().regex(/^[0-9A-F]{16}$/, "an EUI has 16 upper-case hex digits");
export const DevAddrText = z.string().regex(/^[0-9A-F]{8}$/, "a device address has 8 upper-case hex digits");
/** Nodes are named by `name`, gateways by `eui`; scenario.ts checks that they exist. */
const NodeName = z.string().min(1);
const stretch = { from: Offset, to: Offset };

// How is a cause of lost frames injected into a synthetic site? One event a cause, by the cause's own name, each with
// a time and a strength. The older events of events.ts do some of the same and stay.

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

const CAUSE_EVENTS = [
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

/** The gateway hears on, but every datagram that it sends is lost. Its counter runs through. */
export const BackhaulOutage = z.strictObject({
  event: z.literal("gateway-backhaul-outage"),
  gateway: EuiText,
  ...stretch,
});

/** The gateway hears and sends nothing; on return its concentrator counter starts at 0. */
export const PowerOutage = z.strictObject({
  event: z.literal("gateway-power-outage"),
  gateway: EuiText,
  ...stretch,
});

/** The node restarts and counts from 0 again under the same address, without a join: a new life. */
export const NodeReset = z.strictObject({
  event: z.literal("node-reset"),
  node: z.string(),
  at: Offset,
});

/** The node joins again: join-requests, then frames from counter 0, under the same or another address. */
export const NodeRejoin = z.strictObject({
  event: z.literal("node-rejoin"),
  node: z.string(),
  at: Offset,
  devAddr: DevAddrText.optional(),
  /** Requests until one is answered. */
  joinRequests: z.number().int().min(1).max(50).default(1),
});

/** The network commands another data rate: the next frame answers (LinkADRAns) and is the first to be sent with it. */
export const NodeLinkAdr = z.strictObject({
  event: z.literal("node-link-adr"),
  node: z.string(),
  at: Offset,
  spreadingFactor: z.number().int().min(7).max(12),
});

/** The network asks for the node's status: the next frame tells battery and margin (DevStatusAns). */
export const NodeStatus = z.strictObject({
  event: z.literal("node-status"),
  node: z.string(),
  at: Offset,
  /** 0 external power, 1 to 254 level, 255 unknown. */
  battery: z.number().int().min(0).max(255),
  marginDb: z.number().int().min(-32).max(31),
});

/** The node sends nothing and its counter stands still. */
export const NodeSilent = z.strictObject({
  event: z.literal("node-silent"),
  node: z.string(),
  ...stretch,
});

/** The path changes steadily from 0 dB at `from` to `changeDb` at `to`, and stays there until `until` (default: the end). */
export const FadingLink = z.strictObject({
  event: z.literal("fading-link"),
  node: z.string(),
  /** One gateway's path only; without it, all paths of the node. */
  gateway: EuiText.optional(),
  ...stretch,
  until: Offset.optional(),
  changeDb: z.number().min(-80).max(80),
});

/** Noise on one channel rises by so many dB, at one gateway or at all. */
export const Interferer = z.strictObject({
  event: z.literal("interferer"),
  frequencyHz: z.number().int(),
  gateway: EuiText.optional(),
  ...stretch,
  noiseRiseDb: z.number().min(0).max(60),
});

export const ScenarioEvent = z.discriminatedUnion("event", [
  BackhaulOutage,
  PowerOutage,
  NodeReset,
  NodeRejoin,
  NodeLinkAdr,
  NodeStatus,
  NodeSilent,
  FadingLink,
  Interferer,
  ...CAUSE_EVENTS,
]);
export type ScenarioEvent = z.output<typeof ScenarioEvent>;

/** The events of one kind. */
export function eventsOf<K extends ScenarioEvent["event"]>(
  events: readonly ScenarioEvent[],
  kind: K,
): Extract<ScenarioEvent, { event: K }>[] {
  return events.filter((event): event is Extract<ScenarioEvent, { event: K }> => event.event === kind);
}
