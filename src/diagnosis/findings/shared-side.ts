/**
 * Did all gateways fall silent together? Then the side that they share comes first: this listener, its network, or the
 * router before it. The air makes no keepalive late.
 */
import { contains } from "../../model/time-range.ts";
import { span } from "../standing.ts";
import { CAUSES, type EvidencePiece, weigh } from "./evidence.ts";
import { EXPLAINED_BY_OUTAGE, overlapUs } from "./out-of-reach.ts";
import { lengthUs, type Sight } from "./sight.ts";

/** A counter's own time is known to some seconds only. */
const SLACK_US = 5_000_000;
/** A silence of all gateways together is hardly chance; one gateway may have lost one keepalive on its way. Chosen. */
const WEIGHT = { several: 4, one: 1.5 } as const;
const OF_THE_WAY: ReadonlySet<string> = new Set([
  "gateway-unreachable",
  "gateway-restarted",
  "backhaul-loss",
]);
const NOT_THE_WAY = CAUSES.filter((cause) => !OF_THE_WAY.has(cause));

/** Share of the missed counters that were due while no gateway sent anything. */
export function shareInSilence({ scene: { nobody }, missedAtUs }: Sight): number {
  if (missedAtUs.length === 0 || nobody.length === 0) return 0;
  const wide = nobody.map(({ fromUs, toUs }) => ({ fromUs: fromUs - SLACK_US, toUs: toUs + SLACK_US }));
  return (
    missedAtUs.filter((atUs) => wide.some((range) => contains([range], atUs))).length / missedAtUs.length
  );
}

/** Several gateways were silent together while most of the missed counters were due. */
export function isSharedSide(sight: Sight): boolean {
  return sight.scene.followed > 1 && shareInSilence(sight) >= EXPLAINED_BY_OUTAGE;
}

export function sharedSideEvidence(sight: Sight): EvidencePiece[] {
  const { nobody, followed, within, homes } = sight.scene;
  const share = shareInSilence(sight);
  // A gateway that restarted with its silence was silent for a reason of its own.
  const restarted = homes.some(({ outages }) =>
    outages.some((out) => out.restarted === true && overlapUs(out, within) > 0),
  );
  if (share < EXPLAINED_BY_OUTAGE || restarted) return [];
  const longest = nobody.reduce((a, b) => (lengthUs(b) > lengthUs(a) ? b : a));
  const weight = (followed > 1 ? WEIGHT.several : WEIGHT.one) * share;
  const who = followed > 1 ? `any of the ${followed} gateways` : "the gateway";
  const side =
    followed > 1
      ? "the side that all share comes first (this listener, its network)"
      : "the way between it and here comes first";
  return [
    {
      sentence: `No datagram came from ${who} for ${span(lengthUs(longest) / 1e6)}: ${side}, not the air.`,
      lane: "heartbeat",
      restsOn: { ...within, ofNode: false, gatewayEui: homes[0]?.eui ?? null },
      weights: { ...weigh(weight, "gateway-unreachable"), ...weigh(-0.75 * weight, ...NOT_THE_WAY) },
    },
  ];
}
