/**
 * Which nodes are one's own, and who is a stranger? A person's word decides. Without one, nodes of the home networks
 * are one's own; an address alone never tells.
 */
import { formatDevAddr } from "../model/identifiers.ts";
import type { LabelRecord, LifeRecord } from "../store/queries/lives.ts";
import { networkOf } from "../wire/lorawan/device-address.ts";

export interface HomeNetworks {
  readonly networks: readonly string[];
  /** True when nobody said which nodes are one's own. */
  readonly assumed: boolean;
}

/**
 * Networks of the nodes that a person called his own; without any, the private prefixes when such a node was ever
 * heard; else the network of which most was heard. By all that is stored: a quiet hour changes nobody's home.
 */
export function homeNetworksOf(
  lives: Iterable<Pick<LifeRecord, "devAddr" | "heard">>,
  labels: ReadonlyMap<string, LabelRecord>,
): HomeNetworks {
  const own = new Set<string>();
  for (const label of labels.values()) if (label.own === 1) own.add(networkOf(label.id));
  if (own.size > 0) return { networks: [...own].sort(), assumed: false };
  const counts = new Map<string, number>();
  for (const { devAddr, heard } of lives) {
    const network = networkOf(formatDevAddr(devAddr));
    counts.set(network, (counts.get(network) ?? 0) + heard);
  }
  if (counts.size === 0 || counts.has("private")) return { networks: ["private"], assumed: true };
  const [busiest] = [...counts].sort((a, b) => b[1] - a[1] || a[0].localeCompare(b[0]));
  return { networks: busiest === undefined ? [] : [busiest[0]], assumed: true };
}

export function isStranger(devAddr: string, label: LabelRecord | undefined, home: HomeNetworks): boolean {
  if (label?.own === 1) return false;
  if (label?.own === 0) return true;
  return !home.networks.includes(networkOf(devAddr));
}
