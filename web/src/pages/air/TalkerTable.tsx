/** Who talks most? Nodes and strangers by the airtime that was heard of them. */
import type { AirView } from "../../../../src/contract/air.ts";
import { duration, figure, percent } from "../../format/format.ts";
import { type Column, DataTable } from "../../parts/DataTable.tsx";
import { linkTo } from "../../state/route.ts";

type Talker = AirView["talkers"][number];

const TALKERS: readonly Column<Talker>[] = [
  {
    key: "node",
    head: "Node",
    cell: (row) => (
      <a href={linkTo("/nodes", { q: row.devAddr })}>{row.name ?? <span class="mono">{row.devAddr}</span>}</a>
    ),
    sort: (row) => row.name ?? row.devAddr,
  },
  {
    key: "whose",
    head: "Whose",
    wideOnly: true,
    cell: (row) => (row.stranger ? `a stranger's, ${row.network}` : "yours"),
  },
  {
    key: "frames",
    head: "Frames",
    right: true,
    wideOnly: true,
    sort: (row) => row.frames,
    cell: (row) => figure(row.frames),
  },
  {
    key: "airtime",
    head: "Airtime heard",
    right: true,
    sort: (row) => row.airtimeSeconds,
    cell: (row) => duration(row.airtimeSeconds),
  },
  {
    key: "share",
    head: "of all nodes",
    right: true,
    wideOnly: true,
    sort: (row) => row.share,
    cell: (row) => percent(row.share, 0),
  },
  {
    key: "duty",
    head: "Fullest hour",
    right: true,
    sort: (row) => row.busiestHourDuty,
    cell: (row) => percent(row.busiestHourDuty, 2),
  },
];

export function TalkerTable({ talkers }: { talkers: readonly Talker[] }) {
  return (
    <DataTable
      label="Busiest talkers"
      none="No node was heard in this window."
      columns={TALKERS}
      rows={talkers}
      rowKey={(row) => row.devAddr}
    />
  );
}
