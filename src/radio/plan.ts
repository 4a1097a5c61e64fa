/** Where do things lie on a flat plan, in metres east and north, when some are given in degrees and some in metres? */
import { geodesicM, haversineM, type Place } from "./path-loss.ts";

export interface GivenPlace {
  readonly latitudeDeg: number | null;
  readonly longitudeDeg: number | null;
  readonly eastM: number | null;
  readonly northM: number | null;
}

export interface PlanPoint {
  readonly eastM: number;
  readonly northM: number;
}

/** What ties degrees to metres: a place and where it lies on the plan. */
export interface Anchor {
  readonly place: Place;
  readonly at: PlanPoint;
}

/**
 * The first thing that is known both in degrees and in metres; else, when nothing is given in metres, the middle of
 * all degrees at 0, 0. Null when degrees and metres have nothing in common, or there are no degrees.
 */
export function anchorOf(given: readonly GivenPlace[]): Anchor | null {
  for (const one of given) {
    const place = placeOf(one);
    const at = pointOf(one);
    if (place !== null && at !== null) return { place, at };
  }
  const places = given.flatMap((one) => placeOf(one) ?? []);
  const first = places[0];
  if (first === undefined || given.some((one) => pointOf(one) !== null)) return null;
  const middle = (pick: (place: Place) => number) =>
    (Math.min(...places.map(pick)) + Math.max(...places.map(pick))) / 2;
  return {
    place: { latitudeDeg: middle((p) => p.latitudeDeg), longitudeDeg: middle((p) => p.longitudeDeg) },
    at: { eastM: 0, northM: 0 },
  };
}

/** On the plan: as given in metres, else by the anchor; null when neither is possible. */
export function planPoint(one: GivenPlace, anchor: Anchor | null): PlanPoint | null {
  const at = pointOf(one);
  if (at !== null) return at;
  const place = placeOf(one);
  if (place === null || anchor === null) return null;
  const { latitudeDeg, longitudeDeg } = anchor.place;
  // Legs of the flat plan: along the meridian, and along the parallel at the middle latitude.
  const north = metresBetween(anchor.place, { latitudeDeg: place.latitudeDeg, longitudeDeg });
  const middle = (latitudeDeg + place.latitudeDeg) / 2;
  const east = metresBetween(
    { latitudeDeg: middle, longitudeDeg },
    { latitudeDeg: middle, longitudeDeg: place.longitudeDeg },
  );
  return {
    eastM: anchor.at.eastM + Math.sign(turn(place.longitudeDeg - longitudeDeg)) * east,
    northM: anchor.at.northM + Math.sign(place.latitudeDeg - latitudeDeg) * north,
  };
}

/** Straight distance in metres: on the ellipsoid where both are known in degrees, else on the plan; heights included where both are known. */
export function linkDistanceM(
  a: GivenPlace & { readonly heightM: number | null },
  b: GivenPlace & { readonly heightM: number | null },
  anchor: Anchor | null,
): number | null {
  const [from, to] = [placeOf(a), placeOf(b)];
  let flat: number | null = null;
  if (from !== null && to !== null) flat = metresBetween(from, to);
  else {
    const [p, q] = [planPoint(a, anchor), planPoint(b, anchor)];
    flat = p === null || q === null ? null : Math.hypot(p.eastM - q.eastM, p.northM - q.northM);
  }
  if (flat === null) return null;
  return a.heightM === null || b.heightM === null ? flat : Math.hypot(flat, a.heightM - b.heightM);
}

function metresBetween(from: Place, to: Place): number {
  return geodesicM(from, to) ?? haversineM(from, to);
}

function placeOf({ latitudeDeg, longitudeDeg }: GivenPlace): Place | null {
  return latitudeDeg === null || longitudeDeg === null ? null : { latitudeDeg, longitudeDeg };
}

function pointOf({ eastM, northM }: GivenPlace): PlanPoint | null {
  return eastM === null || northM === null ? null : { eastM, northM };
}

/** The short way round, −180 to 180 degrees. */
function turn(degrees: number): number {
  return ((degrees + 540) % 360) - 180;
}
