/** Which nodes are there, and how does each fare? One row a node and counter life. */
import type { NodeRow, Trend } from "../../../src/contract/nodes.ts";
import { IntervalBar } from "../drawings/IntervalBar.tsx";
import { SmallStrip } from "../drawings/SmallStrip.tsx";
import { db, duration, percent, percentInterval, signedDb } from "../format/format.ts";
import { type Column, DataTable, type Sorting } from "../parts/DataTable.tsx";
import { StandingMark } from "../parts/StandingMark.tsx";
import { When } from "../parts/When.tsx";
import { linkTo } from "../state/route.ts";
import "./NodeTable.css";

/** What a node is called: its name, else its address. */
export function nodeTitle(row: NodeRow): string {
  return row.name ?? row.devAddr;
}

const COLUMNS: readonly Column<NodeRow>[] = [
  {
    key: "node",
    head: "Node",
    sort: (row) => nodeTitle(row),
    cell: (row) => (
      <div class="node-name">
        <a href={linkTo(`/nodes/${row.devAddr}/${row.life}`)}>
          {row.name ?? <span class="mono">{row.devAddr}</span>}
        </a>
        {row.name === null ? null : <span class="mono quiet">{row.devAddr}</span>}
        {row.life > 1 ? <span class="quiet small">life {row.life}</span> : null}
        <span class="node-clause">
          <StandingMark standing={row.standing} />{" "}
          <span class="quiet">
            {row.clause}
            {row.why == null ? null : ": "}
          </span>
          {row.why == null ? null : <a href={linkTo(`/gaps?node=${row.devAddr}`)}>{row.why.words}</a>}
        </span>
      </div>
    ),
  },
  {
    key: "heard",
    head: "Last heard",
    right: true,
    sort: (row) => -Date.parse(row.lastHeard),
    cell: (row) => <When at={row.lastHeard} />,
  },
  {
    key: "rhythm",
    head: "Rhythm",
    right: true,
    wideOnly: true,
    sort: (row) => row.rhythmSeconds,
    cell: (row) => duration(row.rhythmSeconds),
  },
  {
    key: "delivery",
    head: "Delivery",
    right: true,
    sort: (row) => row.deliveryRatio,
    cell: (row) => (
      <div class="node-delivery">
        <span>{percent(row.deliveryRatio)}</span>
        <IntervalBar ratio={row.deliveryRatio} interval={row.deliveryInterval95} />
        <span class="quiet small">{percentInterval(row.deliveryInterval95)}</span>
      </div>
    ),
  },
  {
    key: "margin",
    head: "Margin",
    right: true,
    wideOnly: true,
    sort: (row) => row.marginDb.median,
    cell: (row) => db(row.marginDb.median),
  },
  {
    key: "trend",
    head: "SNR trend",
    right: true,
    wideOnly: true,
    sort: (row) => (row.snrTrend.significant ? row.snrTrend.change : 0),
    cell: (row) => <TrendArrow trend={row.snrTrend} />,
  },
  { key: "strip", head: "Window", wideOnly: true, cell: (row) => <SmallStrip strip={row.strip} /> },
];

export interface NodeTableProps {
  readonly label: string;
  readonly rows: readonly NodeRow[];
  readonly sorting?: Sorting;
  readonly onSort?: (sorting: Sorting) => void;
}

/** The table of nodes. In a list that is worst first already, no column is the order's. */
export function NodeTable({ label, rows, sorting, onSort }: NodeTableProps) {
  return (
    <DataTable
      label={label}
      columns={COLUMNS}
      rows={rows}
      rowKey={(row) => `${row.devAddr}/${row.life}`}
      {...(sorting === undefined ? {} : { sorting })}
      {...(onSort === undefined ? {} : { onSort })}
    />
  );
}

/** An arrow with its size where a trend is significant; else the plain word. */
export function TrendArrow({ trend }: { trend: Trend }) {
  if (!trend.significant || trend.change === null) return <span class="quiet">none shown</span>;
  return (
    <span class="nowrap">
      <span aria-hidden="true">{trend.change < 0 ? "↓" : "↑"} </span>
      {signedDb(trend.change)}
    </span>
  );
}
