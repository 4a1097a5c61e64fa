/**
 * Which gateways do the lists show? All of an honest site; of thousands, as a stranger can invent them, those that a
 * person named or placed and then those heard over the longest time. How many more there are is said.
 */
import type { Store } from "../store/open.ts";
import { allGateways, type GatewayRecord, gatewaysOfPeople } from "../store/queries/gateways.ts";
import { type AskedWindow, knownUntilUs } from "./window.ts";

/** Chosen: more than a site has, few enough to be worked out and read. */
export const MAX_GATEWAYS_SHOWN = 64;

export interface ShownGateways {
  /** In order of their first datagram. */
  readonly shown: readonly GatewayRecord[];
  readonly more: number;
}

/** Those that may have been heard in the window; `live`: also those silent since before it. */
export function shownGateways(store: Store, window: AskedWindow, most = MAX_GATEWAYS_SHOWN): ShownGateways {
  const there = allGateways(store, knownUntilUs(window)).filter(
    ({ firstAtUs, lastAtUs }) => firstAtUs < window.toUs && (window.live || lastAtUs >= window.fromUs),
  );
  return cutGateways(store, there, most);
}

/** The same cut of any gateways. */
export function cutGateways(
  store: Store,
  gateways: readonly GatewayRecord[],
  most = MAX_GATEWAYS_SHOWN,
): ShownGateways {
  if (gateways.length <= most) return { shown: gateways, more: 0 };
  const ofPeople = gatewaysOfPeople(store);
  const heardUs = ({ firstAtUs, lastAtUs }: GatewayRecord) => lastAtUs - firstAtUs;
  const chosen = new Set(
    [...gateways]
      .sort(
        (a, b) =>
          Number(ofPeople.has(b.eui)) - Number(ofPeople.has(a.eui)) ||
          heardUs(b) - heardUs(a) ||
          a.eui.localeCompare(b.eui),
      )
      .slice(0, most),
  );
  return { shown: gateways.filter((one) => chosen.has(one)), more: gateways.length - most };
}
