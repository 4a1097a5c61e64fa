/**
 * Which nodes are one's own, and who is a stranger? A person's word decides. Without one, nodes of the home networks
 * are one's own; an address alone never tells.
 */
import { groupBy } from "../model/group-by.ts";
import { formatDevAddr } from "../model/identifiers.ts";
import type { Store } from "../store/open.ts";
import {
  allLives,
  anyLifeBelow,
  heardUntil,
  type LabelRecord,
  type LifeRecord,
} from "../store/queries/lives.ts";
import { networkOf, PRIVATE_ADDRESS_END } from "../wire/lorawan/device-address.ts";

export interface HomeNetworks {
  readonly networks: readonly string[];
  /** True when nobody said which nodes are one's own. */
  readonly assumed: boolean;
}

/**
 * Networks of the nodes that a person called his own; without any, the private prefixes when such a node was ever
 * heard; else the network of which most was heard. A quiet hour changes nobody's
 * home: the lives are all that are stored, or were known then.
 */
export function homeNetworksOf<Life extends Pick<LifeRecord, "devAddr" | "heard">>(
  lives: Iterable<Life>,
  labels: ReadonlyMap<string, LabelRecord>,
  heardOf: (life: Life) => number = ({ heard }) => heard,
): HomeNetworks {
  const own = new Set<string>();
  for (const label of labels.values()) if (label.own === 1) own.add(networkOf(label.id));
  if (own.size > 0) return { networks: [...own].sort(), assumed: false };
  const byNetwork = groupBy(lives, ({ devAddr }) => networkOf(formatDevAddr(devAddr)));
  if (byNetwork.size === 0 || byNetwork.has("private")) return { networks: ["private"], assumed: true };
  const counts = [...byNetwork].map(
    ([network, own]) => [network, own.reduce((sum, life) => sum + heardOf(life), 0)] as const,
  );
  const [busiest] = [...counts].sort((a, b) => b[1] - a[1] || a[0].localeCompare(b[0]));
  return { networks: busiest === undefined ? [] : [busiest[0]], assumed: true };
}

/** The home networks as they were known at a moment. */
export function homeNetworksUntil(
  store: Store,
  labels: ReadonlyMap<string, LabelRecord>,
  untilUs: number,
): HomeNetworks {
  // A private address or a person settles it. Then nobody's life needs to be read: there may be tens of thousands.
  const isSettled = [...labels.values()].some(({ own }) => own === 1);
  if (isSettled) return homeNetworksOf([], labels);
  if (anyLifeBelow(store, PRIVATE_ADDRESS_END, untilUs)) return { networks: ["private"], assumed: true };
  return homeNetworksOf(allLives(store, untilUs), labels, (life) => heardUntil(store, life, untilUs));
}

export function isStranger(devAddr: string, label: LabelRecord | undefined, home: HomeNetworks): boolean {
  if (label?.own === 1) return false;
  if (label?.own === 0) return true;
  return !home.networks.includes(networkOf(devAddr));
}
