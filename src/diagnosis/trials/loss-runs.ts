/**
 * How far can losses come in runs? What is known of the level tells: a chance of loss that wanders shows in the frames only
 * as far as it can vary.
 */
import type { Way } from "../../statistics/slow-part.ts";

export interface LossSlow {
  /** Chance that the difference of level has a slow part. */
  readonly own: number;
  /** Chance that a level has one which both sides share. */
  readonly shared: number;
}

/** Counters of a node and what either side heard of them. */
export interface LossCounts {
  readonly sent: number;
  readonly a: number;
  readonly b: number;
  /** Variance of one frame's difference. */
  readonly variance: number;
}

/** Chance that losses come in bursts which the level does not show: interference, a busy gateway. Chosen. */
const BURSTS = 0.05;

/**
 * A log-odds that wanders by sigma makes the chance of being heard wander by sigma p (1 - p) (delta method): squared, and
 * over the variance of one frame, that is the share of the slow part. What both sides share cancels where they lose alike.
 * Scaled so that a chance of one half shows all of it.
 */
export function lossWays(nodes: readonly LossCounts[], { own, shared }: LossSlow): Way[] {
  const shows = (squares: (node: LossCounts) => number) =>
    nodes.map((node) =>
      node.variance > 0 ? Math.max(0, Math.min(1, (4 * squares(node)) / node.variance)) : 0,
    );
  const eachOwn = shows(({ sent, a, b }) => squared(a, sent) + squared(b, sent));
  const bothAlike = shows(
    ({ sent, a, b }) => squared(a, sent) + squared(b, sent) - 2 * spread(a, sent) * spread(b, sent),
  );
  const rest = 1 - BURSTS;
  return [
    { chance: rest * own, showing: eachOwn },
    { chance: rest * (1 - own) * shared, showing: bothAlike },
    { chance: BURSTS },
  ];
}

/** p (1 - p) without bias. */
function spread(heard: number, sent: number): number {
  return sent < 2 ? 0 : (heard * (sent - heard)) / (sent * (sent - 1));
}

/** Its square without bias, by factorial moments: one loss alone cannot tell of a chance that wanders. */
function squared(heard: number, sent: number): number {
  const lost = sent - heard;
  return sent < 4
    ? 0
    : (heard * (heard - 1) * lost * (lost - 1)) / (sent * (sent - 1) * (sent - 2) * (sent - 3));
}
