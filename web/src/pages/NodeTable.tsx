/** Which nodes are there, and how does each fare? One row a device, the worst first; its counter lives within. */
import { useMemo, useState } from "preact/hooks";
import type { NodeRow } from "../../../src/contract/nodes.ts";
import { decibel, duration, percent, percentInterval, plural, signedDb } from "../../../src/words/format.ts";
import { IntervalBar, IntervalScale, SmallStrip } from "../drawings/bars.tsx";
import { hourMinute, LEVEL_NAMES, nearestMinute, nearTime } from "../format.ts";
import { type Column, column, DataTable, figureColumn, type Sorting } from "../parts/DataTable.tsx";
import { LinkButton } from "../parts/form.tsx";
import { StandingMark, When } from "../parts/page.tsx";
import { now } from "../state/clock.ts";
import { linkTo } from "../state/route.ts";
import "./NodeTable.css";

/** What a node is called: its name, else its address. */
export function nodeTitle(row: NodeRow): string {
  return row.name ?? row.devAddr;
}

// One device, however many counter lives of it are listed: the one that stands worst is its row, the others lie within.

export interface Device {
  readonly row: NodeRow;
  /** Its other lives, the newest first. */
  readonly others: readonly NodeRow[];
}

const WORST_FIRST = ["bad", "look", "waiting", "good"];

/** Returns what a row lost on the air, of what was expected: outages and time not recorded left out. */
function lossOnAir(row: NodeRow): number {
  if (row.expected === 0) return 0;
  return (row.missed - row.missedDuringOutage - row.missedNotRecorded) / row.expected;
}

/** Returns the worse row first: by its standing, then by what it lost on the air, then the newer life. */
function worseFirst(a: NodeRow, b: NodeRow): number {
  return (
    WORST_FIRST.indexOf(a.standing) - WORST_FIRST.indexOf(b.standing) ||
    lossOnAir(b) - lossOnAir(a) ||
    a.devAddr.localeCompare(b.devAddr) ||
    b.life - a.life
  );
}

/** Returns the devices of `rows`, the worst first. */
export function devicesOf(rows: readonly NodeRow[]): Device[] {
  const byAddress = new Map<string, NodeRow[]>();
  for (const row of rows) {
    const lives = byAddress.get(row.devAddr);
    if (lives === undefined) byAddress.set(row.devAddr, [row]);
    else lives.push(row);
  }
  return [...byAddress.values()]
    .flatMap((lives): Device[] => {
      const [row, ...others] = [...lives].sort(worseFirst);
      return row === undefined ? [] : [{ row, others: others.sort((a, b) => b.life - a.life) }];
    })
    .sort((a, b) => worseFirst(a.row, b.row));
}

/** A figure whose decimals stand under those of its neighbours: "100 %" leaves room for the decimal that it has not. */
function Percent({ ratio }: { ratio: number | null }) {
  const text = percent(ratio);
  if (!text.endsWith("%") || text.includes(".")) return <>{text}</>;
  return (
    <>
      {text}
      <span class="no-decimal" aria-hidden="true">
        .0
      </span>
    </>
  );
}

function columnsOf(
  opened: ReadonlySet<string>,
  toggle: (devAddr: string) => void,
): readonly Column<Device>[] {
  return [
    column("Node", { key: "node", sort: ({ row }) => nodeTitle(row) }, ({ row, others }) => (
      <div class="node-name">
        <a href={linkTo(`/nodes/${row.devAddr}/${row.life}`)}>
          {row.name ?? <span class="mono">{row.devAddr}</span>}
        </a>
        {row.name === null ? null : <span class="mono quiet">{row.devAddr}</span>}
        {row.life > 1 || others.length > 0 ? <span class="quiet small">life {row.life}</span> : null}
        {others.length === 0 ? null : (
          <LinkButton
            class="link small"
            aria-expanded={opened.has(row.devAddr)}
            onClick={() => toggle(row.devAddr)}
          >
            {opened.has(row.devAddr) ? "fold" : plural(others.length, "other life", "other lives")}
            <span class="unseen"> of {nodeTitle(row)}</span>
          </LinkButton>
        )}
        <span class="node-clause">
          <StandingMark standing={row.standing} />{" "}
          <span class="quiet">
            {row.clause}
            {row.why == null ? null : ": "}
          </span>
          {row.why == null ? null : <a href={linkTo(`/gaps?node=${row.devAddr}`)}>{row.why.words}</a>}
        </span>
        <span class="node-level small quiet">
          {row.marginDb.median === null ? null : `margin ${decibel(row.marginDb.median)}`}{" "}
          <Change row={row} />
        </span>
      </div>
    )),
    column(
      "Last heard",
      { key: "heard", right: true, sort: ({ row }) => -Date.parse(row.lastHeard) },
      ({ row }) => <When at={row.lastHeard} />,
    ),
    figureColumn("Rhythm", ({ row }) => row.rhythmSeconds, duration, { key: "rhythm", wideOnly: true }),
    column(
      "Delivery",
      { key: "delivery", right: true, under: <IntervalScale />, sort: ({ row }) => row.deliveryRatio },
      ({ row }) => (
        <div class="node-delivery">
          <span>
            <Percent ratio={row.deliveryRatio} />
          </span>
          <IntervalBar ratio={row.deliveryRatio} interval={row.deliveryInterval95} />
          <span class="quiet small">{percentInterval(row.deliveryInterval95)}</span>
        </div>
      ),
    ),
    figureColumn("Margin", ({ row }) => row.marginDb.median, decibel, { key: "margin", wideOnly: true }),
    column(
      "SNR trend",
      {
        key: "trend",
        right: true,
        wideOnly: true,
        sort: ({ row }) => row.fall?.sizeDb ?? (row.snrTrend.significant ? row.snrTrend.change : 0),
      },
      ({ row }) => <TrendArrow row={row} />,
    ),
    column("Window", { key: "strip", wideOnly: true }, ({ row }) => <SmallStrip strip={row.strip} />),
  ];
}

export interface NodeTableProps {
  readonly label: string;
  readonly rows: readonly NodeRow[];
  readonly sorting?: Sorting;
  readonly onSort?: (sorting: Sorting) => void;
}

/** The table of nodes, a row a device, the worst first. In that order no column is the order's. */
export function NodeTable({ label, rows, sorting, onSort }: NodeTableProps) {
  const [opened, setOpened] = useState<ReadonlySet<string>>(new Set());
  const devices = useMemo(() => devicesOf(rows), [rows]);
  const columns = useMemo(
    () =>
      columnsOf(opened, (devAddr) => {
        const next = new Set(opened);
        if (!next.delete(devAddr)) next.add(devAddr);
        setOpened(next);
      }),
    [opened],
  );
  return (
    <DataTable
      label={label}
      columns={columns}
      rows={devices}
      rowKey={({ row }) => row.devAddr}
      beneath={({ row, others }) =>
        others.length > 0 && opened.has(row.devAddr) ? <Lives lives={others} /> : null
      }
      {...(sorting === undefined ? {} : { sorting })}
      {...(onSort === undefined ? {} : { onSort })}
    />
  );
}

/** The other counter lives of a device, a line each. */
function Lives({ lives }: { lives: readonly NodeRow[] }) {
  return (
    <ul class="node-lives-within">
      {lives.map((row) => (
        <li key={row.life}>
          <a href={linkTo(`/nodes/${row.devAddr}/${row.life}`)}>life {row.life}</a>
          <StandingMark standing={row.standing} />
          <span>{row.clause}</span>
          <span>{percent(row.deliveryRatio)} delivered</span>
          <span class="quiet">
            last heard <When at={row.lastHeard} />
          </span>
        </li>
      ))}
    </ul>
  );
}

/** "↓ −20.5 dB" where the level fell and stays low, or a trend is significant; else nothing. */
function Change({ row: { fall, snrTrend: trend } }: { row: NodeRow }) {
  const changeDb = fall?.sizeDb ?? (trend.significant ? trend.change : null);
  if (changeDb === null) return null;
  return (
    <strong class="nowrap">
      <span aria-hidden="true">{changeDb < 0 ? "↓" : "↑"} </span>
      {fall?.atLeast === true ? "≥ " : ""}
      {signedDb(changeDb)}
    </strong>
  );
}

/** An arrow with its size where the level fell and stays low, or a trend is significant; else the plain word. */
function TrendArrow({ row }: { row: NodeRow }) {
  const { fall, snrTrend: trend } = row;
  if (fall != null) {
    return (
      <span class="nowrap">
        <Change row={row} />
        <br />
        <span class="quiet small">
          {fall.measure === "snr" ? null : (
            <>
              {LEVEL_NAMES[fall.measure]}
              <br />
            </>
          )}
          {nearTime(nearestMinute(fall.notBefore), now.value)} to {hourMinute(nearestMinute(fall.notAfter))}
        </span>
      </span>
    );
  }
  if (!trend.significant || trend.change === null) return <span class="quiet">no trend</span>;
  return <Change row={row} />;
}
