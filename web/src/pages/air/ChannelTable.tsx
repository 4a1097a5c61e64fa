/** How full, how broken, how noisy is each channel of a gateway? */
import type { ChannelRow } from "../../../../src/contract/air.ts";
import { figure, megahertz, percent, signedDb, withUnit } from "../../../../src/words/format.ts";
import { hourMinute, nearTime } from "../../format/times.ts";
import { type Column, DataTable, figureColumn, WIDE_ONLY } from "../../parts/DataTable.tsx";
import { now } from "../../state/clock.ts";

const CHANNELS: readonly Column<ChannelRow>[] = [
  figureColumn("channel", "Channel", (row) => row.frequencyHz, megahertz),
  figureColumn("receptions", "Packets", (row) => row.receptions, figure, WIDE_ONLY),
  figureColumn(
    "use",
    "In use",
    (row) => row.utilisation,
    (utilisation) => percent(utilisation, 2),
  ),
  figureColumn(
    "load",
    "Offered load",
    (row) => row.offeredLoad,
    (offeredLoad) => withUnit(offeredLoad, 4, "E"),
    WIDE_ONLY,
  ),
  figureColumn("broken", "CRC failed", (row) => row.crcBadRatio, percent),
  {
    key: "strangers",
    head: "Strangers' part",
    right: true,
    wideOnly: true,
    sort: strangersPart,
    cell: (row) => percent(strangersPart(row), 0),
  },
  {
    key: "collisions",
    head: "Collisions",
    right: true,
    wideOnly: true,
    sort: (row) => row.collisions?.aloha ?? null,
    cell: (row) => percent(row.collisions?.aloha, 1),
  },
  {
    key: "noise",
    head: "Noise floor",
    right: true,
    sort: (row) => row.noiseFloorDbm,
    cell: (row) =>
      row.noiseFloorDbm === null ? (
        <span class="quiet">too few</span>
      ) : (
        <span class="nowrap">
          {row.noiseTrust === "rough" ? "at most " : ""}
          {withUnit(row.noiseFloorDbm, 1, "dBm")}
        </span>
      ),
  },
  {
    key: "trend",
    head: "Trend of the noise",
    wideOnly: true,
    sort: (row) => row.noiseTrend.loud?.riseDb ?? row.noiseTrend.changeDb,
    cell: ({ noiseTrend }) => <Trend trend={noiseTrend} />,
  },
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
