/** In line: does everything pass, does the server answer, and is it recorded? */
import type { Passage, UpstreamRow } from "../../../../src/contract/gateways.ts";
import { counted, figure } from "../../../../src/words/format.ts";
import { type Column, column, DataTable, RIGHT } from "../../parts/DataTable.tsx";
import { Age, Fact, Facts, Fold, StandingMark } from "../../parts/page.tsx";
import "./relay.css";
import { Explained } from "../../parts/Explain.tsx";

const WORDS = { good: "passing", look: "check", bad: "trouble", waiting: "waiting" } as const;

const COLUMNS: readonly Column<UpstreamRow>[] = [
  column("Server", (row) => (
    <>
      <span class="mono">{nameOf(row)}</span>
      {row.address === null || row.address === row.host ? null : (
        <>
          {" "}
          at <span class="mono">{row.address}</span>
        </>
      )}
    </>
  )),
  column("Part", (row) => row.role),
  column("State", (row) => <StandingMark standing={row.standing} word={row.words} />),
  column("Sent", RIGHT, (row) => figure(row.sent)),
  column("Could not leave", { right: true, wideOnly: true }, (row) => figure(row.unsent)),
  column("Received", RIGHT, (row) => figure(row.received)),
  column("Last answer", { right: true, wideOnly: true }, (row) => <Age at={row.lastAnswerAt} />),
];

function nameOf({ host, port }: UpstreamRow): string {
  return host.includes(":") ? `[${host}]:${port}` : `${host}:${port}`;
}

/** Nothing unless datagrams are relayed. */
export function PassageSection({ passage }: { passage: Passage | null }) {
  if (passage === null) return null;
  return (
    <section aria-labelledby="passage-head">
      <h2 id="passage-head">
        <Explained text="Relay" />
      </h2>
      <p class="way-back">
        <StandingMark standing={passage.standing} word={WORDS[passage.standing]} /> {passage.words}
      </p>
      <DataTable
        label="Servers that gateways' datagrams are passed on to"
        columns={COLUMNS}
        rows={passage.upstreams}
        rowKey={nameOf}
      />
      <Facts>
        <Fact name="Passed on">
          {counted(passage.up, "datagram")} to the server, {figure(passage.down)} back
        </Fact>
        <Fact name="Associations">
          {figure(passage.associations)}, kept for {counted(passage.gateways, "gateway")}
        </Fact>
        <Fact name="Not recorded">
          {passage.notRecorded === 0
            ? "nothing that passed"
            : `${counted(passage.notRecorded, "datagram")} that passed`}
        </Fact>
        <Fact name="Not passed on">
          {passage.notRelayed.length === 0
            ? "nothing"
            : passage.notRelayed.map(({ words, count }) => `${figure(count)}: ${words}`).join("; ")}
        </Fact>
        {passage.strayDownlinks === 0 ? null : (
          <Fact name="To another port">
            {counted(passage.strayDownlinks, "downlink")} came back to where a gateway pushes from, and were
            brought to where it pulls from
          </Fact>
        )}
      </Facts>
      <Fold title="What the relay does and does not do">
        <p>
          Every datagram of a gateway goes on unchanged, from a socket of its own for each gateway and
          direction; what the server sends comes back the same way. The acknowledgement that a gateway gets is
          the server's own: when the server does not answer, nobody does. An error of the store stops the
          recording, never the relay.
        </p>
        <p>
          This machine is part of the path: while it sleeps, is switched off or loses its network, the
          gateways reach nobody. Figures count since the service started.
        </p>
      </Fold>
    </section>
  );
}
