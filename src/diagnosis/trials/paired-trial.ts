/** What does a trial say in which both sides could hear the same frames at once? */
import { PRESUMED_SLOW } from "../../statistics/slow-part.ts";
import type { PairedEvidence, PairedNode } from "./evidence.ts";
import { type Estimate, pairedPool } from "./node-effect.ts";
import { nodeDelivery, type PairedDelivery, pairedDelivery, pairedDesign } from "./paired-delivery.ts";
import { pairedSnr, type SnrMethod, strongLoss } from "./paired-snr.ts";

export interface NodeResult<Node> {
  readonly node: Node;
  readonly method: SnrMethod | "power unknown";
  readonly snr: Estimate | null;
  readonly weight: number;
  readonly delivery: Estimate | null;
}

export interface PairedResult {
  /** Counters sent by all nodes. */
  readonly frames: number;
  readonly snr: Estimate | null;
  readonly delivery: PairedDelivery | null;
  /** Share of strong frames that a side loses for other reasons than the floor. */
  readonly otherLoss: number;
  readonly nodes: readonly NodeResult<PairedNode>[];
}

/**
 * A node's own row speaks of its own frames, which are many. That few nodes lose anything makes the answer for all
 * uncertain, not what was counted of this one.
 */
const OWN_DEGREES = 200;
/** Chance that losses follow a slow fading which both sides share. Chosen. */
const SHARED_SLOW = 0.5;

export function pairedTrial({ nodes }: PairedEvidence): PairedResult {
  const otherLoss = strongLoss(nodes);
  const found = nodes.map((node) => ({ node, ...pairedSnr(node, otherLoss) }));
  const told = found.flatMap(({ effect }) => (effect === null ? [] : [effect]));
  const pooled = pairedPool(told);
  // What changes the SNR difference slowly makes losses come in runs, and so does a fading that both sides share, which the
  // difference does not show.
  const design = pairedDesign(nodes, { own: pooled?.slowChance ?? PRESUMED_SLOW, shared: SHARED_SLOW });
  let at = -1;
  return {
    frames: nodes.reduce((sum, { sent }) => sum + sent.length, 0),
    snr: pooled?.all ?? null,
    delivery: pairedDelivery(nodes, design),
    otherLoss,
    nodes: found.map(({ node, method, effect }) => {
      if (effect !== null) at += 1;
      return {
        node,
        method,
        snr: effect === null ? null : (pooled?.each[at] ?? null),
        weight: effect === null ? 0 : (pooled?.weights[at] ?? 0),
        delivery:
          nodeDelivery(node.sent, { factor: design.factor, degrees: OWN_DEGREES })?.difference ?? null,
      };
    }),
  };
}
