/** How strongly is the node heard, over time? The margin ladder, and RSSI beneath it on the same hours. */

import { useMemo } from "preact/hooks";
import type { LinkEventRow, NodePage } from "../../../../src/contract/nodes.ts";
import type { MarkRule } from "../../../../src/drawings/sheet.ts";
import { dbm, decibel, figure } from "../../../../src/words/format.ts";
import type { PlotStep } from "../../drawings/draw-signal.ts";
import type { PlotMark } from "../../drawings/plot-edges.tsx";
import { SignalPlot } from "../../drawings/SignalPlot.tsx";
import { binSignal, type SignalBin } from "../../drawings/signal-columns.ts";
import { exactTime, gatewayTitle } from "../../format.ts";

import { DataTable, figureColumn, textColumn } from "../../parts/DataTable.tsx";
import { Explained } from "../../parts/Explain.tsx";
import { Figure } from "../../parts/page.tsx";
import { now } from "../../state/clock.ts";
import { shiftWords, stepTime } from "./LinkSection.tsx";

// Which steps does the ladder draw, and how far do their treads reach?

/** In order of time, of all gateways. A tread reaches to the neighbouring step, or to the window's end. */
function plotSteps(page: NodePage, toMs: number): PlotStep[] {
  const fromMs = Date.parse(page.window.from);
  const nowMs = now.value;
  return page.links
    .flatMap((link) => {
      const series = page.series.findIndex((one) => one.gatewayEui === link.gatewayEui);
      return link.shifts.flatMap((shift, at): PlotStep[] => {
        if (series < 0 || shift.snrFromDb === null || shift.snrToDb === null) return [];
        const atMs = Date.parse(shift.at);
        const before = link.shifts[at - 1];
        const after = link.shifts[at + 1];
        return [
          {
            series,
            atMs,
            fromMs: before === undefined ? fromMs : Date.parse(before.at),
            toMs: after === undefined ? toMs : Date.parse(after.at),
            fromDb: shift.snrFromDb,
            toDb: shift.snrToDb,
            sizeDb: shift.sizeDb,
            when: stepTime(atMs, toMs - fromMs, nowMs),
            sentence: `${shiftWords(shift, nowMs)} (${gatewayTitle(link)})`,
          },
        ];
      });
    })
    .sort((a, b) => a.atMs - b.atMs);
}

const TABLE_BINS = 48;

/** Changes of the data rate, as marks of the ladder. */
function dataRateMarks(story: readonly LinkEventRow[]): PlotMark[] {
  return story
    .filter((moment) => moment.kind === "data-rate")
    .map((moment) => ({ atMs: Date.parse(moment.at), sentence: moment.sentence }));
}

/** Both plots as one figure. */
export function NodeSignal({ page, marks: notes }: { page: NodePage; marks: readonly MarkRule[] }) {
  const fromMs = Date.parse(page.window.from);
  const toMs = Date.parse(page.window.to);
  const { marginDb, rssiDbm } = page.row;
  const marks = useMemo(() => dataRateMarks(page.story), [page.story]);
  const steps = useMemo(() => plotSteps(page, toMs), [page.links, page.series, toMs]);
  const isThinned = useMemo(
    () => page.series.some(({ receptions }) => receptions.some((count) => count > 1)),
    [page.series],
  );
  const newest = steps.at(-1);
  const stepped = newest === undefined ? "" : `; ${newest.sentence}`;
  const caption =
    marginDb.median === null
      ? "Margin ladder: no SNR was reported in this window"
      : `Margin ladder: ${decibel(marginDb.median)} above the floor in the median, ${decibel(marginDb.p10)} in the weakest tenth${stepped}`;
  return (
    <Figure
      wide
      caption={caption}
      legend={
        <>
          <span>
            dot: SNR of a frame; it stands above the rung of its <Explained text="spreading factor" />
          </span>
          <span>
            the distance is the <Explained text="margin" />
          </span>
          {isThinned ? (
            <span>of so many frames: the weakest, the middle and the strongest of each stretch</span>
          ) : null}
          {marks.length === 0 ? null : <span>thin rule: the data rate changed; its head says why</span>}
          {notes.length === 0 ? null : <span>dashed rule: a mark</span>}
          {steps.length === 0 ? null : <span>step: the level changed, with its time and size</span>}
          <span>draw over a stretch to look at it alone</span>
        </>
      }
      drawing={
        page.series.length === 0 ? null : (
          <>
            <SignalPlot
              show="snr"
              series={page.series}
              marks={marks}
              steps={steps}
              notes={notes}
              fromMs={fromMs}
              toMs={toMs}
              label={caption}
            />
            <p class="small quiet">RSSI in dBm, {dbm(rssiDbm.median)} in the median of the best gateway</p>
            <SignalPlot
              show="rssi"
              series={page.series}
              notes={notes}
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
            textColumn("gateway", "Gateway", (bin: SignalBin) => bin.gateway),
            figureColumn("count", "Receptions", (bin: SignalBin) => bin.count, figure),
            figureColumn("snr", "SNR", (bin: SignalBin) => bin.snrDb, decibel),
            figureColumn("margin", "Margin", (bin: SignalBin) => bin.marginDb, decibel),
            figureColumn("rssi", "RSSI", (bin: SignalBin) => bin.rssiDbm, dbm),
          ]}
        />
      )}
    />
  );
}
