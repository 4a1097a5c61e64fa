/** Do two devices use one address? Two series of counters run side by side, with two rhythms or two strengths. */
import { type EvidencePiece, weigh } from "./evidence.ts";
import type { Sight } from "./sight.ts";

/** Changes from one series to the other and back from which they run side by side for sure. Chosen. */
const LEAST_ALTERNATIONS = 3;

export function sharedEvidence({ scene }: Sight): EvidencePiece[] {
  const { shared, within } = scene;
  if (shared === null || shared.alternations < LEAST_ALTERNATIONS) return [];
  const weight = Math.min(6.5, 3.5 + shared.alternations / 3);
  return [
    {
      sentence: `Two series of counters run side by side under this address: life ${scene.gap.life} and life ${shared.otherLife} took turns ${shared.alternations.toLocaleString("en-GB")} times.`,
      lane: "counters",
      restsOn: { ...within, ofNode: true, gatewayEui: null },
      weights: {
        ...weigh(-2, "weak-link", "interference", "congestion", "channel-mismatch", "gateway-transmitting"),
        // Of two devices one is heard no more: that says little of the node.
        "node-silent": scene.gap.kind === "silence" ? -3.5 : -2,
        "shared-address": weight,
        "node-restarted": -4,
      },
      ...(shared.alternations >= 6 ? { proves: "shared-address" as const } : {}),
    },
  ];
}
