/** What did people note in a stretch of time, and why could a change of theirs not be written? */

import type { PlacementChange, PlacementNew, PlacementRow } from "../contract/trials.ts";
import type {
  MarkChange,
  MarkRequest,
  MarkRow,
  MarksQuery,
  MarksView,
  Position,
  PositionRow,
} from "../contract/user-data.ts";
import { isoTime, type TimeRange } from "../model/time-range.ts";
import { type Anchor, anchorOf, linkDistanceM } from "../radio/geometry.ts";
import { mostEirpDbm } from "../radio/regions/limits.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import type { Store } from "../store/open.ts";
import {
  MAX_PHOTOS,
  MAX_PLACEMENTS,
  type NewPlacement,
  type PlacementEdit,
  placements,
} from "../store/placements.ts";
import { labels } from "../store/queries/lives.ts";
import {
  gpsPositions,
  MAX_MARKS,
  type MarkEdit,
  type MarkPosition,
  type MarkRecord,
  marksIn,
  type NewMark,
  NO_POSITION,
  positions,
} from "../store/user-data.ts";
import type { NotWritten, NotWrittenCode } from "../store/written.ts";
import { figure } from "../words/format.ts";
import { type AskedWindow, windowView } from "./window.ts";
import { heardPlan } from "./wrong-sub-band.ts";

/** Why a change was not written, in one sentence each: for the API and the commands. */
export const NOT_WRITTEN: Readonly<Record<NotWrittenCode, string>> = {
  "no-such-mark": "No mark has this number.",
  "marks-full": `The limit of ${figure(MAX_MARKS)} marks is reached.`,
  "mark-ends-early": "A mark cannot end before it begins.",
  "no-such-placement": "No placement has this number.",
  "placements-full": `The limit of ${figure(MAX_PLACEMENTS)} placements is reached.`,
  "placement-begins-twice": "Another placement of this gateway and antenna begins at the same moment.",
  "placement-elsewhere": "Another gateway or antenna has a placement of this name.",
  "photos-full": `The limit of ${figure(MAX_PHOTOS)} photos is reached.`,
  "key-file-unreadable": "This is not a key file.",
  "no-such-keys": "No keys are held of this address or device.",
  "no-such-gateway": "No gateway with this identifier was heard.",
  "no-such-node": "No node with this address was heard.",
};

/** Returns the sentence of a change that was not written. */
export function notWrittenSentence({ code, sentence }: NotWritten): string {
  return sentence ?? NOT_WRITTEN[code];
}

const MAX_SHOWN = 1_000;

export function marksView(store: Store, window: AskedWindow, query: MarksQuery = {}): MarksView {
  const { gateway, node, kind } = query;
  const found = marksIn(store, window, MAX_SHOWN + 1, { gatewayEui: gateway, devAddr: node, kind });
  return {
    window: windowView(window),
    marks: markRows(store, found.slice(0, MAX_SHOWN)),
    cut: found.length > MAX_SHOWN,
  };
}

/** Marks in the contract's shape, with the names that people gave. */
export function markRows(store: Store, records: readonly MarkRecord[]): MarkRow[] {
  if (records.length === 0) return [];
  const gateways = labels(store, "gateway");
  const nodes = labels(store, "node");
  return records.map(({ id, atUs, untilUs, kind, text, gatewayEui, devAddr, ...where }) => ({
    id,
    at: isoTime(atUs),
    until: untilUs === null ? null : isoTime(untilUs),
    kind,
    text,
    gatewayEui,
    gatewayName: gatewayEui === null ? null : (gateways.get(gatewayEui)?.name ?? null),
    devAddr,
    nodeName: devAddr === null ? null : (nodes.get(devAddr)?.name ?? null),
    position: positionOf(where),
  }));
}

/** A person's mark as the store takes it; without a time it is pinned to `nowUs`. */
export function newMark(asked: MarkRequest, nowUs: number): NewMark {
  const { at, until, kind, text, gatewayEui, devAddr, position } = asked;
  return {
    atUs: at === undefined ? nowUs : timeUs(at),
    untilUs: until === null ? null : timeUs(until),
    kind,
    text,
    gatewayEui,
    devAddr,
    ...positionColumns(position),
  };
}

/** A person's change as the store takes it. */
export function markEdit({ at, until, text, gatewayEui, devAddr, position }: MarkChange): MarkEdit {
  return {
    ...(at === undefined ? {} : { atUs: timeUs(at) }),
    ...(until === undefined ? {} : { untilUs: until === null ? null : timeUs(until) }),
    ...(text === undefined ? {} : { text }),
    ...(gatewayEui === undefined ? {} : { gatewayEui }),
    ...(devAddr === undefined ? {} : { devAddr }),
    ...(position === undefined ? {} : positionColumns(position)),
  };
}

function positionColumns(position: Position | null): MarkPosition {
  return position === null ? NO_POSITION : { ...NO_POSITION, ...position };
}

/** Where a mark says it was. */
export function positionOf({ latitude, longitude, eastMetres, northMetres }: MarkPosition): Position | null {
  if (latitude !== null && longitude !== null) return { latitude, longitude };
  if (eastMetres !== null && northMetres !== null) return { eastMetres, northMetres };
  return null;
}

function timeUs(iso: string): number {
  return Date.parse(iso) * 1000;
}

// Where does each gateway stand, as people said?

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

// Where does each thing stand, by a person's word or by its GPS, and which power does it send with?

/** Every position that holds. A person's word goes before GPS; a person's metres and a GPS's degrees go together. */
export function positionRows(store: Store): PositionRow[] {
  const rows = new Map<string, PositionRow>();
  const names = { gateway: labels(store, "gateway"), node: labels(store, "node") };
  for (const row of positions(store))
    rows.set(`${row.kind} ${row.id}`, {
      ...row,
      name: names[row.kind].get(row.id)?.name ?? null,
      from: "person",
    });
  for (const { eui, latitudeDeg, longitudeDeg } of gpsPositions(store)) {
    const said = rows.get(`gateway ${eui}`);
    if (said === undefined) {
      rows.set(`gateway ${eui}`, {
        kind: "gateway",
        id: eui,
        name: names.gateway.get(eui)?.name ?? null,
        from: "gps",
        latitudeDeg,
        longitudeDeg,
        eastM: null,
        northM: null,
        // A GPS tells the height over the sea, not over the ground.
        heightM: null,
        eirpDbm: null,
        antennaGainDbi: null,
      });
    } else if (said.latitudeDeg === null) {
      rows.set(`gateway ${eui}`, { ...said, latitudeDeg, longitudeDeg, from: "both" });
    }
  }
  return [...rows.values()];
}

/** What questions about ways are answered from. */
export interface Places {
  readonly rows: readonly PositionRow[];
  readonly anchor: Anchor | null;
  readonly of: (kind: PositionRow["kind"], id: string) => PositionRow | null;
  /** Metres between a node and a gateway; null when one has no place, or they share no frame. */
  readonly distanceM: (devAddr: string, gatewayEui: string) => number | null;
}

export function placesOf(store: Store): Places {
  const rows = positionRows(store);
  const anchor = anchorOf(rows);
  const by = new Map(rows.map((row) => [`${row.kind} ${row.id}`, row]));
  const of = (kind: PositionRow["kind"], id: string) => {
    const row = by.get(`${kind} ${id}`) ?? null;
    // Only a power or a gain was said: that is no place.
    return row === null || (row.latitudeDeg === null && row.eastM === null) ? null : row;
  };
  return {
    rows,
    anchor,
    of,
    distanceM: (devAddr, gatewayEui) => {
      const [node, gateway] = [of("node", devAddr), of("gateway", gatewayEui)];
      return node === null || gateway === null ? null : linkDistanceM(node, gateway, anchor);
    },
  };
}

export interface PowerOfRegion {
  readonly name: string | null;
  readonly eirpDbm: number | null;
}

/** The most that the region of a gateway's packets lets a node send; asked once a gateway. */
export function regionPowers(
  store: Store,
  window: TimeRange,
  ownPlans: readonly RegionPlan[],
): (gatewayId: number) => PowerOfRegion {
  const known = new Map<number, PowerOfRegion>();
  return (gatewayId) => {
    let power = known.get(gatewayId);
    if (power === undefined) {
      const { name } = heardPlan(store, gatewayId, window, ownPlans).recognition;
      power = { name, eirpDbm: name === null ? null : mostEirpDbm(name) };
      known.set(gatewayId, power);
    }
    return power;
  };
}
