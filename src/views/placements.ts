/** Where does each gateway stand, as people said? */
import type { PlacementChange, PlacementNew, PlacementRow } from "../contract/trials.ts";
import { isoTime } from "../model/window.ts";
import type { Store } from "../store/open.ts";
import type { NewPlacement, PlacementEdit } from "../store/placements.ts";
import { labels } from "../store/queries/lives.ts";
import { placements } from "../store/queries/placements.ts";

/** All placements in order of their begin. */
export function placementRows(store: Store): PlacementRow[] {
  const names = labels(store, "gateway");
  return placements(store).map(({ fromUs, toUs, photoDigest, ...rest }) => ({
    ...rest,
    gatewayName: names.get(rest.gatewayEui)?.name ?? null,
    from: isoTime(fromUs),
    to: toUs === null ? null : isoTime(toUs),
    photo: photoDigest === null ? null : `/api/placements/${rest.id}/photo?v=${photoDigest}`,
  }));
}

/** A person's placement as the store takes it. */
export function newPlacement({ from, direction, note, ...rest }: PlacementNew): NewPlacement {
  return { ...rest, fromUs: Date.parse(from) * 1000, direction: words(direction), note: words(note) };
}

/** A person's change as the store takes it. */
export function placementEdit({ from, direction, note, ...rest }: PlacementChange): PlacementEdit {
  return {
    ...rest,
    ...(from === undefined ? {} : { fromUs: Date.parse(from) * 1000 }),
    ...(direction === undefined ? {} : { direction: words(direction) }),
    ...(note === undefined ? {} : { note: words(note) }),
  } as PlacementEdit;
}

/** An empty field says nothing. */
function words(text: string | null): string | null {
  return text === "" ? null : text;
}
