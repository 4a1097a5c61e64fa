/** Do the nodes lose their frames at the same moments? */
import type { Stretch } from "../../model/scene.ts";
import { isOut, missedTimes, unheardAtHome, withoutEdges } from "./company.ts";
import { type EvidencePiece, weigh } from "./evidence.ts";
import { isIn, type OwnFrame, type Sight } from "./sight.ts";

/** Moments compared, and misses among them, from which losses of several nodes are seen to come together or not. Chosen. */
const LEAST_PAIRS = 40;
const LEAST_MISSES = 10;
/** Three standard errors: that much chance seldom does. */
const TOGETHER_Z = 3;

/**
 * Whether the nodes lose their frames at the same moments: what comes and goes (a jammer that pulses) takes all of
 * them while it is there, what strikes each frame by itself (collisions, channels not listened on) does not. Moments of
 * different nodes that follow one another are compared (autocorrelation at lag one of a series of misses and hits).
 */
export function together(sight: Sight, restsOn: EvidencePiece["restsOn"]): EvidencePiece[] {
  const within = withoutEdges(sight.scene.within);
  const outages = unheardAtHome(sight.scene);
  const moments = [
    ...momentsOf(0, sight.own, within, outages),
    ...sight.neighbours.flatMap(({ frames }, i) => momentsOf(i + 1, frames, within, outages)),
  ].sort((a, b) => a.atUs - b.atUs);
  const missed = moments.filter(({ isMissed }) => isMissed).length;
  const share = missed / Math.max(1, moments.length);
  const pairs = moments.flatMap((one, i) => {
    const next = moments[i + 1];
    return next === undefined || next.node === one.node ? [] : [{ one, next }];
  });
  if (pairs.length < LEAST_PAIRS || missed < LEAST_MISSES || share > 0.9) return [];
  const deviation = ({ isMissed }: Moment) => (isMissed ? 1 : 0) - share;
  const correlation =
    pairs.reduce((sum, { one, next }) => sum + deviation(one) * deviation(next), 0) /
    (pairs.length * share * (1 - share));
  const z = correlation * Math.sqrt(pairs.length);
  if (z < TOGETHER_Z) return [];
  return [
    {
      sentence: `The nodes lose their frames at the same moments: of ${missed.toLocaleString("en-GB")} losses among ${moments.length.toLocaleString("en-GB")} frames of all of them, more follow on one another's than chance allows (correlation ${correlation.toFixed(2)}, ${z.toFixed(1)} standard errors).`,
      lane: "neighbours",
      restsOn,
      weights: {
        interference: 2,
        ...weigh(-1.5, "channel-mismatch", "congestion"),
        ...weigh(-1, "weak-link", "shared-address"),
      },
    },
  ];
}

interface Moment {
  readonly node: number;
  readonly atUs: number;
  readonly isMissed: boolean;
}

/** Hits and misses of one node in a stretch, but for those in an outage. */
function momentsOf(
  node: number,
  frames: readonly OwnFrame[],
  stretch: Stretch,
  outages: readonly Stretch[],
): Moment[] {
  const inside = frames.filter(({ atUs }) => isIn(stretch, atUs));
  return inside.flatMap((frame, i) => {
    const before = inside[i - 1];
    const missed = before === undefined ? [] : missedTimes(before, frame);
    // A counter that ran away is another device or a restart.
    const lost = missed.length > 50 ? [] : missed.filter((atUs) => !isOut(outages, atUs));
    return [
      ...lost.map((atUs) => ({ node, atUs, isMissed: true })),
      { node, atUs: frame.atUs, isMissed: false },
    ];
  });
}
