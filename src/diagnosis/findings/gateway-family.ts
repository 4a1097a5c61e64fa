/**
 * Was the gateway there? Its keepalives and reports went on or stopped; its concentrator's counter ran on across the
 * silence (only the way to it was cut) or began anew (it restarted); datagrams were lost on the way.
 */

import type { SceneGateway, Stretch } from "../../model/scene.ts";
import { subtract, totalUs } from "../../model/time-range.ts";
import { percent, span } from "../standing.ts";
import { backhaulEvidence, isRunOfLosses } from "./backhaul-evidence.ts";
import { CAUSES, type EvidencePiece, weigh } from "./evidence.ts";
import { EXPLAINED_BY_OUTAGE, overlapUs, reachShare, shareOut } from "./out-of-reach.ts";
import { isIn, lengthUs, type Sight } from "./sight.ts";

const OF_THE_GATEWAY: ReadonlySet<string> = new Set(["gateway-unreachable", "gateway-restarted"]);
/** Share of a gap in which a gateway was surely in reach, from which it was so throughout: a keepalive may be lost. Chosen. */
const IN_REACH = 0.95;
const NOT_ITS_OWN = CAUSES.filter((cause) => !OF_THE_GATEWAY.has(cause));

export function gatewayEvidence(sight: Sight): EvidencePiece[] {
  const { homes, within, gap } = sight.scene;
  if (homes.length === 0) return [];
  const share = shareOut(sight);
  const touched = homes.filter(({ outages }) => outages.some((out) => overlapUs(out, within) > 0));
  const lossy = backhaulEvidence(sight);
  if (lossy !== null && touched.every((home) => isScattered(home, within))) return [lossy];
  if (touched.length > 0 && share >= EXPLAINED_BY_OUTAGE) {
    // The gateway that hears it best counts most.
    return touched.map((gateway, i) => outage(gateway, share, sight, i === 0 ? 1 : 0.3));
  }
  const pieces: EvidencePiece[] = [];
  if (lossy !== null) return [lossy];
  // Without keepalives, or with distances between them longer than the gap, nobody knows whether it was in reach.
  const alive = homes.filter((gateway) => reachShare(gateway, sight, within) >= IN_REACH);
  if (alive.length > 0) {
    const count = alive.reduce(
      (sum, { keepalivesUs }) => sum + keepalivesUs.filter((atUs) => isIn(within, atUs)).length,
      0,
    );
    const [first] = alive;
    const expected = alive.reduce(
      (sum, { keepaliveUs, notRecorded }) =>
        sum + (keepaliveUs === null ? 0 : totalUs(subtract([within], notRecorded)) / keepaliveUs),
      0,
    );
    // A gap shorter than a few keepalives may hide a short outage.
    const sure = expected < 2 ? 0.4 : 1;
    pieces.push({
      sentence: `${alive.length === 1 ? "Its gateway was" : "Its gateways were"} in reach throughout: ${count.toLocaleString("en-GB")} keepalives came, ${Math.round(expected).toLocaleString("en-GB")} were due.`,
      lane: "heartbeat",
      restsOn: { ...within, ofNode: false, gatewayEui: first?.eui ?? null },
      weights: weigh((gap.kind === "steady" ? -4 : -5) * sure, "gateway-unreachable", "gateway-restarted"),
    });
  }
  return pieces;
}

function isScattered(gateway: SceneGateway, within: Stretch): boolean {
  return gateway.outages
    .filter((out) => overlapUs(out, within) > 0)
    .every((out) => isRunOfLosses(out, gateway));
}

function outage(gateway: SceneGateway, share: number, sight: Sight, rank: number): EvidencePiece {
  const { within, gap } = sight.scene;
  const outs = gateway.outages.filter((out) => overlapUs(out, within) > 0);
  const longest = outs.reduce((a, b) => (lengthUs(b) > lengthUs(a) ? b : a));
  const restarted = outs.some((out) => out.restarted === true);
  const ranOn = !restarted && outs.some((out) => out.restarted === false);
  const who = gateway.name ?? `Gateway ${gateway.eui}`;
  const counter = restarted
    ? "its concentrator's counter began anew with it"
    : ranOn
      ? "its concentrator's counter ran on across it"
      : longest.open
        ? "it has not come back"
        : "its concentrator's counter cannot tell whether it restarted";
  const sure = Math.min(1, 0.5 + share / 2);
  // A node that did not send while the gateway was out was silent by itself: its counter says so.
  const sent = (gap.kind === "silence" && !gap.open ? 0.2 : 1) * rank;
  const weight = 5 * sure * sent;
  return {
    sentence: `${who} sent nothing for ${span(lengthUs(longest) / 1e6)}; ${counter}; ${percent(share)} of what is missing falls into that time.`,
    lane: "heartbeat",
    restsOn: { ...longest, ofNode: false, gatewayEui: gateway.eui },
    weights: {
      ...weigh(-3 * sent, ...NOT_ITS_OWN),
      "gateway-restarted": restarted ? weight + rank : ranOn ? -5 * rank : weight - rank,
      "gateway-unreachable": restarted ? -2 * rank : ranOn ? weight + rank : weight,
    },
    ...(sent < 1 || share < 0.6
      ? {}
      : restarted
        ? { proves: "gateway-restarted" as const }
        : ranOn
          ? { proves: "gateway-unreachable" as const }
          : {}),
  };
}
