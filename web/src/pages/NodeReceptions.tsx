/** From which receptions were the figures made? Newest first; each opens its frame in place. */
import { useState } from "preact/hooks";
import type { Window } from "../../../src/contract/common.ts";
import type { NodeGatewayRow, NodeRow, ReceptionRow } from "../../../src/contract/nodes.ts";
import { counted, db, dbm, duration, figure, gatewayTitle, megahertz } from "../format/format.ts";
import { preciseTime } from "../format/times.ts";
import { type Column, DataTable } from "../parts/DataTable.tsx";
import { FrameOpened } from "../parts/FrameOpened.tsx";
import { now } from "../state/clock.ts";
import { useReceptions } from "../state/receptions.ts";
import { route, setParams } from "../state/route.ts";

export interface NodeReceptionsProps {
  readonly row: NodeRow;
  /** Who heard it, for their names. */
  readonly gateways: readonly NodeGatewayRow[];
  readonly window: Window;
}

/** The receptions of a node, a page at a time. */
export function NodeReceptions({ row, gateways, window }: NodeReceptionsProps) {
  const gatewayEui = route.value.params.get("gateway");
  const list = useReceptions(
    { devAddr: row.devAddr, life: row.life, gatewayEui, from: window.from, to: window.to },
    row.receptions,
  );
  const [opened, setOpened] = useState<number | null>(null);
  const columns: readonly Column<ReceptionRow>[] = [
    {
      key: "at",
      head: "Time",
      cell: (one) =>
        one.frameId === null ? (
          preciseTime(Date.parse(one.at), now.value)
        ) : (
          <button
            type="button"
            class="link nowrap"
            aria-expanded={opened === one.id}
            onClick={() => setOpened(opened === one.id ? null : one.id)}
          >
            {preciseTime(Date.parse(one.at), now.value)}
          </button>
        ),
    },
    { key: "counter", head: "FCnt", right: true, cell: (one) => one.counter ?? "–" },
    { key: "gateway", head: "Gateway", cell: gatewayTitle },
    { key: "type", head: "What", cell: what },
    { key: "channel", head: "Channel", right: true, cell: (one) => megahertz(one.frequencyHz) },
    { key: "rate", head: "Data rate", cell: (one) => one.dataRate },
    { key: "rssi", head: "RSSI", right: true, cell: (one) => dbm(one.rssiDbm) },
    { key: "snr", head: "SNR", right: true, cell: (one) => db(one.snrDb) },
    { key: "margin", head: "Margin", right: true, cell: (one) => db(one.marginDb) },
    { key: "airtime", head: "Airtime", right: true, cell: (one) => duration(one.airtimeMs / 1000) },
    { key: "size", head: "Octets", right: true, cell: (one) => figure(one.size) },
  ];
  return (
    <>
      <h2>Receptions</h2>
      <div class="receptions-bar screen-only">
        <label>
          <span class="small quiet">Heard by </span>
          <select
            value={gatewayEui ?? ""}
            onChange={(event) => setParams({ gateway: event.currentTarget.value })}
          >
            <option value="">every gateway</option>
            {row.gateways.map((eui) => (
              <option key={eui} value={eui}>
                {gateways.find((one) => one.gatewayEui === eui)?.gatewayName ?? eui}
              </option>
            ))}
          </select>
        </label>
        <span class="small quiet" role="status">
          {list.loading
            ? "○ asking"
            : `${counted(list.rows.length, "reception")} shown of ${figure(row.receptions)}`}
        </span>
      </div>
      {list.problem === null ? null : (
        <p class="notice notice-bad" role="alert">
          ✕ {list.problem.sentence} {list.problem.remedy}
        </p>
      )}
      <DataTable
        dense
        label="Receptions, newest first"
        columns={columns}
        rows={list.rows}
        rowKey={(one) => String(one.id)}
        beneath={(one) =>
          opened === one.id && one.frameId !== null ? (
            <FrameOpened key={one.frameId} id={one.frameId} onClose={() => setOpened(null)} />
          ) : null
        }
        {...(list.loading ? {} : { none: "No reception lies in this window." })}
      />
      {list.more ? (
        <p class="beneath">
          <button type="button" class="plain screen-only" disabled={list.loading} onClick={list.older}>
            show 50 older
          </button>
        </p>
      ) : null}
    </>
  );
}

function what(one: ReceptionRow): string {
  const parts = [one.port === null ? one.messageType : `${one.messageType}, FPort ${one.port}`];
  if (one.repeat) parts.push("repeat");
  if (one.ghost) parts.push("ghost, set aside");
  return parts.join(", ");
}
