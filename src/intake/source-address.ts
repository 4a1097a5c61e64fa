/** Whether an address and port can be a gateway's. */
import type { Endpoint } from "../model/arrival.ts";

/** False for a source that no datagram can come from: port 0, broadcast, multicast. */
export function isPossibleSource({ address, port }: Endpoint): boolean {
  return port !== 0 && !isGroupAddress(address);
}

/** Broadcast and multicast sources: RFC 1122 section 3.2.1.3, RFC 4291 section 2.7. */
export function isGroupAddress(address: string): boolean {
  if (address === "255.255.255.255" || address === "0.0.0.0" || address === "::") return true;
  if (/^ff[0-9a-f]{2}:/i.test(address)) return true;
  const first = Number(address.split(".")[0]);
  return address.includes(".") && first >= 224 && first <= 239;
}
