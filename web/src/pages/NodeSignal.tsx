/** How strongly is the node heard, over time? The margin ladder, and RSSI beneath it on the same hours. */
import type { NodePage } from "../../../src/contract/nodes.ts";
import { SignalPlot } from "../drawings/SignalPlot.tsx";
import { binSignal } from "../drawings/signal-columns.ts";
import { db, dbm, figure } from "../format/format.ts";
import { exactTime } from "../format/times.ts";
import { DataTable } from "../parts/DataTable.tsx";
import { Figure } from "../parts/Figure.tsx";

const TABLE_BINS = 48;

/** Both plots as one figure. */
export function NodeSignal({ page }: { page: NodePage }) {
  const fromMs = Date.parse(page.window.from);
  const toMs = Date.parse(page.window.to);
  const { marginDb, rssiDbm } = page.row;
  const caption =
    marginDb.median === null
      ? "Margin ladder: no SNR was reported in this window"
      : `Margin ladder: ${db(marginDb.median)} above the floor in the median, ${db(marginDb.p10)} in the weakest tenth`;
  return (
    <Figure
      caption={caption}
      legend={
        <>
          <span>dot: SNR of a frame; it stands above the rung of its spreading factor</span>
          <span>the distance is the margin</span>
          <span>draw over a stretch to look at it alone</span>
        </>
      }
      drawing={
        page.series.length === 0 ? null : (
          <>
            <SignalPlot show="snr" series={page.series} fromMs={fromMs} toMs={toMs} label={caption} />
            <p class="small quiet">RSSI in dBm, {dbm(rssiDbm.median)} in the median of the best gateway</p>
            <SignalPlot
              show="rssi"
              series={page.series}
              fromMs={fromMs}
              toMs={toMs}
              label={`RSSI over time, median ${dbm(rssiDbm.median)}`}
            />
          </>
        )
      }
      table={() => (
        <DataTable
          label={`Signal, medians in ${TABLE_BINS} equal stretches, newest first`}
          none="No signal was reported in this window."
          rows={binSignal(page.series, fromMs, toMs, TABLE_BINS)}
          rowKey={(bin) => `${bin.fromMs} ${bin.gateway}`}
          columns={[
            { key: "from", head: "From", cell: (bin) => exactTime(bin.fromMs) },
            { key: "gateway", head: "Gateway", cell: (bin) => bin.gateway, sort: (bin) => bin.gateway },
            {
              key: "count",
              head: "Receptions",
              right: true,
              cell: (bin) => figure(bin.count),
              sort: (bin) => bin.count,
            },
            { key: "snr", head: "SNR", right: true, cell: (bin) => db(bin.snrDb), sort: (bin) => bin.snrDb },
            {
              key: "margin",
              head: "Margin",
              right: true,
              cell: (bin) => db(bin.marginDb),
              sort: (bin) => bin.marginDb,
            },
            {
              key: "rssi",
              head: "RSSI",
              right: true,
              cell: (bin) => dbm(bin.rssiDbm),
              sort: (bin) => bin.rssiDbm,
            },
          ]}
        />
      )}
    />
  );
}
