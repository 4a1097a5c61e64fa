/**
 * What does a scenario file say? A site in readable JSON: gateways, nodes, strangers, the way between them, and
 * what befalls them when. Unknown keys are refused, so that a slip of the pen does not pass for a default.
 * What the truth about a run means is written in truth-schema.ts.
 */

import { z } from "zod";
import { regionPlan } from "../radio/regions/region-plan.ts";
import { ScenarioEvent } from "./events.ts";
import { Offset } from "./scenario-time.ts";
import {
  Channels,
  channelFaults,
  channelsOfBandwidth,
  channelsOfRegion,
  channelsOfSubBand,
  type Gateway,
  GatewayForm,
  hasDataRate,
  Network,
  NetworkServerForm,
  type Node,
  NodeForm,
  Physics,
  SubBand,
} from "./site-parts.ts";

// Does a scenario contradict itself? Names are unique, events name what exists, every path is given, the region has the
// channels and data rates.

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
    const named =
      "frequenciesHz" in event ? event.frequenciesHz : "channelsHz" in event ? event.channelsHz : [];
    const stray = named?.find((frequencyHz) => !scenario.channelsHz.includes(frequencyHz));
    if (stray !== undefined)
      yield `the event ${event.event} names the channel ${stray} Hz, which the site does not have`;
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

export type { Gateway, Node, Physics } from "./site-parts.ts";

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
