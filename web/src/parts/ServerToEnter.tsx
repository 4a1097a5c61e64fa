/** What is to be entered at a gateway so that it sends here? This machine's addresses, the port, and what may stand in the way. */
import type { ServiceStatus } from "../../../src/contract/service.ts";
import { linkTo } from "../state/route.ts";
import { CopyButton } from "./page.tsx";
import "./ServerToEnter.css";

function isLoopback(address: string): boolean {
  return address === "::1" || address.startsWith("127.");
}

/** Address and port, as the forwarder's settings name them. */
export function ServerToEnter({ status }: { status: ServiceStatus }) {
  const ports = [...new Set(status.udp.map((socket) => socket.port))];
  const onlyHere = status.udp.length > 0 && status.udp.every((socket) => isLoopback(socket.address));
  if (ports.length === 0)
    return (
      <p>
        ✕ The service listens on no UDP port. See what it says of itself under{" "}
        <a href={linkTo("/service")}>its state</a>.
      </p>
    );
  return (
    <>
      <p>In the gateway's packet forwarder, enter as the server:</p>
      <dl class="server">
        <dt>{status.addresses.length > 1 ? "address, one of" : "address"}</dt>
        <dd>
          {status.addresses.length === 0 ? "no address of this machine is known" : null}
          {status.addresses.map((address) => (
            <span key={address} class="server-address">
              <span class="mono">{address}</span> <CopyButton words="copy" text={() => address} />
            </span>
          ))}
        </dd>
        <dt>port, up and down</dt>
        <dd class="mono">{ports.join(" or ")}</dd>
      </dl>
      <p class="quiet">
        Take the address of the network that the gateway is on. A firewall on this laptop must let UDP through
        to that port.
      </p>
      {onlyHere ? (
        <p class="notice">
          ▲ The service listens on this machine alone ({status.udp.map((socket) => socket.address).join(", ")}
          ): no gateway outside can reach it. Start it with an address of the network to listen on.
        </p>
      ) : null}
    </>
  );
}
