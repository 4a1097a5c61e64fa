/** Does anyone spend more airtime than the region's table allows? An indication, with its caution beside it. */
import type { AirtimeOfNode, ChannelRow } from "../../../../src/contract/air.ts";
import {
  figure,
  megahertz,
  megahertzFigure,
  percent,
  signedDb,
  withUnit,
} from "../../../../src/words/format.ts";
import { LimitBars } from "../../drawings/bars.tsx";
import { hourMinute, nearTime } from "../../format.ts";
import { type Column, column, DataTable, figureField, WIDE_ONLY } from "../../parts/DataTable.tsx";
import { Figure, StandingMark } from "../../parts/page.tsx";
import { now } from "../../state/clock.ts";
import { nodeColumn } from "./AirTables.tsx";

// How full, how broken, how noisy is each channel of a gateway?

const CHANNELS: readonly Column<ChannelRow>[] = [
  figureField("Channel", "frequencyHz", megahertz),
  figureField("Packets", "receptions", figure, WIDE_ONLY),
  figureField("In use", "utilisation", (utilisation) => percent(utilisation, 2)),
  figureField("Offered load", "offeredLoad", (offeredLoad) => withUnit(offeredLoad, 4, "E"), WIDE_ONLY),
  figureField("CRC failed", "crcBadRatio", percent),
  column("Strangers' part", { right: true, wideOnly: true, sort: strangersPart }, (row) =>
    percent(strangersPart(row), 0),
  ),
  column("Collisions", { right: true, wideOnly: true, sort: (row) => row.collisions?.aloha ?? null }, (row) =>
    percent(row.collisions?.aloha, 1),
  ),
  column("Noise floor", { right: true, sort: (row) => row.noiseFloorDbm }, (row) =>
    row.noiseFloorDbm === null ? (
      <span class="quiet">too few</span>
    ) : (
      <span class="nowrap">
        {row.noiseTrust === "rough" ? "at most " : ""}
        {withUnit(row.noiseFloorDbm, 1, "dBm")}
      </span>
    ),
  ),
  column(
    "Trend of the noise",
    { wideOnly: true, sort: (row) => row.noiseTrend.loud?.riseDb ?? row.noiseTrend.changeDb },
    ({ noiseTrend }) => <Trend trend={noiseTrend} />,
  ),
];

const ARROWS = { rises: "↑", falls: "↓", steady: "→", "not enough": "○" } as const;

/** From this much above its median the noise is worth a word. As the service's own words have it. */
const LOUD_DB = 6;

/** A step is said with its time; else the slope, and how much the loudest time stands out. */
function Trend({
  trend: { verdict, changeDb, loudestDb, values, loud: step },
}: {
  trend: ChannelRow["noiseTrend"];
}) {
  if (step !== null)
    return (
      <span class="nowrap">
        <strong>{signedDb(step.riseDb)}</strong> {nearTime(Date.parse(step.from), now.value)} to{" "}
        {step.endSeen ? hourMinute(Date.parse(step.to)) : "now"}
      </span>
    );
  const loud = loudestDb !== null && loudestDb >= LOUD_DB ? `, loudest ${signedDb(loudestDb)}` : "";
  return changeDb === null ? (
    <span class="quiet">
      not enough, {values} of 6{loud}
    </span>
  ) : (
    <span class="nowrap">
      {ARROWS[verdict]} {verdict}, {signedDb(changeDb)}
      {loud}
    </span>
  );
}

/** Of the airtime whose owner is known. */
function strangersPart({ ownAirtimeSeconds, strangerAirtimeSeconds }: ChannelRow): number | null {
  const known = ownAirtimeSeconds + strangerAirtimeSeconds;
  return known === 0 ? null : strangerAirtimeSeconds / known;
}

export function ChannelTable({ channels }: { channels: readonly ChannelRow[] }) {
  return (
    <DataTable
      label="Channels"
      none="No channel of this gateway was in use."
      columns={CHANNELS}
      rows={channels}
      rowKey={(row) => `${row.gatewayEui} ${row.frequencyHz}`}
    />
  );
}

const MAX_BARS = 12;

function title(row: AirtimeOfNode): string {
  return row.name ?? row.devAddr;
}

function band({ fromHz, toHz, region }: AirtimeOfNode): string {
  if (fromHz === null || toHz === null) return region;
  return `${megahertzFigure(fromHz)}–${megahertz(toHz)}`;
}

const ROWS: readonly Column<AirtimeOfNode>[] = [
  nodeColumn("Node"),
  column("Sub-band", WIDE_ONLY, (row) => <span class="nowrap">{band(row)}</span>),
  figureField("At least", "atLeast", (atLeast) => percent(atLeast, 2)),
  figureField("Estimate", "estimate", (estimate) => percent(estimate, 2), WIDE_ONLY),
  figureField("Limit", "limit", (limit) => percent(limit, 1), WIDE_ONLY),
  column("Standing", (row) => (
    <>
      <StandingMark standing={row.standing} /> {row.words}
    </>
  )),
];

const DWELL: Column<AirtimeOfNode> = column("Dwell time", ({ dwell }) =>
  dwell === null ? (
    <span class="quiet">no limit named</span>
  ) : (
    <>
      <StandingMark standing={dwell.standing} /> {dwell.words}
    </>
  ),
);

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
  const columns = hasDwell ? [...ROWS, DWELL] : ROWS;
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
