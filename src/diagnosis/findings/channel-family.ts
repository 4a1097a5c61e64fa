/**
 * Which channels were the lost frames on? A node that hops over more channels than the gateway listens to loses a fixed
 * share of its frames whatever their strength: as many as the channels it is never heard on. A channel that is
 * disturbed loses its share for everyone instead.
 */
import { ratioPieces } from "./channel-ratio.ts";
import type { EvidencePiece } from "./evidence.ts";
import { shareOfAll } from "./fallen-channels.ts";
import type { Sight } from "./sight.ts";

export function channelEvidence(sight: Sight): EvidencePiece[] {
  const { scene } = sight;
  const [home] = scene.homes;
  if (home === undefined || scene.gap.kind === "silence" || sight.missed === 0) return [];
  const receptions = scene.receptions.filter(({ gatewayId }) => gatewayId === home.id);
  const restsOn = { ...scene.within, ofNode: true, gatewayEui: home.eui };
  return [
    ...ratioPieces(sight).map((piece) => ({ ...piece, restsOn })),
    ...shareOfAll(sight, receptions, { ...restsOn, ofNode: false }),
  ];
}
