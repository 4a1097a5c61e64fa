/** How is an address that is one already "looked up"? At once: no thread, no turn of the loop between two datagrams. */
import { lookup } from "node:dns";
import { isIP } from "node:net";

type Answer = (error: NodeJS.ErrnoException | null, address: string, family: number) => void;

/** For sockets that are given addresses; a name, where a person gave one, is looked up as ever. */
export function literalLookup(host: string, family: unknown, answer: Answer): void {
  const version = isIP(host);
  if (version !== 0) answer(null, host, version);
  else lookup(host, family === 6 ? 6 : 4, answer);
}
