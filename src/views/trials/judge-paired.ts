/** What does a trial say whose sides heard the same frames at once? */
import { type PairedNode, SNR_CEILING_DB } from "../../diagnosis/trials/evidence.ts";
import { countsOf } from "../../diagnosis/trials/paired-delivery.ts";
import { pairedTrial } from "../../diagnosis/trials/paired-trial.ts";
import { methodWords } from "../../diagnosis/trials/words.ts";
import { commonFrames } from "./common-frames.ts";
import { differenceBins, histogram } from "./distributions.ts";
import { channelLabel, type Judged, MOST_NODES, mostFrames, spanOf } from "./judged.ts";
import { intervalOf, pairedGroups, rounded, SHARE_DIGITS, sideCounts } from "./trial-groups.ts";

export function judgePaired(nodes: readonly PairedNode[]): Judged {
  const result = pairedTrial({ nodes });
  const sent = nodes.flatMap((node) => node.sent);
  const delivery = result.delivery;
  const design = { factor: delivery?.designEffect ?? 1, degrees: delivery?.difference.degrees ?? 1 };
  const common = sent.filter(({ a, b }) => a !== null && b !== null);
  const differences = common.flatMap(({ a, b }) =>
    a?.snrDb == null || b?.snrDb == null ? [] : [a.snrDb - b.snrDb],
  );
  const reservations: string[] = [];
  const strong = result.nodes.filter(({ method }) => method === "too strong").length;
  if (strong > 0)
    reservations.push(
      `${strong} of ${nodes.length} nodes are too strong to compare by SNR (above +${SNR_CEILING_DB}\u2009dB); they count for delivery.`,
    );
  if (nodes.length === 1) reservations.push("One node alone: what holds for it need not hold for others.");
  return {
    paired: true,
    differences: { snr: result.snr, delivery: delivery?.difference ?? null },
    frames: result.frames,
    ...spanOf(sent),
    reservations,
    parts: {
      commonFrames: commonFrames(common, differences),
      delivery: {
        a: sideCounts(sent.map(({ a }) => a)),
        b: sideCounts(sent.map(({ b }) => b)),
        pairs: countsOf(sent),
        mcnemarP: delivery?.mcnemar.p ?? null,
        mcnemarMethod: delivery?.mcnemar.method ?? null,
        designEffect: Math.round(design.factor * 100) / 100,
      },
      control: null,
      nodes: result.nodes
        .map(({ node, method, snr, weight, delivery: own }) => ({
          devAddr: node.devAddr,
          name: node.name,
          a: sideCounts(node.sent.map(({ a }) => a)),
          b: sideCounts(node.sent.map(({ b }) => b)),
          pairs: countsOf(node.sent),
          snrDifferenceDb: intervalOf(snr),
          deliveryDifference: intervalOf(own, SHARE_DIGITS),
          weight: rounded(weight, SHARE_DIGITS),
          method,
          methodWords: methodWords(method),
        }))
        .sort(mostFrames)
        .slice(0, MOST_NODES),
      spreadingFactors: pairedGroups(nodes, ({ rate }) => rate.label, result.otherLoss, design),
      channels: pairedGroups(nodes, channelLabel, result.otherLoss, design),
      snr: histogram(
        sent.map(({ a }) => a),
        sent.map(({ b }) => b),
      ),
      difference: differenceBins(differences),
    },
  };
}
