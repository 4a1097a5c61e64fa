/** What is to be entered at a gateway so that it sends here? As words and as lines of its configuration, for one address. */
import { useState } from "preact/hooks";
import type { ServiceStatus } from "../../../src/contract/service.ts";
import { linkTo } from "../state/route.ts";
import { Field, typed } from "./form.tsx";
import { CopyButton } from "./page.tsx";
import "./ServerToEnter.css";
import "./ConfigLines.css";

function isLoopback(address: string): boolean {
  return address === "::1" || address.startsWith("127.");
}

/** Addresses that a gateway can reach: of the sockets where these are bound to some, else all of this computer. */
function addressesToEnter({ udp, addresses }: ServiceStatus): string[] {
  const bound = udp
    .map(({ address }) => address)
    .filter((address) => address !== "0.0.0.0" && address !== "::");
  return bound.length === udp.length && bound.length > 0 ? [...new Set(bound)] : [...addresses];
}

/** Address, port and configuration; says so where no gateway could reach it. */
export function ServerToEnter({ status }: { status: ServiceStatus }) {
  const [chosen, setChosen] = useState<string | null>(null);
  const [identifier, setIdentifier] = useState("");
  const ports = [...new Set(status.udp.map((socket) => socket.port))];
  const [port] = ports;
  const onlyHere = status.udp.length > 0 && status.udp.every((socket) => isLoopback(socket.address));
  if (port === undefined)
    return (
      <p>
        ✕ The service listens on no UDP port. See what it says of itself under{" "}
        <a href={linkTo("/service")}>its state</a>.
      </p>
    );
  const addresses = addressesToEnter(status);
  const address = addresses.includes(chosen ?? "") ? (chosen ?? "") : (addresses[0] ?? null);
  const gatewayEui = readGatewayId(identifier);
  const isWrong = identifier.trim() !== "" && gatewayEui === null;
  return (
    <>
      <div class="server-both">
        <div>
          <p>In the gateway's packet forwarder, enter as the server:</p>
          <dl class="server">
            <dt>address</dt>
            <dd>
              {address === null ? "no address of this computer is known" : null}
              {addresses.map((one) => (
                <span key={one} class="server-address">
                  {addresses.length > 1 ? (
                    <label>
                      <input
                        type="radio"
                        name="server-address"
                        checked={one === address}
                        onChange={() => setChosen(one)}
                      />{" "}
                      <span class="mono">{one}</span>
                    </label>
                  ) : (
                    <span class="mono">{one}</span>
                  )}{" "}
                  <CopyButton words="copy" text={() => one} />
                </span>
              ))}
            </dd>
            <dt>port, up and down</dt>
            <dd>
              <span class="mono">{ports.join(" or ")}</span>{" "}
              <CopyButton words="copy" text={() => String(port)} />
            </dd>
          </dl>
        </div>
        {address === null ? null : (
          <div>
            <p>Or as lines of its JSON configuration:</p>
            <ConfigLines
              label="Lines of the forwarder's configuration"
              text={forwarderLines({ address, port, gatewayEui })}
            />
            <p class="server-identifier">
              <Field name="Identifier of the gateway, if its configuration has none yet">
                <input
                  type="text"
                  maxLength={30}
                  spellcheck={false}
                  autocomplete="off"
                  placeholder="16 hexadecimal digits, on its label"
                  aria-invalid={isWrong}
                  aria-describedby="server-identifier-hint"
                  {...typed(identifier, setIdentifier)}
                />
              </Field>
              <span class="small quiet" id="server-identifier-hint" role={isWrong ? "alert" : undefined}>
                {isWrong
                  ? "An identifier has 16 hexadecimal digits."
                  : "Each gateway has its own. Empty, the one in the file stays."}
              </span>
            </p>
          </div>
        )}
      </div>
      <p class="quiet">
        {addresses.length > 1 ? "Choose the address of the network that the gateway is on. " : ""}A firewall
        on this computer must let UDP in on that port. Restart the forwarder after the change.
      </p>
      {onlyHere ? (
        <p class="notice">
          ▲ The service listens on this computer alone (
          {status.udp.map((socket) => socket.address).join(", ")}
          ): no gateway outside can reach it. Start it with an address of the network to listen on.
        </p>
      ) : null}
    </>
  );
}

// Lines of a configuration, to be read and copied whole.

/** `label` names the lines for whoever hears the page. */
export function ConfigLines({ label, text }: { label: string; text: string }) {
  return (
    <section class="config-lines" aria-label={label}>
      {/* biome-ignore lint/a11y/noNoninteractiveTabindex: what may scroll must be reachable by keyboard */}
      <pre class="mono" tabIndex={0}>
        {text}
      </pre>
      <CopyButton words="copy these lines" text={() => text} />
    </section>
  );
}

// What is entered at a packet forwarder, as the lines of its configuration, and how a person names a server.

/** Where a forwarder shall send: keys as in the JSON configuration of forwarders of the open UDP protocol. */
interface ForwarderTarget {
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

type ReadServer =
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
