/** What points a gateway back at its own server, once it is signed off here? */
import { useState } from "preact/hooks";
import type { ServiceStatus } from "../../../../src/contract/service.ts";
import { forwarderLines, readServer } from "../../format/forwarder-lines.ts";
import { ConfigLines } from "../../parts/ConfigLines.tsx";

/** Kept in this browser: the next gateway mostly goes to the same server. */
const KEPT = "mastlog server";

function keptServer(): string {
  try {
    return localStorage.getItem(KEPT) ?? "";
  } catch {
    return "";
  }
}

function keep(text: string): void {
  try {
    localStorage.setItem(KEPT, text);
  } catch {
    // A browser that keeps nothing asks again.
  }
}

/** The server that datagrams are relayed to is the gateway's own: no other has to be named. */
function relayedTo(status: ServiceStatus | null): string {
  const [server] = status?.passage?.upstreams ?? [];
  if (server === undefined) return "";
  return `${server.host.includes(":") ? `[${server.host}]` : server.host}:${server.port}`;
}

/** The lines for the server that a person names. */
export function BackToServer({ eui, status }: { eui: string; status: ServiceStatus | null }) {
  const [text, setText] = useState<string | null>(null);
  const named = text ?? (relayedTo(status) || keptServer());
  const server = named.trim() === "" ? null : readServer(named);
  return (
    <section class="bench-back screen-only" aria-label="Back to its server">
      <h2>When it is signed off: back to its server</h2>
      <p>
        Name the network server. Enter these lines at the gateway, restart its forwarder, and see that its
        keepalives stop here.
      </p>
      <label>
        <span class="small quiet">Server and port</span>
        <input
          type="text"
          value={named}
          placeholder="ns.example:1700"
          spellcheck={false}
          autocomplete="off"
          aria-invalid={server !== null && !server.ok}
          aria-describedby="bench-back-hint"
          onInput={(event) => {
            setText(event.currentTarget.value);
            keep(event.currentTarget.value);
          }}
        />
      </label>
      <p class="small quiet" id="bench-back-hint" role={server !== null && !server.ok ? "alert" : undefined}>
        {server !== null && !server.ok ? server.sentence : "Without a port: 1700, up and down."}
      </p>
      {server?.ok === true ? (
        <ConfigLines
          label="Lines that point the gateway at its server"
          text={forwarderLines({ address: server.address, port: server.port, gatewayEui: eui })}
        />
      ) : null}
    </section>
  );
}
