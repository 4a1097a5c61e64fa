/** Does a name or address mean this machine alone, and how are names of hosts compared? */
import type { FastifyRequest } from "fastify";
import type { PhoneLink } from "../contract/service.ts";

/** True for `localhost`, 127.0.0.0/8 (RFC 1122 section 3.2.1.3) and ::1 (RFC 4291 section 2.5.3). */
export function isLoopbackHost(host: string): boolean {
  const name = hostName(host);
  return name === "localhost" || name === "::1" || /^127(\.\d{1,3}){3}$/.test(name ?? "");
}

/** True for the addresses that mean "every address of this machine". */
export function isEveryAddress(host: string): boolean {
  return ["0.0.0.0", "::"].includes(hostName(host) ?? "");
}

/** A host's name in its one spelling: lower case, no brackets, no final dot; null when it is none. */
export function hostName(host: string): string | null {
  const bare = host.startsWith("[") && host.endsWith("]") ? host.slice(1, -1) : host;
  const url = authorityUrl(bare.includes(":") ? `[${bare.split("%")[0] ?? ""}]` : bare);
  return url === null ? null : nameOf(url);
}

/** Name of the Host header and what an Origin is compared with; null when the header is malformed. */
export function readAuthority(header: string): { name: string; authority: string } | null {
  const url = authorityUrl(header);
  return url === null ? null : { name: nameOf(url), authority: url.host };
}

function authorityUrl(authority: string): URL | null {
  // RFC 9110 section 7.2: host and optional port, and nothing else.
  if (!/^(\[[0-9a-f:.]{2,45}\]|[a-z0-9_.-]{1,253})(:\d{1,5})?$/i.test(authority)) return null;
  return URL.canParse(`http://${authority}`) ? new URL(`http://${authority}`) : null;
}

function nameOf(url: URL): string {
  return url.hostname.replace(/^\[|\]$/g, "").replace(/\.$/, "");
}

// By which address does a phone open the dashboard? It may carry the token, so only this machine's own browser gets it.

interface PhoneLinkFacts {
  /** Address and port that the dashboard listens on. */
  readonly host: string;
  readonly port: number;
  readonly token: string | null;
  /** This machine's addresses, the one to prefer first. */
  readonly addresses: readonly string[];
}

/** Returns the address with its token, or why there is none and what to do. */
export function phoneLink({ host, port, token, addresses }: PhoneLinkFacts): PhoneLink {
  if (isLoopbackHost(host))
    return {
      url: null,
      text: "The dashboard is open to this computer only. To read it on a phone, start Mastlog with --host 0.0.0.0. It then asks for a token, and a code to scan appears here.",
    };
  const address = isEveryAddress(host) ? (addresses[0] ?? null) : host;
  if (address === null) return { url: null, text: "This computer has no address on a network now." };
  const name = address.includes(":") && !address.startsWith("[") ? `[${address}]` : address;
  const query = token === null ? "" : `?token=${encodeURIComponent(token)}`;
  return {
    url: `http://${name}:${port}/${query}`,
    text: `Scan it with a phone on the same network.${token === null ? "" : " The code holds the token: whoever scans it can read and change what is stored here."}`,
  };
}

/**
 * Returns whether a request comes from a browser on this machine that asked by a loopback name. A proxy on this machine
 * passes on other people's requests: what was forwarded gets no address.
 */
export function isAskedHere(request: FastifyRequest): boolean {
  const { host, forwarded } = request.headers;
  const name = readAuthority(host ?? "")?.name ?? "";
  const from = (request.socket.remoteAddress ?? "").replace(/^::ffff:/, "");
  const isForwarded = forwarded !== undefined || request.headers["x-forwarded-for"] !== undefined;
  return isLoopbackHost(name) && isLoopbackHost(from) && !isForwarded;
}
