/** How much of what is missing falls where no gateway that usually hears the node was in reach? */
import type { SceneGateway, Stretch } from "../../model/scene.ts";
import { lengthUs, type Sight } from "./sight.ts";

/** From this share on an outage is what the gap is about. */
export const EXPLAINED_BY_OUTAGE = 0.4;

/** The time that two stretches share. */
export function overlapUs(a: Stretch, b: Stretch): number {
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
  const due = probes.filter((atUs) => !gap.open || atUs > within.fromUs + (gap.rhythmUs ?? 0));
  return due.length === 0 ? 0 : due.filter(allOut).length / due.length;
}
