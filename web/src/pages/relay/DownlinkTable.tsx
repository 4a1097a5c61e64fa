/** Which packets did servers ask gateways to send, for which window, how long before, and what came of each? */
import type { DownlinkRow, DownlinksView } from "../../../../src/contract/downlinks.ts";
import { figure, withUnit } from "../../format/format.ts";
import { CopyButton } from "../../parts/CopyButton.tsx";
import { type Column, DataTable } from "../../parts/DataTable.tsx";
import { StandingMark } from "../../parts/StandingMark.tsx";
import { When } from "../../parts/When.tsx";

const COLUMNS: readonly Column<DownlinkRow>[] = [
  { key: "at", head: "Passed", sort: (row) => row.at, cell: (row) => <When at={row.at} /> },
  {
    key: "to",
    head: "To",
    cell: (row) => (row.devAddr === null ? row.messageType : <span class="mono">{row.devAddr}</span>),
  },
  { key: "window", head: "For", cell: (row) => row.windowWords },
  {
    key: "lead",
    head: "Time left",
    right: true,
    sort: (row) => row.leadMs,
    cell: (row) => withUnit(row.leadMs, 0, "ms"),
  },
  {
    key: "radio",
    head: "On",
    wideOnly: true,
    cell: (row) =>
      `${withUnit(row.frequencyHz === null ? null : row.frequencyHz / 1e6, 3, "MHz")}, ${row.dataRate}, ${withUnit(row.powerDbm, 0, "dBm")}, ${withUnit(row.airtimeMs, 0, "ms")}`,
  },
  {
    key: "says",
    head: "Says",
    wideOnly: true,
    cell: (row) => (
      <>
        {[row.messageType, ...(row.ack ? ["ACK"] : []), ...row.commands.map(({ name }) => name)].join(", ")}{" "}
        <CopyButton words="copy hex" text={() => row.hex} />
      </>
    ),
  },
  {
    key: "outcome",
    head: "Outcome",
    cell: (row) => <StandingMark standing={row.standing} word={row.outcomeWords} />,
  },
];

/** The list under its sentence. */
export function DownlinkTable({ view }: { view: DownlinksView }) {
  return (
    <>
      <p>{view.sentence.map(({ text }) => text).join("")}</p>
      <DataTable
        label="Downlinks"
        none="No downlink passed here in this window."
        columns={COLUMNS}
        rows={view.downlinks}
        rowKey={(row) => String(row.id)}
        dense
      />
      {view.cut ? (
        <p class="small quiet">Only the newest {figure(view.downlinks.length)} are shown.</p>
      ) : null}
      <p class="small quiet way-note">
        Time left: from its passing here to the last moment at which an SX1302 gateway takes it, 42.5 ms
        before it sends; an SX1301 gateway takes 32.5 ms. The way from here to the gateway comes off it.
      </p>
    </>
  );
}
