/** Does a name or address mean this machine alone, and how are names of hosts compared? */

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
