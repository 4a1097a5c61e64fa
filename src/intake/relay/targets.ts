/** Where does a relay pass datagrams on to? HOST:PORT as a person writes it, read and written. */

/** A network server to relay to. */
export interface RelayTarget {
  /** A name, an IPv4 address or an IPv6 address, without brackets. */
  readonly host: string;
  readonly port: number;
}

/** "ns.example:1700", "192.0.2.10:1700", "[2001:db8::10]:1700"; null when it is none of these. */
export function readRelayTarget(text: string): RelayTarget | null {
  const parts = /^(?:\[([0-9a-f:.]+(?:%\w+)?)\]|([^\s:[\]/]+)):(\d{1,5})$/i.exec(text.trim());
  if (parts === null) return null;
  const host = parts[1] ?? parts[2] ?? "";
  const port = Number(parts[3]);
  return port >= 1 && port <= 65_535 ? { host, port } : null;
}

/** The same, written: an IPv6 address in brackets. */
export function relayTargetText({ host, port }: RelayTarget): string {
  return host.includes(":") ? `[${host}]:${port}` : `${host}:${port}`;
}
