/**
 * What can befall a synthetic site? Each event of a scenario, with its time. Nodes and gateways are named by
 * `name` and `eui`; whether they exist is checked with the whole scenario (scenario.ts).
 */
import { z } from "zod";
import { CAUSE_EVENTS } from "./cause-events.ts";
import { DevAddrText, EuiText, stretch } from "./event-fields.ts";
import { Offset } from "./scenario-time.ts";

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
