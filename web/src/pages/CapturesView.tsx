/** What was read from files, what can be, whose keys are available, and what is stored? */
import { useRef, useState } from "preact/hooks";
import type { CaptureRow, CapturesView as Captures, ServiceStatus } from "../../../src/contract/service.ts";
import { counted, figure, fileSize, percent } from "../../../src/words/format.ts";
import { spanWords } from "../format.ts";
import { type Column, column, DataTable, figureField, WIDE_ONLY } from "../parts/DataTable.tsx";
import { ExportSection } from "../parts/Export.tsx";
import { Button } from "../parts/form.tsx";
import { Age, Fold, StandingMark } from "../parts/page.tsx";
import { Samples } from "../parts/Samples.tsx";
import { problemWords, sendCapture } from "../state/api.ts";
import { currentWindow, linkTo, questionQuery } from "../state/route.ts";
import { describeWindow, storedWindow } from "../state/window.ts";
import { KeptSection } from "./Kept.tsx";
import { KeysSection } from "./Keys.tsx";
import "./CapturesView.css";
import "../parts/DropZone.css";

const COLUMNS: readonly Column<CaptureRow>[] = [
  column("File", { sort: (row) => row.name }, (row) => (
    <div class="capture-name">
      <span>{row.name}</span>
      <span class="quiet small">{fileSize(row.size)}</span>
      <CaptureState row={row} />
      {row.trouble === null ? null : <span class="capture-trouble small">{row.trouble}</span>}
    </div>
  )),
  column("Holds", { sort: (row) => row.from }, (row) =>
    row.from === null || row.to === null ? (
      <span class="quiet">{row.state === "reading" ? "not known yet" : "nothing readable"}</span>
    ) : (
      <a href={linkTo("/site", {}, storedWindow(Date.parse(row.from), Date.parse(row.to)))}>
        {spanWords(row.from, row.to)}
      </a>
    ),
  ),
  figureField("Datagrams", "datagrams", figure, WIDE_ONLY),
  figureField("Receptions", "receptions", figure),
  column("Directions", WIDE_ONLY, ({ answers }) =>
    answers === null ? <span class="quiet">not known</span> : answers === 0 ? "from gateways only" : "both",
  ),
  figureField("Already stored", "knownAlready", figure, WIDE_ONLY),
  column("Refused", { right: true, wideOnly: true, sort: (row) => row.refused }, (row) =>
    row.refused === 0 ? "0" : <a href={linkTo("/service")}>{figure(row.refused)}</a>,
  ),
  column("Read", { right: true, wideOnly: true, sort: (row) => row.startedAt }, (row) => (
    <Age at={row.finishedAt ?? row.startedAt} />
  )),
];

function CaptureState({ row }: { row: CaptureRow }) {
  if (row.state === "done") return <StandingMark standing="good" word="read" />;
  if (row.state === "failed") return <StandingMark standing="bad" word="failed" />;
  return (
    <span class="capture-reading">
      <StandingMark
        standing="waiting"
        word={row.progress === null ? "reading" : `reading, ${percent(row.progress, 0)}`}
      />
      <progress
        max={1}
        {...(row.progress === null ? {} : { value: row.progress })}
        aria-label={`Reading ${row.name}`}
      />
    </span>
  );
}

export interface CapturesViewProps {
  readonly captures: Captures;
  readonly status: ServiceStatus | null;
  readonly onChanged: () => void;
}

/** The captures view. */
export function CapturesView({ captures, status, onChanged }: CapturesViewProps) {
  const rows = captures.captures;
  const reading = rows.filter((row) => row.state === "reading").length;
  const failed = rows.filter((row) => row.state === "failed").length;
  const total = rows.reduce((sum, row) => sum + row.receptions, 0);
  const sentence =
    rows.length === 0
      ? "No capture was read yet. Drop one here, or open a sample."
      : `${counted(rows.length, "capture")} with ${counted(total, "reception")}${reading === 0 ? "" : `, ${figure(reading)} still being read`}${failed === 0 ? "" : `, ${figure(failed)} failed`}.`;
  return (
    <>
      <h1 class="sentence">{sentence[0]?.toUpperCase() + sentence.slice(1)}</h1>
      <DropZone onSent={onChanged} />
      {rows.length === 0 ? null : (
        <>
          <h2>Captures</h2>
          <DataTable label="Captures" columns={COLUMNS} rows={rows} rowKey={(row) => String(row.id)} />
        </>
      )}
      <Report />
      <ExportSection />
      <h2>Samples</h2>
      <Samples samples={captures.samples} />
      <KeysSection />
      <h2>What is stored</h2>
      {status === null ? <p class="quiet">○ Asking the service</p> : <StoredSummary status={status} />}
      <KeptSection />
      <Fold title="How a capture is read">
        <p>
          Packet captures (pcap and pcapng, gzip too) and recorded datagrams (JSON lines) go through the same
          path as live traffic and give the same figures. The time of a reception is the time of its capture.
          A file that is read twice changes nothing the second time: its datagrams are counted as known
          already.
        </p>
      </Fold>
    </>
  );
}

/** The window that is shown, as a file to print and hand on. */
function Report() {
  const choice = currentWindow.value;
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
  const [withPayloads, setWithPayloads] = useState(false);
  const payloads = withPayloads ? "&payloads=yes" : "";
  return (
    <>
      <h2>Report</h2>
      <p>
        <a
          class="button"
          href={`/api/report?${questionQuery(choice)}&zone=${encodeURIComponent(zone)}${payloads}`}
          download
        >
          Save the report of the {describeWindow(choice)}
        </a>
      </p>
      <p class="quiet">
        One file that prints on A4 and Letter and needs nothing else: what was measured, nodes, air, trials,
        method and sources. It holds no keys, ever.
      </p>
      <p>
        <label class="report-payloads">
          <input
            type="checkbox"
            checked={withPayloads}
            onChange={(event) => setWithPayloads(event.currentTarget.checked)}
          />
          with what the newest frames hold
        </label>
      </p>
      <p class="quiet" role="status">
        {withPayloads
          ? "▲ Payloads belong to the nodes’ owners, and where keys are available they are shown decrypted: give such a report only to people who may read them."
          : "Without it no payload is in the report."}
      </p>
    </>
  );
}

function StoredSummary({ status }: { status: ServiceStatus }) {
  const { storage } = status;
  const refused = status.refusals
    .filter((refusal) => refusal.refused)
    .reduce((sum, refusal) => sum + refusal.count, 0);
  return (
    <>
      <p>
        {counted(storage.receptions, "reception")} in {fileSize(storage.bytes)}
        {storage.from === null || storage.to === null ? "." : `, ${spanWords(storage.from, storage.to)}.`}{" "}
        {storage.words}
      </p>
      <p>
        <a href={linkTo("/service")}>What was rejected</a>:{" "}
        {counted(refused, "datagram or packet", "datagrams and packets")}.
      </p>
    </>
  );
}

// How does a capture get in? Dropped on the field or chosen; each file says how far it is and what became of it.

interface Sending {
  readonly id: number;
  readonly name: string;
  readonly size: number;
  readonly share: number;
  readonly outcome: "sending" | "sent" | "failed";
  readonly words: string;
}

let nextId = 1;

/** The field for files; `onSent` is called after each that arrived. */
function DropZone({ onSent }: { onSent: () => void }) {
  const [over, setOver] = useState(false);
  const [files, setFiles] = useState<readonly Sending[]>([]);
  const input = useRef<HTMLInputElement>(null);
  const change = (id: number, part: Partial<Sending>) =>
    setFiles((before) => before.map((file) => (file.id === id ? { ...file, ...part } : file)));

  const send = async (list: FileList | null | undefined) => {
    for (const file of list ?? []) {
      const id = nextId;
      nextId += 1;
      setFiles((before) => [
        ...before,
        { id, name: file.name, size: file.size, share: 0, outcome: "sending", words: "" },
      ]);
      const answer = await sendCapture(file, (share) => change(id, { share }));
      if (answer.ok) {
        change(id, { share: 1, outcome: "sent" });
        onSent();
      } else change(id, { outcome: "failed", words: problemWords(answer.problem) });
    }
  };

  return (
    <section
      class={over ? "drop drop-over" : "drop"}
      aria-label="Read a capture"
      onDragOver={(event) => {
        event.preventDefault();
        setOver(true);
      }}
      onDragLeave={() => setOver(false)}
      onDrop={(event) => {
        event.preventDefault();
        setOver(false);
        void send(event.dataTransfer?.files);
      }}
    >
      <p>
        Drop packet captures here, or <Button onClick={() => input.current?.click()}>choose files</Button>
      </p>
      <p class="quiet small">
        pcap, pcapng, gzip of these, or recorded datagrams as JSON lines. They stay on this machine.
      </p>
      <input
        ref={input}
        type="file"
        multiple
        hidden
        aria-label="Capture files"
        onChange={(event) => {
          void send(event.currentTarget.files);
          event.currentTarget.value = "";
        }}
      />
      {files.length === 0 ? null : (
        <ul class="drop-files" aria-live="polite">
          {files.map((file) => (
            <li key={file.id}>
              <span>{file.name}</span> <span class="quiet">{fileSize(file.size)}</span>{" "}
              {file.outcome === "sending" ? (
                <>
                  <progress max={1} value={file.share} aria-label={`Sending ${file.name}`} />{" "}
                  {percent(file.share, 0)} sent
                </>
              ) : file.outcome === "sent" ? (
                <span>✓ sent; being read below</span>
              ) : (
                <span class="drop-failed">✕ {file.words}</span>
              )}
            </li>
          ))}
        </ul>
      )}
    </section>
  );
}
