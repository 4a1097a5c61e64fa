/**
 * What does a scenario file say? A site in readable JSON: gateways, nodes, strangers, the way between them, and
 * what befalls them when. Unknown keys are refused, so that a slip of the pen does not pass for a default.
 * What the truth about a run means is written in truth-schema.ts.
 */
import { z } from "zod";
import { contradictions } from "./scenario-check.ts";
import { ScenarioEvent } from "./scenario-events.ts";
import { Offset } from "./scenario-time.ts";
import { channelsOfBandwidth, channelsOfRegion, channelsOfSubBand } from "./site-channels.ts";
import {
  Channels,
  GatewayForm,
  Network,
  NetworkServerForm,
  NodeForm,
  Physics,
  SubBand,
} from "./site-parts.ts";

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
