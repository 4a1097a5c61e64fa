/**
 * What does a scenario file say? A site in readable JSON: gateways, nodes, strangers, the way between them, and
 * what befalls them when. Unknown keys are refused, so that a slip of the pen does not pass for a default.
 * What the truth about a run means is written in truth-schema.ts.
 */

import { z } from "zod";
import { DevAddrText, EuiText, ScenarioEvent } from "./events.ts";
import {
  channelsOfBandwidth,
  channelsOfRegion,
  channelsOfSubBand,
  regionContradictions,
} from "./site-region.ts";
import { Offset } from "./time-and-chance.ts";

/** Of a fixed plan: eight channels of 125 kHz and one of 500 kHz. */
const SubBand = z.number().int().min(1).max(8);
const Channels = z.array(z.number().int().positive()).min(1);
const Share = z.number().min(0).max(1);

const Position = z.strictObject({
  latitudeDeg: z.number().min(-90).max(90),
  longitudeDeg: z.number().min(-180).max(180),
  altitudeM: z.number().default(0),
});

/** How datagrams travel from a gateway to the listener, outages apart. */
const Network = z.strictObject({
  /** Share of datagrams lost on the way. */
  lossShare: Share.default(0),
  /** Share that arrives twice: same bytes, same token. */
  duplicateShare: Share.default(0),
  /** Share that arrives just after the same gateway's next PUSH_DATA. */
  reorderShare: Share.default(0),
  /** Share that is held back for `lateSeconds`. */
  lateShare: Share.default(0),
  lateSeconds: z.number().min(0).max(600).default(1.5),
  latencyMs: z.number().min(0).max(5000).default(4),
  /** Mean of the exponential part of the delay. */
  jitterMs: z.number().min(0).max(5000).default(2),
});

const GatewayForm = z.strictObject({
  eui: EuiText,
  name: z.string().min(1),
  position: Position.optional(),
  /** Receiver noise figure plus what the place adds to thermal noise, dB. */
  noiseFigureDb: z.number().min(0).max(60).default(6),
  /** So many dB more SNR than the data sheet's floor does its demodulator need for half of the frames; SNR is reported as it is. */
  demodulatorLossDb: z.number().min(-6).max(30).default(0),
  /** One entry an antenna, `gainDb` relative to the node's path gain. Several: reported as `rsig`. */
  antennas: z
    .array(z.strictObject({ gainDb: z.number().min(-60).max(60).default(0) }))
    .min(1)
    .max(8)
    .default([{ gainDb: 0 }]),
  /** Positive: the concentrator's clock is fast. */
  clockDriftPpm: z.number().min(-100).max(100).default(0),
  /** How long the concentrator has been counting when the run starts. */
  uptimeSeconds: z.number().min(0).default(3600),
  keepaliveSeconds: z.number().min(1).max(3600).default(10),
  statSeconds: z.number().min(1).max(3600).default(30),
  protocolVersion: z.union([z.literal(1), z.literal(2)]).default(2),
  /** Whose keys it writes; `sx1302` adds signal RSSI, frequency offset and temperature. */
  hardware: z.enum(["sx1301", "sx1302"]).default("sx1302"),
  /** Frames that it can demodulate at once; default 8 for SX1301, 16 for SX1302. */
  demodulators: z.number().int().min(1).max(256).optional(),
  /** Whether it has GPS time and reports `time` and `tmms`. */
  gpsTime: z.boolean().default(false),
  forwardsCrcBad: z.boolean().default(false),
  /** What a channel's place adds to the noise, dB, by frequency in Hz. */
  channelNoiseDb: z.record(z.string().regex(/^\d+$/), z.number().min(0).max(60)).default({}),
  /** Standard deviation and correlation time of what the noise of each channel does slowly. */
  noiseWanderDb: z.number().min(0).max(10).default(0),
  noiseWanderMinutes: z.number().positive().default(60),
  /** Deaf while it transmits, as nearly all are. */
  halfDuplex: z.boolean().default(true),
  /** Share of frames above -60 dBm that appear a second time on a neighbouring channel, far weaker. */
  ghostShare: Share.default(0),
  /** Channels that it listens on; default: all of the site. Or the sub-band that it is set to. */
  channelsHz: Channels.optional(),
  subBand: SubBand.optional(),
  /** Its address in a written capture. */
  address: z.ipv4().optional(),
  network: Network.optional(),
});
/** A gateway, its channels filled in where the file leaves them to the site. */
export type Gateway = z.output<typeof GatewayForm> & { readonly channelsHz: readonly number[] };

const NodeForm = z.strictObject({
  name: z.string().min(1),
  /** What it is, in a word or two: "frost probe". */
  kind: z.string().default("node"),
  devAddr: DevAddrText,
  activation: z.enum(["abp", "otaa"]).default("abp"),
  /** For join-requests; needed when the node joins. */
  devEui: EuiText.optional(),
  joinEui: EuiText.default("02005E10000000F0"),
  rhythmSeconds: z.number().min(0.5),
  /** Each interval is drawn evenly from rhythm ± this share of it. */
  jitterShare: Share.default(0.05),
  /** `interval`: from frame to frame; `clock`: at multiples of the rhythm; `random`: at any moment, so many on average. */
  schedule: z.enum(["interval", "clock", "random"]).default("interval"),
  /** A second, slower rhythm; the node changes between the two after `framesARhythm` frames on average. */
  slowRhythmSeconds: z.number().min(0.5).optional(),
  framesARhythm: z.number().min(1).default(12),
  /** Positive: its clock is slow, and its rhythm longer. */
  clockPpm: z.number().min(-100_000).max(100_000).default(0),
  /** Which channel next: any, or each of them once before any again. */
  hopping: z.enum(["random", "without-replacement"]).default("random"),
  /** Octets of application payload; 0 sends no FPort. */
  payloadBytes: z.number().int().min(0).max(222).default(12),
  /** The same payload in every frame: after a restart the same counter gives the same octets. */
  constantPayload: z.boolean().default(false),
  fPort: z.number().int().min(1).max(223).default(2),
  spreadingFactor: z.number().int().min(7).max(12),
  bandwidthHz: z.union([z.literal(125_000), z.literal(250_000), z.literal(500_000)]).default(125_000),
  transmitPowerDbm: z.number().min(-10).max(36).default(14),
  /** Power at the gateway's antenna minus power sent, dB, by gateway EUI; null: out of range. Else from positions. */
  pathGainDb: z.record(EuiText, z.number().max(0).nullable()).default({}),
  position: Position.optional(),
  /** What changes from frame to frame: normal in dB, or the envelope of a line of sight and scatter, or scatter alone. */
  fastFading: z.enum(["normal", "rician", "rayleigh"]).default("normal"),
  /** Steady power over scattered power, with `rician`. */
  ricianKDb: z.number().min(-20).max(40).default(8),
  /** Standard deviation of what changes from frame to frame, dB, with `normal`. */
  fastFadingDb: z.number().min(0).max(20).default(1.2),
  /** Standard deviation and correlation time of what changes slowly (shadowing). */
  slowFadingDb: z.number().min(0).max(20).default(1.2),
  slowFadingMinutes: z.number().positive().default(30),
  /** NbTrans: how often each frame is sent, under one counter. */
  transmissions: z.number().int().min(1).max(15).default(1),
  /** From the end of one transmission to the next of the same counter, up to one second more. */
  repeatSeconds: z.number().min(0).default(3),
  confirmed: z.boolean().default(false),
  /** With a network that answers: how often a confirmed frame is sent until it is acknowledged. */
  confirmedAttempts: z.number().int().min(1).max(15).default(8),
  adr: z.boolean().default(true),
  startCounter: z.number().int().min(0).max(0xffff_ffff).default(0),
  /** Crystal offset; drawn from ±5 ppm when absent. */
  crystalPpm: z.number().min(-100).max(100).optional(),
  /** Channels that it uses; default: those of the site that take its bandwidth. Or the sub-band that it keeps to. */
  channelsHz: Channels.optional(),
  subBand: SubBand.optional(),
});
/** A node, its channels filled in. */
export type Node = z.output<typeof NodeForm> & { readonly channelsHz: readonly number[] };

/** The network server, where the site has one that answers. Without it joins succeed by themselves and nothing is sent down. */
const NetworkServerForm = z.strictObject({
  /** From the first reception of a frame to its answer: time for other gateways' copies. */
  delayMs: z.number().min(1).max(900).default(160),
  /** The receive window that it answers in. */
  window: z.enum(["rx1", "rx2"]).default("rx1"),
  powerDbm: z.number().min(-10).max(36).default(14),
  answersJoins: z.boolean().default(true),
  acknowledges: z.boolean().default(true),
  /** Data rate and power by the best of so many frames, less a margin; absent: no commands. */
  adr: z
    .strictObject({
      afterFrames: z.number().int().min(1).max(200).default(20),
      marginDb: z.number().min(0).max(30).default(10),
    })
    .optional(),
});

/** How reception works; the defaults are explained in radio-link.ts. */
const Physics = z.strictObject({
  /** Chance of reading a frame rises with margin as a logistic function of this width. */
  kneeWidthDb: z.number().min(0.05).max(5).default(0.75),
  headerAdvantageDb: z.number().min(0).max(6).default(1.5),
  /** What a frame needs over others of its spreading factor. */
  captureDb: z.number().min(0).max(12).default(6),
  /** `power`: whoever overlaps counts; `timed`: what ends in the preamble's beginning is harmless, what comes later never takes over. */
  capture: z.enum(["power", "timed"]).default("power"),
  snrCeilingDb: z.number().min(3).max(30).default(12),
  /** Standard deviation of what a concentrator reports. */
  reportScatterDb: z.number().min(0).max(5).default(0.4),
});
export type Physics = z.output<typeof Physics>;

const ScenarioShape = z.strictObject({
  title: z.string().min(1),
  site: z.string().min(1),
  /** UTC; a written capture starts then, a live run starts when it is started. */
  start: z.iso.datetime(),
  duration: Offset,
  /** Used unless the command names another. */
  seed: z.number().int().min(0).max(Number.MAX_SAFE_INTEGER).default(1),
  /** A region of the regional parameters, such as EU868, US915, AS923-2; `none` checks no channel and no data rate. */
  region: z.string().default("EU868"),
  /** Channels of the site; default: the region's default channels, all of a fixed plan, or those of `subBand`. */
  channelsHz: Channels.optional(),
  subBand: SubBand.optional(),
  /** Every node's first transmission falls in this time, as after a mains return; default: within its rhythm. */
  firstFrameWithinSeconds: z.number().positive().optional(),
  network: Network.prefault({}),
  physics: Physics.prefault({}),
  server: NetworkServerForm.optional(),
  gateways: z.array(GatewayForm).min(1).max(64),
  nodes: z.array(NodeForm).max(10_000),
  /** Nodes of other people, by the same rules. */
  strangers: z.array(NodeForm).max(10_000).default([]),
  events: z.array(ScenarioEvent).default([]),
});

/**
 * A scenario file, checked as a whole: names are unique, events name what exists, every path is given, the region has
 * the channels and data rates. Channels that the file leaves to the region are filled in.
 */
export const Scenario = ScenarioShape.transform((shape) => {
  const { region } = shape;
  const channelsHz =
    shape.channelsHz ??
    (shape.subBand === undefined ? channelsOfRegion(region) : channelsOfSubBand(region, shape.subBand));
  const own = (one: { channelsHz?: number[] | undefined; subBand?: number | undefined }) =>
    one.channelsHz ?? (one.subBand === undefined ? channelsHz : channelsOfSubBand(region, one.subBand));
  const withChannels = (node: z.output<typeof NodeForm>) => ({
    ...node,
    channelsHz: channelsOfBandwidth(region, own(node), node.bandwidthHz),
  });
  return {
    ...shape,
    channelsHz,
    gateways: shape.gateways.map((gateway) => ({ ...gateway, channelsHz: own(gateway) })),
    nodes: shape.nodes.map(withChannels),
    strangers: shape.strangers.map(withChannels),
  };
}).superRefine((scenario, context) => {
  for (const message of contradictions(scenario)) context.addIssue({ code: "custom", message });
});
export type Scenario = z.output<typeof Scenario>;

// Does a scenario contradict itself?

function* contradictions(scenario: Scenario): Generator<string> {
  const nodes = [...scenario.nodes, ...scenario.strangers];
  const euis = new Set(scenario.gateways.map(({ eui }) => eui));
  const names = new Set(nodes.map(({ name }) => name));
  if (euis.size < scenario.gateways.length) yield "two gateways have the same eui";
  if (names.size < nodes.length) yield "two nodes have the same name";
  yield* regionContradictions(scenario);
  function* strayChannel(who: string, channelsHz: readonly number[]): Generator<string> {
    const stray = channelsHz.find((channel) => !scenario.channelsHz.includes(channel));
    if (stray !== undefined) yield `${who} names the channel ${stray} Hz, which the site does not have`;
  }
  for (const { name, channelsHz } of [...scenario.gateways, ...nodes]) {
    if (channelsHz.length === 0) yield `${name} has no channel in ${scenario.region} that takes it`;
    yield* strayChannel(name, channelsHz);
  }
  for (const node of nodes) yield* nodeContradictions(node, scenario.gateways);
  for (const event of scenario.events) {
    if ("gateway" in event && event.gateway !== undefined && !euis.has(event.gateway))
      yield `the event ${event.event} names the gateway ${event.gateway}, which the site does not have`;
    if ("node" in event && event.node !== undefined && !names.has(event.node))
      yield `the event ${event.event} names the node ${event.node}, which the site does not have`;
    if ("from" in event && event.from >= event.to) yield `the event ${event.event} ends before it begins`;
    if (event.event === "interferer" && !scenario.channelsHz.includes(event.frequencyHz))
      yield `the interferer's channel ${event.frequencyHz} Hz is none of the site's`;
    if (
      (event.event === "node-rejoin" || event.event === "rejoin-loop") &&
      nodes.find(({ name }) => name === event.node)?.devEui === undefined
    )
      yield `${event.node} rejoins but has no devEui`;
    if ("frequenciesHz" in event) yield* strayChannel(`the event ${event.event}`, event.frequenciesHz ?? []);
    if ("channelsHz" in event) yield* strayChannel(`the event ${event.event}`, event.channelsHz);
  }
}

function* nodeContradictions(node: Node, gateways: readonly Gateway[]): Generator<string> {
  if (node.activation === "otaa" && node.devEui === undefined) yield `${node.name} joins but has no devEui`;
  for (const gateway of gateways) {
    if (node.pathGainDb[gateway.eui] !== undefined) continue;
    if (node.position === undefined || gateway.position === undefined)
      yield `${node.name} has neither a pathGainDb to ${gateway.eui} nor a position with it`;
  }
}

/** A scenario from its JSON text, or one plain sentence about the first thing that is wrong with it. */
export function readScenario(
  text: string,
): { readonly ok: true; readonly scenario: Scenario } | { readonly ok: false; readonly sentence: string } {
  let json: unknown;
  try {
    json = JSON.parse(text);
  } catch (error) {
    return { ok: false, sentence: `It is not JSON: ${(error as SyntaxError).message}.` };
  }
  const parsed = Scenario.safeParse(json);
  if (parsed.success) return { ok: true, scenario: parsed.data };
  const [issue] = parsed.error.issues;
  const where = issue === undefined || issue.path.length === 0 ? "" : `${issue.path.join(".")}: `;
  return { ok: false, sentence: `${where}${issue?.message ?? "it does not fit the form of a scenario"}.` };
}
