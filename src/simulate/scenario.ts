/**
 * What does a scenario file say? A site in readable JSON: gateways, nodes, strangers, the way between them, and
 * what befalls them when. Unknown keys are refused, so that a slip of the pen does not pass for a default.
 * What the truth about a run means is written in truth-schema.ts.
 */
import { z } from "zod";
import { regionPlan } from "../radio/regions/region-plan.ts";
import { DevAddrText, EuiText, ScenarioEvent } from "./scenario-events.ts";
import { Offset } from "./scenario-time.ts";
import {
  channelFaults,
  channelsOfBandwidth,
  channelsOfRegion,
  channelsOfSubBand,
  hasDataRate,
} from "./site-channels.ts";

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

const Gateway = z.strictObject({
  eui: EuiText,
  name: z.string().min(1),
  position: Position.optional(),
  /** Receiver noise figure plus what the place adds to thermal noise, dB. */
  noiseFigureDb: z.number().min(0).max(60).default(6),
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
  /** Channels that it listens on; default: all of the site. Or the sub-band that it is set to. */
  channelsHz: Channels.optional(),
  subBand: SubBand.optional(),
  /** Its address in a written capture. */
  address: z.ipv4().optional(),
  network: Network.optional(),
});
export type Gateway = z.output<typeof Gateway>;

const Node = z.strictObject({
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
  /** Octets of application payload; 0 sends no FPort. */
  payloadBytes: z.number().int().min(0).max(222).default(12),
  fPort: z.number().int().min(1).max(223).default(2),
  spreadingFactor: z.number().int().min(7).max(12),
  bandwidthHz: z.union([z.literal(125_000), z.literal(250_000), z.literal(500_000)]).default(125_000),
  transmitPowerDbm: z.number().min(-10).max(36).default(14),
  /** Power at the gateway's antenna minus power sent, dB, by gateway EUI; null: out of reach. Else from positions. */
  pathGainDb: z.record(EuiText, z.number().max(0).nullable()).default({}),
  position: Position.optional(),
  /** Standard deviation of what changes from frame to frame, dB. */
  fastFadingDb: z.number().min(0).max(20).default(1.2),
  /** Standard deviation and correlation time of what changes slowly (shadowing). */
  slowFadingDb: z.number().min(0).max(20).default(1.2),
  slowFadingMinutes: z.number().positive().default(30),
  /** NbTrans: how often each frame is sent, under one counter. */
  transmissions: z.number().int().min(1).max(15).default(1),
  /** From the end of one transmission to the next of the same counter, up to one second more. */
  repeatSeconds: z.number().min(0).default(3),
  confirmed: z.boolean().default(false),
  adr: z.boolean().default(true),
  startCounter: z.number().int().min(0).max(0xffff_ffff).default(0),
  /** Crystal offset; drawn from ±5 ppm when absent. */
  crystalPpm: z.number().min(-100).max(100).optional(),
  /** Channels that it uses; default: those of the site that take its bandwidth. Or the sub-band that it keeps to. */
  channelsHz: Channels.optional(),
  subBand: SubBand.optional(),
});
export type Node = z.output<typeof Node>;

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
  gateways: z.array(Gateway).min(1).max(64),
  nodes: z.array(Node).max(10_000),
  /** Nodes of other people, by the same rules. */
  strangers: z.array(Node).max(10_000).default([]),
  events: z.array(ScenarioEvent).default([]),
});

/**
 * A scenario file, checked as a whole: names are unique, events name what exists, every path is told, the region has
 * the channels and data rates. Channels that the file leaves to the region are filled in.
 */
export const Scenario = ScenarioShape.transform((shape) => {
  const { region } = shape;
  const channelsHz =
    shape.channelsHz ??
    (shape.subBand === undefined ? channelsOfRegion(region) : channelsOfSubBand(region, shape.subBand));
  const own = (one: { channelsHz?: number[] | undefined; subBand?: number | undefined }) =>
    one.channelsHz ?? (one.subBand === undefined ? channelsHz : channelsOfSubBand(region, one.subBand));
  const withChannels = (node: Node) => ({
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

/** A scenario from its JSON text, or one plain sentence about the first thing that is wrong with it. */
export function readScenario(
  text: string,
): { readonly ok: true; readonly scenario: Scenario } | { readonly ok: false; readonly sentence: string } {
  let json: unknown;
  try {
    json = JSON.parse(text);
  } catch (error) {
    return {
      ok: false,
      sentence: `It is not JSON: ${error instanceof Error ? error.message : "unreadable"}.`,
    };
  }
  const parsed = Scenario.safeParse(json);
  if (parsed.success) return { ok: true, scenario: parsed.data };
  const [issue] = parsed.error.issues;
  const where = issue === undefined || issue.path.length === 0 ? "" : `${issue.path.join(".")}: `;
  return { ok: false, sentence: `${where}${issue?.message ?? "it does not fit the form of a scenario"}.` };
}

function* regionContradictions(scenario: Scenario): Generator<string> {
  const { region, channelsHz } = scenario;
  if (region === "none") {
    if (channelsHz.length === 0) yield "without a region, channelsHz must be listed";
    return;
  }
  const plan = regionPlan(region);
  if (plan === null) {
    yield `no region is called ${region}`;
    return;
  }
  yield* channelFaults(plan, channelsHz);
  for (const { name, spreadingFactor, bandwidthHz } of [...scenario.nodes, ...scenario.strangers]) {
    if (!hasDataRate(plan, spreadingFactor, bandwidthHz))
      yield `${name} sends with SF${spreadingFactor} at ${bandwidthHz / 1000} kHz, which is no uplink data rate of ${plan.plan}`;
  }
}

function* contradictions(scenario: Scenario): Generator<string> {
  const nodes = [...scenario.nodes, ...scenario.strangers];
  const euis = new Set(scenario.gateways.map(({ eui }) => eui));
  const names = new Set(nodes.map(({ name }) => name));
  if (euis.size < scenario.gateways.length) yield "two gateways have the same eui";
  if (names.size < nodes.length) yield "two nodes have the same name";
  yield* regionContradictions(scenario);
  for (const { name, channelsHz } of [...scenario.gateways, ...nodes]) {
    if (channelsHz.length === 0) yield `${name} has no channel in ${scenario.region} that takes it`;
    const stray = channelsHz.find((channel) => !scenario.channelsHz.includes(channel));
    if (stray !== undefined) yield `${name} names the channel ${stray} Hz, which the site does not have`;
  }
  for (const node of nodes) yield* nodeContradictions(node, scenario.gateways);
  for (const event of scenario.events) {
    if ("gateway" in event && event.gateway !== undefined && !euis.has(event.gateway))
      yield `the event ${event.event} names the gateway ${event.gateway}, which the site does not have`;
    if ("node" in event && !names.has(event.node))
      yield `the event ${event.event} names the node ${event.node}, which the site does not have`;
    if ("from" in event && event.from >= event.to) yield `the event ${event.event} ends before it begins`;
    if (event.event === "interferer" && !scenario.channelsHz.includes(event.frequencyHz))
      yield `the interferer's channel ${event.frequencyHz} Hz is none of the site's`;
    if (event.event === "node-rejoin" && nodes.find(({ name }) => name === event.node)?.devEui === undefined)
      yield `${event.node} rejoins but has no devEui`;
  }
}

function* nodeContradictions(node: Node, gateways: readonly Gateway[]): Generator<string> {
  if (node.activation === "otaa" && node.devEui === undefined) yield `${node.name} joins but has no devEui`;
  for (const gateway of gateways) {
    const isTold = node.pathGainDb[gateway.eui] !== undefined;
    if (!isTold && (node.position === undefined || gateway.position === undefined))
      yield `${node.name} has neither a pathGainDb to ${gateway.eui} nor a position with it`;
  }
}
