/** How much of what is missing falls where no gateway that usually hears the node was reachable? */

import type { SceneGateway } from "../../model/gap.ts";
import { contains, intersect, subtract, type TimeRange, totalUs, unite } from "../../model/time-range.ts";
import { lengthUs, type Sight } from "./observations.ts";

/** From this share on an outage is what the gap is about. */
export const EXPLAINED_BY_OUTAGE = 0.4;

/** The time that two stretches share. */
export function overlapUs(a: TimeRange, b: TimeRange): number {
  return Math.max(0, Math.min(a.toUs, b.toUs) - Math.max(a.fromUs, b.fromUs));
}

/** Share of what was missed that falls where all home gateways were out; of an open silence, of its time. */
export function shareOut(sight: Sight): number {
  const { homes, within, gap } = sight.scene;
  const slackUs = 2_000_000 + 0.1 * (gap.rhythmUs ?? 0);
  const isOut = ({ outages }: SceneGateway, atUs: number) =>
    outages.some(({ fromUs, toUs }) => atUs >= fromUs - slackUs && atUs < toUs + slackUs);
  const allOut = (atUs: number) => homes.every((gateway) => isOut(gateway, atUs));
  if (sight.missedAtUs.length > 0) {
    return sight.missedAtUs.filter(allOut).length / sight.missedAtUs.length;
  }
  const probes = Array.from({ length: 40 }, (_, i) => within.fromUs + ((i + 0.5) / 40) * lengthUs(within));
  // A node that would have sent only after the outage began was silent for a while before it was due.
  const notRecorded = homes[0]?.notRecorded ?? [];
  const recorded = probes.filter((atUs) => !contains(notRecorded, atUs));
  const due = recorded.filter((atUs) => !gap.open || atUs > within.fromUs + (gap.rhythmUs ?? 0));
  return due.length === 0 ? 0 : due.filter(allOut).length / due.length;
}

/** Keepalive intervals between two datagrams of a gateway in which it was surely reachable: one may be late. Chosen. */
const USUAL_SPACING = 1.5;

/**
 * Share of a range, in recorded time, in which a gateway was reachable: its datagrams came at its own keepalive interval.
 * 0 without keepalives, or where the range is shorter than that interval: then nothing proves it.
 */
export function reachShare(
  gateway: SceneGateway,
  { scene: { receptions } }: Sight,
  range: TimeRange,
): number {
  const { keepaliveUs, keepalivesUs, reports, notRecorded } = gateway;
  if (keepaliveUs === null) return 0;
  const recorded = subtract([range], notRecorded);
  const recordedUs = totalUs(recorded);
  if (recordedUs < keepaliveUs) return 0;
  const nearUs = USUAL_SPACING * keepaliveUs;
  const fromUs = range.fromUs - nearUs;
  const toUs = range.toUs + nearUs;
  const times = [
    ...keepalivesUs,
    ...reports.map(({ atUs }) => atUs),
    ...receptions.filter(({ gatewayId }) => gatewayId === gateway.id).map(({ atUs }) => atUs),
  ]
    .filter((atUs) => atUs >= fromUs && atUs <= toUs)
    .sort((a, b) => a - b);
  const reached = times.flatMap((atUs, i) => {
    const before = times[i - 1];
    return before === undefined || atUs - before > nearUs ? [] : [{ fromUs: before, toUs: atUs + 1 }];
  });
  return totalUs(intersect(recorded, unite(reached))) / recordedUs;
}
