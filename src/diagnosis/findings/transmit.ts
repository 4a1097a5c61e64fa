/**
 * Did the gateway talk when it should have listened? A half-duplex gateway is deaf on all channels while it transmits:
 * what it sent predicts a share of loss, and missed frames fall into its transmissions more often than chance.
 */
import { isIn, lengthUs, type TimeRange } from "../../model/time-range.ts";
import { DEAF_SHARE_WARNING, deafShare } from "../../radio/occupancy.ts";
import { rankSum } from "../../statistics/rank-tests.ts";
import { figure, percentInWords } from "../../words/format.ts";

import { clampWeight, type EvidencePiece, normalRatio, onGap, type Piece } from "./evidence.ts";
import { lossOver, type Sight } from "./observations.ts";

/** Logarithm of observed over predicted loss, when deafness is the cause and when it is not (as for collisions). */
const EXPLAINED = { mean: 0, sd: 0.6 };
const UNEXPLAINED = { mean: 3, sd: 1.8 };
/**
 * Airtime of a downlink that only a count tells of: 20 octets at SF9 in 125 kHz. Chosen, an estimate and said to be one.
 * It may be as long as 51 octets and 13 of its frame at SF12 (LoRaWAN regional parameters, the most there in EU863-870).
 */
const TYPICAL_DOWNLINK_US = 185_000;
const MAX_DOWNLINK_US = 2_800_000;

export function transmitEvidence(sight: Sight): EvidencePiece[] {
  const { scene, lossWithin } = sight;
  const [home] = scene.homes;
  if (home === undefined) return [];
  if (scene.gap.kind === "silence") return scene.gap.open ? deafThroughout(sight) : [];
  if (sight.missed === 0) return [];
  const inside = home.transmissions.filter((one) => isIn(scene.within, one.fromUs));
  const airtimeUs = sight.own[0]?.airtimeUs ?? 60_000;
  const emitted = home.reports.reduce(
    (sum, { atUs, emitted }) => sum + (isIn(scene.within, atUs) ? (emitted ?? 0) : 0),
    0,
  );
  if (inside.length === 0 && emitted === 0) {
    const tells = home.reports.some(({ emitted: count, atUs }) => count !== null && isIn(scene.within, atUs));
    return onGap(scene, [
      {
        sentence: tells
          ? "The gateway reports no transmission of its own within the gap."
          : "No transmission of the gateway is known of.",
        lane: "transmissions",
        weights: { "gateway-transmitting": tells ? -4 : -1.5 },
      },
    ]);
  }
  // Reports count what was sent; where they count more than is known in detail, the rest is estimated.
  const hidden = Math.max(0, emitted - inside.length);
  const lengths = [
    ...inside.map(lengthUs),
    ...Array.from({ length: Math.min(hidden, 100_000) }, () => TYPICAL_DOWNLINK_US),
  ];
  const predicted = deafShare(lengths, airtimeUs, lengthUs(scene.within));
  if (hidden > inside.length) return onGap(scene, [countedPiece(sight, emitted, airtimeUs)]);
  const ratio = lossOver(sight, predicted);
  // A gateway that seldom listens is met seldom, and what it is deaf to it loses whatever else is wrong.
  const weight = clampWeight(
    normalRatio(Math.max(ratio, -0.5), EXPLAINED, UNEXPLAINED) + rarity(predicted),
    5,
  );
  const pieces: Piece[] = [
    {
      sentence: `The gateway transmitted ${figure(Math.max(inside.length, emitted))} times within the gap and was deaf to ${percentInWords(predicted)} of this node's frames by that${hidden > inside.length ? " (lengths estimated)" : ""}; it lost ${percentInWords(lossWithin)}.`,
      lane: "transmissions",
      weights: {
        "gateway-transmitting": predicted < DEAF_SHARE_WARNING ? Math.min(weight, -1) : weight,
        // A loss that is accounted for needs no second cause.
        ...(weight > 1 && predicted >= DEAF_SHARE_WARNING
          ? { "channel-mismatch": -weight, interference: -weight, congestion: -0.5 * weight }
          : {}),
      },
    },
  ];
  const overlap = overlapPiece(sight, inside);
  if (overlap !== null) pieces.push(overlap);
  return onGap(scene, pieces);
}

/** Deafness that leaves no chance to a node, whatever it sends. */
const DEAF_THROUGHOUT = 0.9;

/** A silence that goes on tells nothing of what was sent; a gateway that is deaf nearly all the time explains it all the same. */
function deafThroughout({ scene, own }: Sight): EvidencePiece[] {
  const { within } = scene;
  const [home] = scene.homes;
  const inside = home?.transmissions.filter((one) => isIn(within, one.fromUs)) ?? [];
  const deaf = deafShare(inside.map(lengthUs), own[0]?.airtimeUs ?? 60_000, lengthUs(within));
  if (home === undefined || deaf < DEAF_THROUGHOUT) return [];
  return onGap(scene, [
    {
      sentence: `The gateway transmitted ${inside.length === 1 ? "once" : `${figure(inside.length)} times`} meanwhile and was deaf to ${percentInWords(deaf)} of this node's frames by that.`,
      lane: "transmissions",
      weights: { "gateway-transmitting": 6, interference: -3, "node-silent": -2 },
    },
  ]);
}

/** How much less often a gateway transmits so much than is worth a word, in logarithms: seldom above one or two percent. Chosen. */
function rarity(deaf: number): number {
  return Math.min(2.5, Math.max(0, Math.log(deaf / 0.03)));
}

/** Only a count is known: could so many have been long enough, and were there more than before? */
function countedPiece(
  { scene, lossWithin, lossRange: { low: least } }: Sight,
  emitted: number,
  airtimeUs: number,
): Piece {
  const { within, before, homes } = scene;
  const ofCount = (eachUs: number) => Math.min(1, (emitted * (eachUs + airtimeUs)) / lengthUs(within));
  const most = ofCount(MAX_DOWNLINK_US);
  const typical = ofCount(TYPICAL_DOWNLINK_US);
  const earlier = (homes[0]?.reports ?? []).filter(
    ({ atUs, emitted: count }) => count !== null && isIn(before, atUs),
  );
  const then = earlier.reduce((sum, one) => sum + (one.emitted ?? 0), 0);
  const thenUs = earlier.length < 5 ? null : lengthUs(before);
  const rate = emitted / lengthUs(within);
  const rose = thenUs !== null && rate > 3 * (then / thenUs) + 20 / 3_600_000_000;
  const before3 = thenUs === null ? "" : `, ${figure(Math.round((then / thenUs) * 3.6e9))} an hour before`;
  const weights: Partial<
    Record<"gateway-transmitting" | "interference" | "congestion" | "channel-mismatch", number>
  > =
    most < 0.7 * least
      ? { "gateway-transmitting": -4 }
      : rose
        ? {
            "gateway-transmitting": typical > 0.25 * least ? 4 : 3,
            interference: typical > 0.25 * least ? -4 : -2,
            congestion: -1,
            "channel-mismatch": -2,
          }
        : typical > 0.3 * least
          ? { "gateway-transmitting": 0.5 + rarity(typical), interference: -rarity(typical) }
          : { "gateway-transmitting": -1 };
  return {
    sentence: `The gateway reports ${figure(emitted)} transmissions within the gap, ${figure(Math.round(rate * 3.6e9))} an hour${before3}; by their length, which it does not report, they made it deaf to ${percentInWords(typical)} of this node's frames or up to ${percentInWords(most)}. It lost ${percentInWords(lossWithin)}.`,
    lane: "transmissions",
    weights,
  };
}

/** Transmissions around the moments of missed and of heard frames: are they denser around the missed ones? */
function overlapPiece(sight: Sight, transmissions: readonly TimeRange[]): Piece | null {
  const { scene } = sight;
  if (transmissions.length < 10 || sight.missedAtUs.length < 8 || sight.ownWithin.length < 8) return null;
  const reachUs = Math.min(20_000_000, Math.max(1_000_000, 0.02 * (scene.gap.rhythmUs ?? 60_000_000)));
  const density = (atUs: number) =>
    transmissions.reduce((sum, { fromUs, toUs }) => {
      const overlap = Math.min(toUs, atUs + reachUs) - Math.max(fromUs, atUs - reachUs);
      return overlap > 0 ? sum + overlap : sum;
    }, 0) /
    (2 * reachUs);
  const missed = sight.missedAtUs
    .filter((atUs) => isIn(scene.within, atUs))
    .slice(0, 300)
    .map(density);
  const heard = sight.ownWithin.slice(0, 300).map(({ atUs }) => density(atUs));
  const { p } = rankSum(missed, heard, { alternative: "greater", exact: false });
  const mean = (values: readonly number[]) => values.reduce((a, b) => a + b, 0) / Math.max(1, values.length);
  const [atMissed, atHeard] = [mean(missed), mean(heard)];
  if (p === null || p > 0.01 || atMissed < 1.3 * atHeard) return null;
  return {
    sentence: `Around the missed frames the gateway transmitted ${percentInWords(atMissed)} of the time, around the heard ones ${percentInWords(atHeard)}.`,
    lane: "transmissions",
    weights: { "gateway-transmitting": p < 1e-4 ? 4 : 2.5 },
  };
}
