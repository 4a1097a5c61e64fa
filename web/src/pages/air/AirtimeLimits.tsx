/** Does anyone spend more airtime than the region's table allows? An indication, with its caution beside it. */
import type { AirtimeOfNode } from "../../../../src/contract/air.ts";
import { figure, megahertz, megahertzFigure, percent } from "../../../../src/words/format.ts";
import { LimitBars } from "../../drawings/bars.tsx";
import { type Column, DataTable, figureColumn, WIDE_ONLY } from "../../parts/DataTable.tsx";
import { Figure, StandingMark } from "../../parts/page.tsx";
import { linkTo } from "../../state/route.ts";

const MAX_BARS = 12;

function title(row: AirtimeOfNode): string {
  return row.name ?? row.devAddr;
}

function band({ fromHz, toHz, region }: AirtimeOfNode): string {
  if (fromHz === null || toHz === null) return region;
  return `${megahertzFigure(fromHz)}–${megahertz(toHz)}`;
}

const ROWS: readonly Column<AirtimeOfNode>[] = [
  {
    key: "node",
    head: "Node",
    sort: title,
    cell: (row) => (
      <a href={linkTo("/nodes", { q: row.devAddr })}>{row.name ?? <span class="mono">{row.devAddr}</span>}</a>
    ),
  },
  { key: "band", head: "Sub-band", wideOnly: true, cell: (row) => <span class="nowrap">{band(row)}</span> },
  figureColumn(
    "heard",
    "At least",
    (row) => row.atLeast,
    (atLeast) => percent(atLeast, 2),
  ),
  figureColumn(
    "estimate",
    "Estimate",
    (row) => row.estimate,
    (estimate) => percent(estimate, 2),
    WIDE_ONLY,
  ),
  figureColumn(
    "limit",
    "Limit",
    (row) => row.limit,
    (limit) => percent(limit, 1),
    WIDE_ONLY,
  ),
  {
    key: "standing",
    head: "Standing",
    cell: (row) => (
      <>
        <StandingMark standing={row.standing} /> {row.words}
      </>
    ),
  },
  {
    key: "dwell",
    head: "Dwell time",
    cell: ({ dwell }) =>
      dwell === null ? (
        <span class="quiet">no limit named</span>
      ) : (
        <>
          <StandingMark standing={dwell.standing} /> {dwell.words}
        </>
      ),
  },
];

export function AirtimeLimits({ rows, caution }: { rows: readonly AirtimeOfNode[]; caution: string }) {
  return (
    <>
      <p class="notice">▲ {caution}</p>
      {rows.length === 0 ? (
        <p class="quiet">No channel plan was recognised yet, so no limit can be named.</p>
      ) : (
        <Limits rows={rows} />
      )}
    </>
  );
}

function Limits({ rows }: { rows: readonly AirtimeOfNode[] }) {
  const limited = rows.flatMap((row) => (row.limit === null ? [] : [{ row, limit: row.limit }]));
  const hasDwell = rows.some(({ dwell }) => dwell !== null);
  const columns = hasDwell ? ROWS : ROWS.filter(({ key }) => key !== "dwell");
  const table = (
    <DataTable
      label="Airtime against limits"
      columns={columns}
      rows={rows}
      rowKey={(row) => `${row.devAddr} ${row.region} ${row.fromHz ?? ""}`}
    />
  );
  const sources = [...new Set(rows.flatMap(({ source, dwell }) => [source, dwell?.source ?? source]))];
  const source = (
    <p class="quiet small">
      Airtime in the fullest 3{"\u202F"}600 s of each sub-band, for one transmitter at a time. Sources:{" "}
      {sources.join("; ")}.
    </p>
  );
  const [first] = limited;
  if (first === undefined)
    return (
      <>
        <p>The region's table names no duty cycle; its dwell time stands below.</p>
        {table}
        {source}
      </>
    );
  const over = limited.filter(({ row }) => row.standing === "bad").length;
  const caption =
    over > 0
      ? `${figure(over)} of ${figure(limited.length)} budgets are over their limit by what was heard alone`
      : `Nearest to its limit: ${title(first.row)} with at least ${percent(first.row.atLeast, 2)} of ${percent(first.limit, 1)}`;
  return (
    <>
      <Figure
        caption={caption}
        drawing={
          <LimitBars
            label={caption}
            rows={limited.slice(0, MAX_BARS).map(({ row, limit }) => ({
              key: `${row.devAddr} ${row.region} ${row.fromHz}`,
              label: title(row),
              note: band(row),
              heard: row.atLeast / limit,
              estimate: row.estimate === null ? null : row.estimate / limit,
            }))}
          />
        }
        table={() => table}
      />
      {rows.some((row) => row.standing === "bad" || row.standing === "look" || row.dwell !== null) ? (
        <Findings rows={rows} />
      ) : null}
      {source}
    </>
  );
}

/** Those that need a look, in words. */
function Findings({ rows }: { rows: readonly AirtimeOfNode[] }) {
  const found = rows.filter(
    (row) => row.standing === "bad" || row.standing === "look" || row.dwell?.standing === "bad",
  );
  if (found.length === 0) return null;
  return (
    <ul class="airtime-findings">
      {found.slice(0, MAX_BARS).map((row) => (
        <li key={`${row.devAddr} ${row.fromHz}`}>
          <StandingMark standing={row.dwell?.standing === "bad" ? "bad" : row.standing} /> {title(row)}:{" "}
          {row.dwell?.standing === "bad" ? row.dwell.words : row.words} ({band(row)})
        </li>
      ))}
    </ul>
  );
}
