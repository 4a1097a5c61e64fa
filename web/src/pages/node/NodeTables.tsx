/** What did each gateway hear of the node, and where are its gaps? */
import type { Spread } from "../../../../src/contract/common.ts";
import type {
  DeviceLifeRow,
  GapRow,
  LifeRow,
  NodeGatewayRow,
  NodePage,
} from "../../../../src/contract/nodes.ts";
import {
  counted,
  dbm,
  decibel,
  duration,
  figure,
  percent,
  percentInterval,
} from "../../../../src/words/format.ts";
import { IntervalBar } from "../../drawings/bars.tsx";
import { gatewayTitle, lifeBeginning, nearTime, proofWords, spanWords } from "../../format.ts";
import { type Column, column, DataTable, figureField, RIGHT, textColumn } from "../../parts/DataTable.tsx";
import { PhonePart } from "../../parts/page.tsx";
import { now } from "../../state/clock.ts";
import { linkTo } from "../../state/route.ts";
import "../NodeLives.css";
import { Heading } from "../../parts/Explain.tsx";

/** "−97 dBm (−104 … −92)": the median with the tenth and ninetieth percentile. */
function spreadWords(spread: Spread, write: (value: number | null) => string, decimals: number) {
  if (spread.median === null) return "–";
  return (
    <>
      {write(spread.median)}
      <span class="quiet small">
        {" "}
        ({figure(spread.p10, decimals)} to {figure(spread.p90, decimals)})
      </span>
    </>
  );
}

const GATEWAYS: readonly Column<NodeGatewayRow>[] = [
  textColumn("Gateway", gatewayTitle),
  figureField("Heard", "heard", figure),
  column("Delivery", { right: true, sort: (row) => row.deliveryRatio }, (row) => (
    <>
      {percent(row.deliveryRatio)} <IntervalBar ratio={row.deliveryRatio} interval={row.deliveryInterval95} />{" "}
      <span class="quiet small">{percentInterval(row.deliveryInterval95)}</span>
    </>
  )),
  column("SNR", { right: true, sort: (row) => row.snrDb.median }, (row) =>
    spreadWords(row.snrDb, decibel, 1),
  ),
  column("Margin", { right: true, sort: (row) => row.marginDb.median }, (row) =>
    spreadWords(row.marginDb, decibel, 1),
  ),
  column("RSSI", { right: true, sort: (row) => row.rssiDbm.median }, (row) =>
    spreadWords(row.rssiDbm, dbm, 0),
  ),
];

/** Gateways and gaps as tables. */
export function NodeTables({ page }: { page: NodePage }) {
  return (
    <>
      <h2>Gateways</h2>
      <DataTable
        label="Gateways that heard this node"
        cards
        none="No gateway heard this node in this window."
        columns={GATEWAYS}
        rows={page.gateways}
        rowKey={(row) => row.gatewayEui}
      />
      <PhonePart title="Gaps">
        <DataTable
          label="Gaps, longest first"
          none="No counter is missing in this window."
          columns={gapColumns(now.value)}
          rows={page.gaps}
          rowKey={(row) => `${row.firstCounter}`}
        />
        {page.gaps.length === 0 ? null : (
          <p class="beneath screen-only">
            <a href={linkTo(`/gaps?node=${page.row.devAddr}`)}>Why: its gaps with their findings</a>
          </p>
        )}
      </PhonePart>
    </>
  );
}

function gapColumns(nowMs: number): readonly Column<GapRow>[] {
  return [
    column("Last heard before", { sort: (row) => row.from }, (row) => nearTime(Date.parse(row.from), nowMs)),
    column("Heard again", { sort: (row) => row.to }, (row) => nearTime(Date.parse(row.to), nowMs)),
    column("Length", { right: true, sort: (row) => Date.parse(row.to) - Date.parse(row.from) }, (row) =>
      duration((Date.parse(row.to) - Date.parse(row.from)) / 1000),
    ),
    column("Missed counters", { right: true, sort: (row) => row.firstCounter }, (row) =>
      row.missed === 1
        ? `${row.firstCounter}`
        : `${row.firstCounter} to ${row.firstCounter + row.missed - 1}`,
    ),
    figureField("Missed", "missed", figure),
    figureField("in an outage", "missedDuringOutage", figure),
  ];
}

// Which counter lives did this address have, and which other lives did the same device?

/** Counter lives of the address, and lives of the device when more than this one are known. */
export function NodeLives({ page }: { page: NodePage }) {
  const { lives, deviceLives } = page;
  return (
    <PhonePart title="Counter lives">
      <DataTable
        label="Counter lives"
        none="No counter life is known."
        columns={lifeColumns(page, now.value)}
        rows={lives}
        rowKey={(row) => String(row.life)}
      />
      {deviceLives.length < 2 ? null : (
        <>
          <Heading text="Lives of this device" />
          <DataTable
            label={`Lives of this device, ${counted(deviceLives.length, "life", "lives")} in order of time`}
            columns={deviceColumns(page)}
            rows={deviceLives}
            rowKey={(row) => `${row.devAddr}/${row.life}`}
          />
        </>
      )}
    </PhonePart>
  );
}

function heardIn(row: { firstHeard: string; lastHeard: string }) {
  return <span class="lives-span">{spanWords(row.firstHeard, row.lastHeard)}</span>;
}

function lifeColumns(page: NodePage, nowMs: number): readonly Column<LifeRow>[] {
  const device: Column<LifeRow> = column("Device", (row) => (
    <>
      {row.devEui === null ? null : <span class="mono">{row.devEui}</span>}{" "}
      <span class={row.devEui === null ? "quiet" : "quiet small lives-proof"}>{proofWords(row.proof)}</span>
    </>
  ));
  const known = page.lives.some((life) => life.devEui !== null || life.proof !== null);
  return [
    column("Life", RIGHT, (row) =>
      row.life === page.row.life ? (
        `${row.life}, shown`
      ) : (
        <a href={linkTo(`/nodes/${page.row.devAddr}/${row.life}`)}>{row.life}</a>
      ),
    ),
    column("How it began", (row) => <span class="lives-words">{lifeBeginning(row, nowMs)}</span>),
    column("Heard in", heardIn),
    column("Counters", RIGHT, (row) => `${figure(row.firstCounter)} to ${figure(row.lastCounter)}`),
    column("Heard", RIGHT, (row) => figure(row.heard)),
    ...(known ? [device] : []),
  ];
}

function deviceColumns(page: NodePage): readonly Column<DeviceLifeRow>[] {
  return [
    column("Address", (row) =>
      row.devAddr === page.row.devAddr && row.life === page.row.life ? (
        <>
          <span class="mono">{row.devAddr}</span>, life {row.life}, shown
        </>
      ) : (
        <a href={linkTo(`/nodes/${row.devAddr}/${row.life}`)}>
          <span class="mono">{row.devAddr}</span>, life {row.life}
        </a>
      ),
    ),
    column("Heard in", heardIn),
    column("Known by", (row) => proofWords(row.proof)),
  ];
}
