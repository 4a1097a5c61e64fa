/** Which channels, data rates and talkers make the load? The tables of the air view. */
import type { AirView as Air, ChannelRow } from "../../../src/contract/air.ts";
import { ShareBar } from "../drawings/ShareBar.tsx";
import { dbm, duration, figure, gatewayTitle, megahertz, percent, withUnit } from "../format/format.ts";
import { type Column, DataTable } from "../parts/DataTable.tsx";
import { linkTo } from "../state/route.ts";

type Talker = Air["talkers"][number];
type DataRateShare = Air["dataRates"][number];

const CHANNELS: readonly Column<ChannelRow>[] = [
  {
    key: "channel",
    head: "Channel",
    right: true,
    sort: (row) => row.frequencyHz,
    cell: (row) => megahertz(row.frequencyHz),
  },
  { key: "gateway", head: "Gateway", sort: gatewayTitle, cell: gatewayTitle },
  {
    key: "receptions",
    head: "Receptions",
    right: true,
    sort: (row) => row.receptions,
    cell: (row) => figure(row.receptions),
  },
  {
    key: "use",
    head: "In use",
    right: true,
    sort: (row) => row.utilisation,
    cell: (row) => percent(row.utilisation, 2),
  },
  {
    key: "load",
    head: "Offered load",
    right: true,
    wideOnly: true,
    sort: (row) => row.offeredLoad,
    cell: (row) => withUnit(row.offeredLoad, 4, "E"),
  },
  {
    key: "broken",
    head: "CRC failed",
    right: true,
    sort: (row) => row.crcBadRatio,
    cell: (row) => percent(row.crcBadRatio),
  },
  {
    key: "noise",
    head: "Noise floor",
    right: true,
    wideOnly: true,
    sort: (row) => row.noiseFloorDbm,
    cell: (row) =>
      row.noiseFloorDbm === null ? (
        <span class="quiet">too few weak frames</span>
      ) : (
        <>
          {dbm(row.noiseFloorDbm)} <span class="quiet small">of {figure(row.noiseSamples)}</span>
        </>
      ),
  },
  {
    key: "strangers",
    head: "Strangers' airtime",
    right: true,
    wideOnly: true,
    sort: (row) => row.strangerAirtimeSeconds,
    cell: (row) =>
      percent(row.airtimeSeconds === 0 ? null : row.strangerAirtimeSeconds / row.airtimeSeconds, 0),
  },
];

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
    key: "duty",
    head: "Busiest hour",
    right: true,
    sort: (row) => row.busiestHourDuty,
    cell: (row) => percent(row.busiestHourDuty, 2),
  },
];

function DataRates({ rates }: { rates: readonly DataRateShare[] }) {
  const airtime = rates.reduce((sum, rate) => sum + rate.airtimeSeconds, 0);
  const receptions = rates.reduce((sum, rate) => sum + rate.receptions, 0);
  return (
    <DataTable
      label="Data rates"
      none="No data rate was reported in this window."
      rows={rates}
      rowKey={(rate) => rate.name}
      columns={[
        { key: "rate", head: "Data rate", cell: (rate) => rate.name, sort: (rate) => rate.name },
        {
          key: "receptions",
          head: "Receptions",
          right: true,
          cell: (rate) => figure(rate.receptions),
          sort: (rate) => rate.receptions,
        },
        {
          key: "of",
          head: "of all",
          wideOnly: true,
          cell: (rate) => <ShareBar share={receptions === 0 ? 0 : rate.receptions / receptions} />,
        },
        {
          key: "airtime",
          head: "Airtime",
          right: true,
          cell: (rate) => duration(rate.airtimeSeconds),
          sort: (rate) => rate.airtimeSeconds,
        },
        {
          key: "airtime-of",
          head: "of all",
          wideOnly: true,
          cell: (rate) => <ShareBar share={airtime === 0 ? 0 : rate.airtimeSeconds / airtime} />,
        },
      ]}
    />
  );
}

/** Channels, data rates and talkers of the window. */
export function AirTables({ air }: { air: Air }) {
  return (
    <>
      <h2>Channels</h2>
      <DataTable
        label="Channels"
        columns={CHANNELS}
        rows={air.channels}
        rowKey={(row) => `${row.gatewayEui} ${row.frequencyHz}`}
      />
      <h2>Data rates</h2>
      <DataRates rates={air.dataRates} />
      <h2>Busiest talkers</h2>
      <DataTable
        label="Busiest talkers"
        none="No node was heard in this window."
        columns={TALKERS}
        rows={air.talkers}
        rowKey={(row) => row.devAddr}
      />
    </>
  );
}
