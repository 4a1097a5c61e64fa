/** Where does each thing stand, by a person's word or by its GPS, and which power does it send with? */
import type { PositionRow } from "../contract/positions.ts";
import type { TimeWindow } from "../model/window.ts";
import type { Anchor } from "../radio/plan.ts";
import { anchorOf, linkDistanceM } from "../radio/plan.ts";
import { mostEirpDbm } from "../radio/regions/limits.ts";
import type { RegionPlan } from "../radio/regions/region-plan.ts";
import type { Store } from "../store/open.ts";
import { gpsPositions, positions } from "../store/positions.ts";
import { labels } from "../store/queries/lives.ts";
import { heardPlan } from "./heard-plan.ts";

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
  window: TimeWindow,
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
