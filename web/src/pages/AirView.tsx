/** What fills the channels? The air map, the channels, the data rates, the busiest talkers. */
import type { AirView as Air, AirMap, ChannelRow } from "../../../src/contract/air.ts";
import { AirMapDrawing, busiestCell, MANY_BROKEN, ShadeScale } from "../drawings/AirMapDrawing.tsx";
import { scaleTop } from "../drawings/cividis.ts";
import { ShareBar } from "../drawings/ShareBar.tsx";
import { dbm, duration, figure, gatewayTitle, megahertz, percent, withUnit } from "../format/format.ts";
import { type Column, DataTable } from "../parts/DataTable.tsx";
import { Figure } from "../parts/Figure.tsx";
import { Fold } from "../parts/Fold.tsx";
import { Sentence } from "../parts/Sentence.tsx";
import { linkTo } from "../state/route.ts";
import "./AirView.css";

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

/** The air view. */
export function AirView({ air }: { air: Air }) {
  const empty = air.channels.length === 0;
  return (
    <>
      <Sentence words={air.sentence} />
      {empty ? (
        <p class="quiet beneath">
          Nothing was heard on any channel in this window. Choose a longer one above, or see on{" "}
          <a href={linkTo("/site")}>Site</a> whether the gateways are alive.
        </p>
      ) : null}
      {air.maps.map((map) => (
        <MapFigure key={map.gatewayEui} map={map} />
      ))}
      {empty ? null : (
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
          <p class="notice beneath">▲ {air.caution}</p>
        </>
      )}
      <Fold title="How these figures come about">
        <p>
          In use: the union of busy intervals over the window, as this gateway heard them; frames that it did
          not hear are not in it. Offered load is the sum of airtime over the window, in Erlang, and may
          exceed what is in use. CRC-failed frames count for the air and never for a node.
        </p>
        <p>
          The noise floor is a low quantile of the noise estimated from frames at SNR ≤ 0 dB; the count of
          such frames stands beside it. Airtime of a talker is what was heard of it: a lower bound.
        </p>
      </Fold>
    </>
  );
}

function MapFigure({ map }: { map: AirMap }) {
  const most = busiestCell(map);
  const row = map.utilisation.findIndex((shares) => shares.includes(most));
  const name = gatewayTitle(map);
  const where = megahertz(map.frequenciesHz[row]);
  const cell = duration(map.cellSeconds);
  const caption =
    most === 0
      ? `${name}: no channel was in use`
      : `${name}: at its busiest, ${where} was in use for ${percent(most)} of ${cell}`;
  return (
    <Figure
      caption={caption}
      legend={
        <>
          <ShadeScale top={scaleTop(most)} />
          <span>struck through: {percent(MANY_BROKEN, 0)} or more arrived broken</span>
          <span>a cell is {cell} wide</span>
        </>
      }
      drawing={<AirMapDrawing map={map} label={caption} />}
      table={() => (
        <DataTable
          label={`Air map of ${name}`}
          rows={map.frequenciesHz.map((frequencyHz, index) => ({
            frequencyHz,
            shares: map.utilisation[index] ?? [],
          }))}
          rowKey={(one) => String(one.frequencyHz)}
          columns={[
            { key: "channel", head: "Channel", right: true, cell: (one) => megahertz(one.frequencyHz) },
            {
              key: "mean",
              head: "Mean in use",
              right: true,
              cell: (one) => percent(mean(one.shares), 2),
              sort: (one) => mean(one.shares),
            },
            {
              key: "most",
              head: `Busiest ${cell}`,
              right: true,
              cell: (one) => percent(Math.max(0, ...one.shares), 2),
              sort: (one) => Math.max(0, ...one.shares),
            },
            {
              key: "busy",
              head: "Cells in use",
              right: true,
              cell: (one) => `${one.shares.filter((share) => share > 0).length} of ${one.shares.length}`,
            },
          ]}
        />
      )}
    />
  );
}

function mean(values: readonly number[]): number | null {
  return values.length === 0 ? null : values.reduce((sum, value) => sum + value, 0) / values.length;
}

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
