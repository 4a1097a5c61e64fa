/** By which names may a browser ask for the dashboard? Asked anew each time: a laptop changes networks. */
import { hostname } from "node:os";
import { reachableAddresses } from "../intake/udp-listener.ts";

/** Addresses and names of this machine. */
export function ownNames(): string[] {
  const name = hostname();
  // RFC 6762 section 3: the name on the local link.
  return [...reachableAddresses(), name, `${name.split(".")[0] ?? name}.local`];
}
