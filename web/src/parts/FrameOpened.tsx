/** What is in this frame, and who heard it? Opened in place: what is known, bytes, fields, receptions. */
import type { FrameView, ReceptionRow } from "../../../src/contract/nodes.ts";
import { db, dbm, gatewayTitle, megahertz } from "../format/format.ts";
import { exactTime } from "../format/times.ts";
import { useViewData } from "../state/view-data.ts";
import { type Column, DataTable } from "./DataTable.tsx";
import { FrameBytes } from "./FrameBytes.tsx";
import { FrameFacts } from "./FrameFacts.tsx";
import { Failed } from "./Gate.tsx";
import "./FrameOpened.css";

const COLUMNS: readonly Column<ReceptionRow>[] = [
  { key: "gateway", head: "Gateway", cell: gatewayTitle },
  { key: "antenna", head: "Antenna", wideOnly: true, right: true, cell: (row) => row.antenna },
  { key: "channel", head: "Channel", wideOnly: true, right: true, cell: (row) => megahertz(row.frequencyHz) },
  { key: "rate", head: "Data rate", wideOnly: true, cell: (row) => row.dataRate },
  { key: "rssi", head: "RSSI", right: true, cell: (row) => dbm(row.rssiDbm) },
  { key: "snr", head: "SNR", right: true, cell: (row) => db(row.snrDb) },
  { key: "margin", head: "Margin", right: true, cell: (row) => db(row.marginDb) },
];

/** Asks for frame `id` and shows it; `onClose` puts it away. */
export function FrameOpened({ id, onClose }: { id: number; onClose: () => void }) {
  const loaded = useViewData<FrameView>({ topic: null, path: `/api/frames/${id}`, key: null }, null);
  return (
    <section class="frame-opened" aria-label={`Frame ${id}`}>
      {loaded.data === null ? (
        loaded.problem === null ? (
          <p class="quiet" role="status">
            ○ Opening the frame
          </p>
        ) : (
          <Failed problem={loaded.problem} again={loaded.reload} />
        )
      ) : (
        <Opened frame={loaded.data} />
      )}
      <button type="button" class="link small screen-only" onClick={onClose}>
        close the frame
      </button>
    </section>
  );
}

function Opened({ frame }: { frame: FrameView }) {
  return (
    <>
      <h2 class="frame-title">
        Frame of {exactTime(Date.parse(frame.at), true)}, {frame.hex.length / 2} octets
      </h2>
      {frame.fault === null ? null : <p class="frame-fault">✕ {frame.fault}</p>}
      <FrameFacts frame={frame} />
      <FrameBytes frame={frame} />
      <DataTable
        label="Who heard this frame"
        columns={COLUMNS}
        rows={frame.receptions}
        rowKey={(row) => String(row.id)}
      />
    </>
  );
}
