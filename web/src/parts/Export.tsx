/** How do figures leave? As a file of the shown window: a quiet link beneath a table, and a form for every table. */
import { signal } from "@preact/signals";
import { useEffect, useState } from "preact/hooks";
import type {
  ExportFormat,
  ExportProgress,
  ExportsView,
  ExportTable,
} from "../../../src/contract/service.ts";
import { fileSize, percent } from "../../../src/words/format.ts";
import { getJson } from "../state/api.ts";
import { currentWindow, questionQuery } from "../state/route.ts";
import { describeWindow } from "../state/window.ts";
import { Field } from "./form.tsx";
import "./Export.css";

const ASK_EVERY_MS = 1_000;
/** A download that was just asked for has not begun yet. */
const LOOKS_BEFORE_END = 3;

/** Those that run, and those that ended in the last minute. */
const exportsShown = signal<readonly ExportProgress[]>([]);

let looksLeft = 0;
let isAsking = false;

/** Asks each second until none runs any more, `looks` times at least. */
function watchExports(looks = LOOKS_BEFORE_END): void {
  looksLeft = Math.max(looks, looksLeft);
  if (isAsking) return;
  isAsking = true;
  void ask();
}

async function ask(): Promise<void> {
  const answer = await getJson<ExportsView>("/api/exports");
  if (answer.ok) exportsShown.value = answer.value.exports;
  const runs = exportsShown.value.some(({ state }) => state === "running");
  looksLeft = runs && answer.ok ? 1 : looksLeft - 1;
  if (looksLeft <= 0) {
    isAsking = false;
    return;
  }
  setTimeout(() => void ask(), ASK_EVERY_MS);
}

/** Beneath a table: all rows of the window, without filter and cut; of a node: its own. */
export function ExportLink({ what, node }: { what: ExportTable | readonly ExportTable[]; node?: string }) {
  const [isAsked, setIsAsked] = useState(false);
  const tables = typeof what === "string" ? [what] : what;
  const narrowed = node === undefined ? "" : `&node=${node}`;
  return (
    <>
      <p class="small quiet screen-only export-links">
        {tables.map((table) => (
          <a
            key={table}
            href={`/api/export?what=${table}&format=csv${narrowed}&${questionQuery(currentWindow.value)}`}
            download
            onClick={() => {
              setIsAsked(true);
              watchExports();
            }}
          >
            Save the {table} as CSV
          </a>
        ))}
      </p>
      {isAsked ? <ExportList /> : null}
    </>
  );
}

/** How far each export is that this service writes. */
function ExportList() {
  const list = exportsShown.value;
  return (
    <ul class="small quiet screen-only export-list" role="status">
      {list.map((one) => (
        <li key={one.id}>
          {one.name}: {progressWords(one)}
        </li>
      ))}
    </ul>
  );
}

function progressWords({ state, share, bytes }: ExportProgress): string {
  switch (state) {
    case "running":
      return `${percent(share, 0)} written, ${fileSize(bytes)}`;
    case "done":
      return `written, ${fileSize(bytes)}`;
    case "broken-off":
      return `broken off after ${fileSize(bytes)}`;
    case "failed":
      return "failed; what was saved of it is not whole";
  }
}

const TABLES: readonly (readonly [ExportTable, string])[] = [
  ["receptions", "receptions"],
  ["frames", "frames"],
  ["nodes", "nodes"],
  ["links", "links"],
  ["gaps", "gaps"],
  ["gateways", "gateways"],
  ["channels", "channels"],
];

/** What a form is called for a table; receptions leave as datagrams where Mastlog reads them back. */
function formsOf(what: ExportTable): readonly (readonly [ExportFormat, string])[] {
  const lines = what === "receptions" ? "datagrams as JSON lines" : "JSON lines";
  const all = [
    ["csv", "CSV"],
    ["jsonl", lines],
    ["parquet", "Parquet"],
  ] as const;
  return what === "receptions" ? [...all, ["pcap", "packet capture"]] : all;
}

/** A table of the shown window in a form of choice. */
export function ExportSection() {
  const choice = currentWindow.value;
  const [what, setWhat] = useState<ExportTable>("receptions");
  const [format, setFormat] = useState<ExportFormat>("csv");
  const forms = formsOf(what);
  const shown = forms.some(([form]) => form === format) ? format : "csv";
  // One may run that was begun elsewhere.
  useEffect(() => watchExports(1), []);
  const isRead = what === "receptions" && (shown === "jsonl" || shown === "pcap");
  return (
    <>
      <h2>Export</h2>
      <div class="export-form">
        <Field name="Table">
          <select value={what} onChange={(event) => setWhat(event.currentTarget.value as ExportTable)}>
            {TABLES.map(([table, title]) => (
              <option key={table} value={table}>
                {title}
              </option>
            ))}
          </select>
        </Field>
        <Field name="Form">
          <select value={shown} onChange={(event) => setFormat(event.currentTarget.value as ExportFormat)}>
            {forms.map(([form, title]) => (
              <option key={form} value={form}>
                {title}
              </option>
            ))}
          </select>
        </Field>
        <a
          class="button"
          href={`/api/export?what=${what}&format=${shown}&${questionQuery(choice)}`}
          download
          onClick={() => watchExports()}
        >
          Save the {what} of the {describeWindow(choice)}
        </a>
      </div>
      <ExportList />
      <p class="quiet" role="status">
        {isRead
          ? "Payloads are in it, as they were heard. Another Mastlog reads it to the same figures."
          : "Columns have the API's names with their units; times are in UTC. No keys and no payloads are in it."}
      </p>
    </>
  );
}
