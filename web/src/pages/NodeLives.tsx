/** Which counter lives did this address have, and which other lives did the same device? */
import type { DeviceLifeRow, LifeRow, NodePage } from "../../../src/contract/nodes.ts";
import { counted, figure } from "../format/format.ts";
import { lifeBeginning, proofWords } from "../format/life-words.ts";
import { spanWords } from "../format/times.ts";
import { type Column, DataTable } from "../parts/DataTable.tsx";
import { now } from "../state/clock.ts";
import { linkTo } from "../state/route.ts";
import "./NodeLives.css";

/** Counter lives of the address, and lives of the device when more than this one are known. */
export function NodeLives({ page }: { page: NodePage }) {
  const { lives, deviceLives } = page;
  return (
    <>
      <h2>Counter lives</h2>
      <DataTable
        label="Counter lives"
        none="No counter life is known."
        columns={lifeColumns(page, now.value)}
        rows={lives}
        rowKey={(row) => String(row.life)}
      />
      {deviceLives.length < 2 ? null : (
        <>
          <h2>Lives of this device</h2>
          <DataTable
            label={`Lives of this device, ${counted(deviceLives.length, "life", "lives")} in order of time`}
            columns={deviceColumns(page)}
            rows={deviceLives}
            rowKey={(row) => `${row.devAddr}/${row.life}`}
          />
        </>
      )}
    </>
  );
}

function heardIn(row: { firstHeard: string; lastHeard: string }) {
  return <span class="lives-span">{spanWords(row.firstHeard, row.lastHeard)}</span>;
}

function lifeColumns(page: NodePage, nowMs: number): readonly Column<LifeRow>[] {
  const device: Column<LifeRow> = {
    key: "device",
    head: "Device",
    cell: (row) => (
      <>
        {row.devEui === null ? null : <span class="mono">{row.devEui}</span>}{" "}
        <span class={row.devEui === null ? "quiet" : "quiet small lives-proof"}>{proofWords(row.proof)}</span>
      </>
    ),
  };
  const known = page.lives.some((life) => life.devEui !== null || life.proof !== null);
  return [
    {
      key: "life",
      head: "Life",
      right: true,
      cell: (row) =>
        row.life === page.row.life ? (
          `${row.life}, shown`
        ) : (
          <a href={linkTo(`/nodes/${page.row.devAddr}/${row.life}`)}>{row.life}</a>
        ),
    },
    {
      key: "reason",
      head: "How it began",
      cell: (row) => <span class="lives-words">{lifeBeginning(row, nowMs)}</span>,
    },
    { key: "span", head: "Heard in", cell: heardIn },
    {
      key: "counters",
      head: "Counters",
      right: true,
      cell: (row) => `${figure(row.firstCounter)} to ${figure(row.lastCounter)}`,
    },
    { key: "heard", head: "Heard", right: true, cell: (row) => figure(row.heard) },
    ...(known ? [device] : []),
  ];
}

function deviceColumns(page: NodePage): readonly Column<DeviceLifeRow>[] {
  return [
    {
      key: "address",
      head: "Address",
      cell: (row) =>
        row.devAddr === page.row.devAddr && row.life === page.row.life ? (
          <>
            <span class="mono">{row.devAddr}</span>, life {row.life}, shown
          </>
        ) : (
          <a href={linkTo(`/nodes/${row.devAddr}/${row.life}`)}>
            <span class="mono">{row.devAddr}</span>, life {row.life}
          </a>
        ),
    },
    { key: "span", head: "Heard in", cell: heardIn },
    { key: "proof", head: "Known by", cell: (row) => proofWords(row.proof) },
  ];
}
