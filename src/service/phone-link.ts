/** By which address does a phone open the dashboard? It may carry the token, so only this machine's own browser is told. */
import type { FastifyRequest } from "fastify";
import type { PhoneLink } from "../contract/service.ts";
import { isEveryAddress, isLoopbackHost, readAuthority } from "./loopback.ts";

export interface PhoneLinkFacts {
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
      text: "The dashboard is open to this computer only. To read it on a phone, start Mastlog with --host 0.0.0.0. It then asks for a token, and a code to scan stands here.",
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
 * passes on other people's requests: what was forwarded is not told.
 */
export function isAskedHere(request: FastifyRequest): boolean {
  const { host, forwarded } = request.headers;
  const name = readAuthority(host ?? "")?.name ?? "";
  const from = (request.socket.remoteAddress ?? "").replace(/^::ffff:/, "");
  const isForwarded = forwarded !== undefined || request.headers["x-forwarded-for"] !== undefined;
  return isLoopbackHost(name) && isLoopbackHost(from) && !isForwarded;
}
