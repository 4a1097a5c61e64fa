/** What is to be done when nothing was ever stored? Where to point the gateway, whether anything came, a site to try. */
import type { SampleRow } from "../../../src/contract/captures.ts";
import type { ServiceStatus } from "../../../src/contract/status.ts";
import { counted } from "../format/format.ts";
import { Age } from "../parts/Age.tsx";
import { CopyButton } from "../parts/CopyButton.tsx";
import { Samples } from "../parts/Samples.tsx";
import { StandingMark } from "../parts/StandingMark.tsx";
import { linkTo } from "../state/route.ts";
import "./HelpPage.css";

export interface HelpPageProps {
  readonly status: ServiceStatus;
  /** Null while they are not known. */
  readonly samples: readonly SampleRow[] | null;
}

function isLoopback(address: string): boolean {
  return address === "::1" || address.startsWith("127.");
}

/** The empty dashboard. */
export function HelpPage({ status, samples }: HelpPageProps) {
  const { arrived } = status;
  const ports = [...new Set(status.udp.map((socket) => socket.port))];
  const onlyHere = status.udp.length > 0 && status.udp.every((socket) => isLoopback(socket.address));
  return (
    <div class="help">
      <h1>Nothing is stored yet. Point a gateway at this laptop, read a capture, or open the sample site.</h1>
      <h2>1. Point a gateway here</h2>
      {ports.length === 0 ? (
        <p>
          ✕ The service listens on no UDP port. See what it says of itself under{" "}
          <a href={linkTo("/service")}>its state</a>.
        </p>
      ) : (
        <>
          <p>In the gateway's packet forwarder, enter as the server:</p>
          <dl class="help-server">
            <dt>{status.addresses.length > 1 ? "address, one of" : "address"}</dt>
            <dd>
              {status.addresses.length === 0 ? "no address of this machine is known" : null}
              {status.addresses.map((address) => (
                <span key={address} class="help-address">
                  <span class="mono">{address}</span> <CopyButton words="copy" text={() => address} />
                </span>
              ))}
            </dd>
            <dt>port, up and down</dt>
            <dd class="mono">{ports.join(" or ")}</dd>
          </dl>
          <p class="quiet">
            Take the address of the network that the gateway is on. A firewall on this laptop must let UDP
            through to that port.
          </p>
          {onlyHere ? (
            <p class="notice">
              ▲ The service listens on this machine alone (
              {status.udp.map((socket) => socket.address).join(", ")}): no gateway outside can reach it. Start
              it with an address of the network to listen on.
            </p>
          ) : null}
        </>
      )}
      <p class="help-arrived" role="status">
        {arrived.datagrams === 0 ? (
          <>
            <StandingMark standing="waiting" /> Nothing has arrived on the port since the service started{" "}
            <Age at={status.startedAt} />.
          </>
        ) : (
          <>
            <StandingMark standing="good" word="arriving" /> {counted(arrived.datagrams, "datagram")} arrived,
            the last <Age at={arrived.lastAt} /> from{" "}
            <span class="mono">{arrived.lastFrom ?? "an unknown source"}</span>, but no radio packet yet.{" "}
            <a href={linkTo("/service")}>What was refused</a>
          </>
        )}
      </p>
      <h2>2. Or read a capture</h2>
      <p>
        A packet capture taken on the gateway or the router gives the same figures:{" "}
        <a href={linkTo("/captures")}>drop it on Captures</a>.
      </p>
      <h2>3. Or open the sample site</h2>
      {samples === null ? (
        <p class="quiet">○ Asking which samples there are</p>
      ) : (
        <Samples samples={samples} />
      )}
    </div>
  );
}
