/**
 * Does a scenario contradict itself? Names are unique, events name what exists, every path is told, the region has the
 * channels and data rates.
 */
import { regionPlan } from "../radio/regions/region-plan.ts";
import type { Scenario } from "./scenario.ts";
import { channelFaults, hasDataRate } from "./site-channels.ts";
import type { Gateway, Node } from "./site-parts.ts";

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

export function* contradictions(scenario: Scenario): Generator<string> {
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
