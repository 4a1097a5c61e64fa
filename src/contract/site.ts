/** How does the whole site stand, at a glance? */
import { z } from "zod";
import { EuiText, Sentence, Window } from "./common.ts";
import { FindingLine } from "./gaps.ts";
import { GatewayRow } from "./gateways.ts";
import { NodeRow } from "./nodes.ts";

export const AirLine = z.object({
  gatewayEui: EuiText,
  gatewayName: z.string().nullable(),
  words: z.string(),
  busiestFrequencyHz: z.number().int().nullable(),
  busiestUtilisation: z.number().nullable(),
});

export const SiteView = z.object({
  window: Window,
  siteName: z.string(),
  /** True when nothing was ever stored: the dashboard shows its page of help. */
  empty: z.boolean(),
  sentence: Sentence,
  gateways: z.array(GatewayRow).describe("64 at most: named or placed ones first, then those heard longest"),
  moreGateways: z.number().int().describe("heard too, and not listed"),
  attention: z.array(NodeRow).describe("nodes that need a look, worst first, at most 12"),
  findings: z.array(FindingLine).describe("of one's own nodes and of gateways, newest first, at most 5"),
  nodeCount: z.number().int().describe("of one's own, heard in the window, listed or not"),
  strangerCount: z.number().int(),
  air: z.array(AirLine),
});
export type SiteView = z.infer<typeof SiteView>;

/** Body of PUT /api/site/name. Null takes the name back. */
export const SiteNaming = z.object({ name: z.string().trim().max(80).nullable() });
export type SiteNaming = z.infer<typeof SiteNaming>;
