/** What is entered at a packet forwarder, as the lines of its configuration, and how a person names a server. */

/** Where a forwarder shall send: keys as in the JSON configuration of forwarders of the open UDP protocol. */
export interface ForwarderTarget {
  readonly address: string;
  readonly port: number;
  /** Null: the identifier in the file stays as it is. */
  readonly gatewayEui: string | null;
}

/** Returns the lines: `gateway_conf` with server, both ports, and the identifier where one is given. */
export function forwarderLines({ address, port, gatewayEui }: ForwarderTarget): string {
  const settings = {
    ...(gatewayEui === null ? {} : { gateway_ID: gatewayEui }),
    server_address: address,
    serv_port_up: port,
    serv_port_down: port,
  };
  return JSON.stringify({ gateway_conf: settings }, null, 2);
}

/** Returns sixteen hexadecimal digits in capitals; null where the text is no identifier. Colons and dashes are passed over. */
export function readGatewayId(text: string): string | null {
  const digits = text.replace(/[\s:.-]/g, "").toUpperCase();
  return /^[0-9A-F]{16}$/.test(digits) ? digits : null;
}

export type ReadServer =
  | { readonly ok: true; readonly address: string; readonly port: number }
  | { readonly ok: false; readonly sentence: string };

/** The port that forwarders of this protocol use unless set otherwise. */
const USUAL_PORT = 1700;

/** Reads "ns.example", "ns.example:1700" or "[2001:db8::1]:1700"; 1700 where no port is named. */
export function readServer(text: string): ReadServer {
  const match = /^(?:\[([0-9a-f:.]+)\]|([a-z0-9_.-]+))(?::(\d{1,5}))?$/i.exec(text.trim());
  const bare = /^[0-9a-f]*:[0-9a-f:.]+$/i.test(text.trim()) ? text.trim() : null;
  const address = match?.[1] ?? match?.[2] ?? bare;
  const port = Number(match?.[3] ?? USUAL_PORT);
  if (address == null || address === "" || port < 1 || port > 65_535)
    return { ok: false, sentence: "A server is a name or an address, with its port: ns.example:1700." };
  return { ok: true, address, port };
}
