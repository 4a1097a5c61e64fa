/** By which addresses and names is this machine known? Asked anew each time: a laptop changes networks. */
import { hostname, networkInterfaces } from "node:os";

/** Addresses that a gateway could send to: every one but loopback and link-local IPv6, IPv4 first. */
export function ownAddresses(): string[] {
  const all = Object.values(networkInterfaces()).flatMap((addresses) => addresses ?? []);
  const outward = all.filter(({ internal, address }) => !internal && !/^fe80:/i.test(address));
  return outward.sort((a, b) => a.family.localeCompare(b.family)).map(({ address }) => address);
}

/** Addresses and names under which a browser may ask for the dashboard. */
export function ownNames(): string[] {
  const name = hostname();
  // RFC 6762 section 3: the name on the local link.
  return [...ownAddresses(), name, `${name.split(".")[0] ?? name}.local`];
}
