/** Is the service itself well, and what did it refuse? */
import type { Passage, UpstreamRow } from "../../../src/contract/gateways.ts";
import type { Refusal, RefusalSample, ServiceStatus } from "../../../src/contract/service.ts";
import { counted, figure, fileSize } from "../../../src/words/format.ts";
import { exactTime, spanWords } from "../format.ts";
import { type Column, column, DataTable, figureField, RIGHT } from "../parts/DataTable.tsx";
import { octetsOf } from "../parts/Frame.tsx";
import { PhoneCode } from "../parts/PhoneCode.tsx";
import { Age, CopyButton, Fact, Facts, Fold, Notices, StandingMark } from "../parts/page.tsx";
import { WatchSection } from "./watches/WatchSection.tsx";
import "./ServiceView.css";
import { Explained, Heading } from "../parts/Explain.tsx";
import "./relay/relay.css";

const COLUMNS: readonly Column<Refusal>[] = [
  column("What", { sort: (row) => row.words }, (row) => (
    <>
      {row.words} <span class="mono quiet">{row.reason}</span>
    </>
  )),
  column("Used?", { sort: (row) => Number(row.refused) }, (row) =>
    row.refused ? "refused" : "unusual, but used",
  ),
  figureField("Count", "count", figure),
  column("First", { right: true, wideOnly: true, sort: (row) => row.firstAt }, (row) => (
    <Age at={row.firstAt} />
  )),
  column("Last", { right: true, sort: (row) => row.lastAt }, (row) => <Age at={row.lastAt} />),
];

const DROP_COLUMNS: readonly Column<ServiceStatus["lost"]["bySource"][number]>[] = [
  column("Dropped from", { sort: (row) => row.source }, (row) => <span class="mono">{row.source}</span>),
  figureField("Count", "count", figure),
  column("Last", { right: true, sort: (row) => row.lastAt }, (row) => <Age at={row.lastAt} />),
];

const CHECK_STANDINGS = { sound: "good", running: "waiting", damaged: "bad", unknown: "waiting" } as const;

export interface ServiceViewProps {
  readonly status: ServiceStatus;
  readonly refusals: readonly Refusal[];
  readonly samples: readonly RefusalSample[];
}

/** State of the service and what was rejected. */
export function ServiceView({ status, refusals, samples }: ServiceViewProps) {
  const refused = refusals.filter((row) => row.refused).reduce((sum, row) => sum + row.count, 0);
  const odd = refusals.filter((row) => !row.refused).reduce((sum, row) => sum + row.count, 0);
  const well = status.storage.check.state === "damaged" ? "writes to a damaged store" : "works";
  const state = { well, slow: "is slow to store", failed: "cannot store" }[status.storage.state];
  return (
    <>
      <h1 class="sentence">
        {status.passage === null
          ? `The service ${state}`
          : passageState(status.passage, status.storage.state)}
        ; {counted(refused, "item")} rejected, {counted(odd, "item")} unusual but used.
      </h1>
      <Notices notices={status.notices} />
      <h2>The service</h2>
      <Facts>
        <Fact name="Storage">
          <StandingMark
            standing={
              status.storage.state === "well" ? "good" : status.storage.state === "slow" ? "look" : "bad"
            }
            word={status.storage.state === "well" ? "good" : status.storage.state}
          />{" "}
          {status.storage.words}
        </Fact>
        <Fact name="Check for damage">
          <StandingMark
            standing={CHECK_STANDINGS[status.storage.check.state]}
            word={status.storage.check.state}
          />{" "}
          {status.storage.check.words}
        </Fact>
        <Fact name="Stored">
          {counted(status.storage.receptions, "reception")}, {fileSize(status.storage.bytes)}
          {status.storage.from === null || status.storage.to === null
            ? ""
            : `, ${spanWords(status.storage.from, status.storage.to)}`}
        </Fact>
        <Fact name="Free on the disk">
          {status.storage.space.freeBytes === null ? "not known" : fileSize(status.storage.space.freeBytes)}
          {status.storage.space.state === "low" ? (
            <>
              {" "}
              <StandingMark standing="look" word="low" /> {status.storage.space.words}
            </>
          ) : null}
        </Fact>
        <Fact name="Listens on">
          <span class="mono">
            {status.udp.map((socket) => `${socket.address} port ${socket.port}`).join(", ") || "nothing"}
          </span>
        </Fact>
        <Fact name="Arrived">
          {counted(status.arrived.datagrams, "datagram")} since the start <Age at={status.startedAt} />; last{" "}
          <Age at={status.arrived.lastAt} />
          {status.arrived.lastFrom === null ? null : (
            <>
              {" "}
              from <span class="mono">{status.arrived.lastFrom}</span>
            </>
          )}
        </Fact>
        {status.passage === null ? (
          <Fact name="Acknowledged">
            {figure(status.acknowledged.afterCommit)} after they were stored,{" "}
            {figure(status.acknowledged.beforeStored)} before, {figure(status.acknowledged.waiting)} waiting,{" "}
            {figure(status.acknowledged.dropped)} dropped
          </Fact>
        ) : (
          <Fact name="Acknowledged">
            by the server, never here; {figure(status.acknowledged.waiting)} waiting to be recorded
          </Fact>
        )}
        <Fact name="Lost">
          {status.lost.words === "" ? "nothing since the start" : status.lost.words}
          {status.lost.inKernel === null ? " What the system itself lost is not known here." : ""}
        </Fact>
        {status.publish == null ? null : (
          <Fact name="Publishes">
            <StandingMark
              standing={status.publish.state === "connected" ? "good" : "look"}
              word={status.publish.state}
            />{" "}
            {status.publish.state === "connected" ? `to ${status.publish.broker}:` : status.publish.words}{" "}
            {figure(status.publish.published)} published, {figure(status.publish.waiting)} waiting,{" "}
            {figure(status.publish.dropped)} dropped
          </Fact>
        )}
        <Fact name="Version">{status.version}</Fact>
      </Facts>
      {status.lost.bySource.length === 0 ? null : (
        <DataTable
          label="Dropped by source"
          none=""
          columns={DROP_COLUMNS}
          rows={status.lost.bySource}
          rowKey={(row) => row.source}
        />
      )}
      <PhoneCode />
      <PassageSection passage={status.passage} />
      <Heading text="What was rejected" />
      <DataTable
        label="What was rejected or unusual"
        none="Nothing was rejected, and nothing was unusual."
        columns={COLUMNS}
        rows={refusals}
        rowKey={(row) => `${row.reason} ${row.refused}`}
      />
      {samples.length === 0 ? null : <h2>The newest of them, as they arrived</h2>}
      {samples.map((sample, index) => (
        <Fold key={index} title={`${sample.reason}, ${exactTime(Date.parse(sample.at))}`}>
          <p>{sample.sentence}</p>
          <p>
            From <span class="mono">{sample.source}</span>, {counted(sample.size, "octet")}.{" "}
            <CopyButton words="copy hex" text={() => sample.hex} />
          </p>
          <pre class="raw mono">{hexRows(sample.hex)}</pre>
        </Fold>
      ))}
      {status.watch == null ? null : <WatchSection watch={status.watch} />}
    </>
  );
}

/** What passes comes first where a network is in service; then whether it is recorded. */
function passageState({ words }: Passage, storage: ServiceStatus["storage"]["state"]): string {
  const passing = words.split(/\.(?: |$)/)[0] ?? words;
  if (storage === "failed") return `${passing}; relaying works, recording has stopped`;
  return storage === "slow" ? `${passing}; recording lags behind` : passing;
}

function hexRows(hex: string): string {
  const octets = octetsOf(hex);
  const rows: string[] = [];
  for (let at = 0; at < octets.length; at += 16)
    rows.push(`${at.toString(16).toUpperCase().padStart(4, "0")}  ${octets.slice(at, at + 16).join(" ")}`);
  return rows.join("\n");
}

// In line: does everything pass, does the server answer, and is it recorded?

const PASSAGE_WORDS = { good: "passing", look: "check", bad: "trouble", waiting: "waiting" } as const;

const UPSTREAMS: readonly Column<UpstreamRow>[] = [
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
        <StandingMark standing={passage.standing} word={PASSAGE_WORDS[passage.standing]} /> {passage.words}
      </p>
      <DataTable
        label="Servers that gateways' datagrams are passed on to"
        columns={UPSTREAMS}
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
