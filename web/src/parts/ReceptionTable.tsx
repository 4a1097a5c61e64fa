/** How are receptions listed? Newest first, a line each; one opens its frame in place. */
import { useState } from "preact/hooks";
import type { ReceptionRow } from "../../../src/contract/nodes.ts";
import { dbm, decibel, duration, figure, megahertz } from "../../../src/words/format.ts";
import { gatewayTitle } from "../format/labels.ts";
import { preciseTime } from "../format/times.ts";
import { now } from "../state/clock.ts";
import type { ReceptionList } from "../state/receptions.ts";
import { type Column, DataTable } from "./DataTable.tsx";
import { FrameOpened } from "./Frame.tsx";

export interface ReceptionTableProps {
  readonly list: ReceptionList;
  /** Given where receptions of several nodes stand together. */
  readonly withNode?: boolean;
  readonly none: string;
}

/** The table, and the button for older ones. */
export function ReceptionTable({ list, withNode = false, none }: ReceptionTableProps) {
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
    ...(withNode
      ? [{ key: "node", head: "Node", cell: (one: ReceptionRow) => one.nodeName ?? one.devAddr ?? "–" }]
      : []),
    { key: "counter", head: "FCnt", right: true, cell: (one) => one.counter ?? "–" },
    { key: "gateway", head: "Gateway", cell: gatewayTitle },
    { key: "type", head: "What", cell: what },
    { key: "channel", head: "Channel", right: true, cell: (one) => megahertz(one.frequencyHz) },
    { key: "rate", head: "Data rate", cell: (one) => one.dataRate },
    { key: "rssi", head: "RSSI", right: true, cell: (one) => dbm(one.rssiDbm) },
    { key: "snr", head: "SNR", right: true, cell: (one) => decibel(one.snrDb) },
    { key: "margin", head: "Margin", right: true, cell: (one) => decibel(one.marginDb) },
    { key: "airtime", head: "Airtime", right: true, cell: airtimeText },
    { key: "size", head: "Octets", right: true, cell: (one) => figure(one.size) },
  ];
  return (
    <>
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
        {...(list.loading ? {} : { none })}
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

function airtimeText(one: ReceptionRow): string {
  return one.airtimeNotKnown ?? duration(one.airtimeMs / 1000);
}
