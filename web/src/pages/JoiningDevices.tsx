/** Which devices ask to join in this window, and which are not let in? Beneath the nodes; nothing where none asks. */
import { useEffect } from "preact/hooks";
import type { JoiningDevice, JoinsView } from "../../../src/contract/joins.ts";
import { figure } from "../format/format.ts";
import { type Column, DataTable } from "../parts/DataTable.tsx";
import { When } from "../parts/When.tsx";
import { currentWindow, linkTo } from "../state/route.ts";
import { useViewData } from "../state/view-data.ts";

/** A live window is asked for again this often: devices ask to join every few seconds at the most. */
const REFRESH_MS = 5_000;

const COLUMNS: readonly Column<JoiningDevice>[] = [
  {
    key: "device",
    head: "DevEUI",
    sort: (row) => row.devEui,
    cell: (row) => <span class="mono">{row.devEui}</span>,
  },
  {
    key: "last",
    head: "Last request",
    sort: (row) => row.lastHeard,
    cell: (row) => <When at={row.lastHeard} />,
  },
  {
    key: "requests",
    head: "Requests",
    right: true,
    sort: (row) => row.requests,
    cell: (row) => figure(row.requests),
  },
  { key: "accepted", head: "Let in", right: true, cell: (row) => figure(row.accepted) },
  { key: "late", head: "Too late", right: true, cell: (row) => figure(row.late) },
  { key: "unanswered", head: "Unanswered", right: true, cell: (row) => figure(row.unanswered) },
  {
    key: "address",
    head: "Address after that",
    cell: (row) =>
      row.devAddr === undefined ? (
        <span class="quiet">not known</span>
      ) : (
        <a class="mono" href={linkTo(`/nodes/${row.devAddr}/${row.life ?? 1}`)}>
          {row.devAddr}
        </a>
      ),
  },
];

export function JoiningDevices() {
  const choice = currentWindow.value;
  const { data, reload } = useViewData<JoinsView>({ topic: null, path: "/api/joins", key: null }, choice);
  useEffect(() => {
    if (choice.kind !== "live") return;
    const timer = setInterval(() => {
      if (!document.hidden) reload();
    }, REFRESH_MS);
    return () => clearInterval(timer);
  }, [choice.kind]);
  if (data === null || data.joins.length === 0) return null;
  return (
    <>
      <h2>Joining devices</h2>
      <p>{data.sentence.map(({ text }) => text).join("")}</p>
      <DataTable label="Joining devices" rows={data.joins} rowKey={(row) => row.devEui} columns={COLUMNS} />
    </>
  );
}
