/** How does each link of a node stand, how are its margins spread, and what would be otherwise? */
import type { LinkRow, WhatIf } from "../../../../src/contract/link.ts";
import { IntervalBar } from "../../drawings/IntervalBar.tsx";
import { MarginBars, marginScale } from "../../drawings/MarginBars.tsx";
import {
  counted,
  db,
  figure,
  gatewayTitle,
  percent,
  percentInterval,
  signedDb,
} from "../../format/format.ts";
import { type Column, DataTable } from "../../parts/DataTable.tsx";
import { Figure } from "../../parts/Figure.tsx";
import { Fold } from "../../parts/Fold.tsx";
import { now } from "../../state/clock.ts";
import { linkTo } from "../../state/route.ts";
import { shiftWords } from "./link-words.ts";
import "./LinkSection.css";

/** Distribution, table and fine print; nothing when no gateway heard the node. */
export function LinkSection({ links }: { links: readonly LinkRow[] }) {
  if (links.length === 0) return null;
  return (
    <>
      <h2>Links</h2>
      <Margins links={links} />
      <DataTable
        label="Links, one a gateway"
        columns={linkColumns(now.value)}
        rows={links}
        rowKey={(row) => row.gatewayEui}
      />
      <h3 class="link-head">What delivery would be</h3>
      <DataTable
        label="Delivery as it was, and as it would be at other data rates and power"
        columns={WHAT_IF}
        rows={links}
        rowKey={(row) => row.gatewayEui}
      />
      <LinkPrint />
    </>
  );
}

function Margins({ links }: { links: readonly LinkRow[] }) {
  const scale = marginScale(links.map(({ margin }) => margin));
  const told = links.filter(({ margin }) => margin.medianDb !== null);
  const best = [...told].sort((a, b) => (b.margin.medianDb ?? 0) - (a.margin.medianDb ?? 0))[0];
  const caption =
    best === undefined
      ? "Margins: no SNR was reported in this window"
      : `Margins: ${gatewayTitle(best)} hears it best, ${db(best.margin.medianDb)} above the floor in the median`;
  return (
    <Figure
      caption={caption}
      legend={
        <>
          <span>bar: frames a decibel of margin</span>
          <span>hollow: below the data sheet's floor, and heard all the same</span>
          <span>upright lines: weakest tenth, median, strongest tenth</span>
        </>
      }
      drawing={
        told.length === 0 ? null : (
          <div class="margin-rows">
            {told.map((row) => (
              <div key={row.gatewayEui}>
                <h3>
                  {gatewayTitle(row)}{" "}
                  <span class="quiet small">
                    {counted(row.margin.count, "frame")}, {row.dataRate}
                  </span>
                </h3>
                <MarginBars
                  margin={row.margin}
                  {...scale}
                  label={`Margins at ${gatewayTitle(row)}: median ${db(row.margin.medianDb)}, weakest tenth ${db(row.margin.p10Db)}, ${counted(row.margin.count, "frame")}`}
                />
              </div>
            ))}
          </div>
        )
      }
      table={() => (
        <DataTable
          label="Frames a decibel of margin"
          none="No SNR was reported in this window."
          rows={told.flatMap((row) =>
            row.margin.bins.map((count, at) => ({
              gateway: gatewayTitle(row),
              fromDb: row.margin.firstBinDb + at,
              count,
            })),
          )}
          rowKey={(bin) => `${bin.gateway} ${bin.fromDb}`}
          columns={[
            { key: "gateway", head: "Gateway", cell: (bin) => bin.gateway, sort: (bin) => bin.gateway },
            {
              key: "from",
              head: "Margin from",
              right: true,
              cell: (bin) => db(bin.fromDb),
              sort: (bin) => bin.fromDb,
            },
            {
              key: "count",
              head: "Frames",
              right: true,
              cell: (bin) => figure(bin.count),
              sort: (bin) => bin.count,
            },
          ]}
        />
      )}
    />
  );
}

function linkColumns(nowMs: number): readonly Column<LinkRow>[] {
  return [
    { key: "gateway", head: "Gateway", sort: gatewayTitle, cell: gatewayTitle },
    {
      key: "margin",
      head: "Margin",
      right: true,
      sort: (row) => row.margin.medianDb,
      cell: (row) => (
        <>
          {db(row.margin.medianDb)}{" "}
          <span class="quiet small">
            ({figure(row.margin.p10Db, 1)} to {figure(row.margin.p90Db, 1)})
          </span>
        </>
      ),
    },
    { key: "trend", head: "Trend", cell: (row) => <Trend row={row} /> },
    {
      key: "step",
      head: "Steps",
      cell: (row) => (
        <div class="link-words">
          {row.shifts.length === 0
            ? row.shiftsWords
            : row.shifts.map((shift) => <div key={shift.at}>{shiftWords(shift, nowMs)}</div>)}
        </div>
      ),
    },
    {
      key: "headroom",
      head: "Headroom",
      sort: (row) => row.headroom.steps,
      cell: (row) => <div class="link-words">{row.headroom.words}</div>,
    },
    {
      key: "offset",
      head: "Frequency offset",
      sort: (row) => row.frequencyOffset?.medianHz ?? null,
      cell: (row) => (
        <div class="link-words">{row.frequencyOffset?.words ?? "The forwarder gives none."}</div>
      ),
    },
    {
      key: "way",
      head: "The way",
      sort: (row) => row.geometry?.distanceM ?? null,
      cell: (row) => (
        <div class="link-words">
          {row.geometry?.words ?? row.geometryWords}
          {row.geometry === null ? (
            <>
              {" "}
              <a href={linkTo("/plan")}>Say where</a>
            </>
          ) : (
            <span class="quiet small"> {row.geometryWords}</span>
          )}
        </div>
      ),
    },
  ];
}

function Trend({ row: { trend } }: { row: LinkRow }) {
  if (trend.verdict === "not enough" || trend.verdict === "no trend")
    return (
      <div class="link-words">
        <strong>{trend.verdict === "no trend" ? "No trend. " : ""}</strong>
        {trend.words}
      </div>
    );
  return (
    <div class="link-words">
      <span class="nowrap">
        <span aria-hidden="true">{trend.verdict === "falls" ? "↓" : "↑"} </span>
        {signedDb(trend.slopePerDay)} a day
      </span>{" "}
      <span class="quiet small">{trend.words}</span>
    </div>
  );
}

function would(row: LinkRow, what: WhatIf["what"]) {
  const answer = row.whatIf.find((one) => one.what === what);
  if (answer === undefined) return "–";
  if (answer.ratio === null) return <div class="link-words quiet">{answer.words}</div>;
  return (
    <div class="link-would">
      <span class="quiet small">{answer.title}</span>
      <Share ratio={answer.ratio} interval={answer.interval95} />
    </div>
  );
}

function Share({ ratio, interval }: { ratio: number | null; interval: readonly [number, number] | null }) {
  return (
    <span class="nowrap">
      {percent(ratio)} <IntervalBar ratio={ratio} interval={interval} />{" "}
      <span class="quiet small">{percentInterval(interval)}</span>
    </span>
  );
}

const WHAT_IF: readonly Column<LinkRow>[] = [
  { key: "gateway", head: "Gateway", sort: gatewayTitle, cell: gatewayTitle },
  {
    key: "was",
    head: "As it was",
    sort: (row) => row.delivery.ratio,
    cell: (row) => (
      <div class="link-would">
        <span class="quiet small">{row.dataRate ?? ""}</span>
        {row.delivery.ratio === null ? (
          "not enough to say"
        ) : (
          <Share ratio={row.delivery.ratio} interval={row.delivery.interval95} />
        )}
      </div>
    ),
  },
  { key: "faster", head: "A step faster", cell: (row) => would(row, "faster") },
  { key: "slower", head: "A step slower", cell: (row) => would(row, "slower") },
  { key: "less", head: "Less power", cell: (row) => would(row, "less-power") },
];

function LinkPrint() {
  return (
    <Fold title="How these link figures come about">
      <p>
        Margin is SNR over the demodulation floor of each frame's own spreading factor (SX1276 data sheet,
        Table 13), the best antenna of the gateway. Above about 5 dB the SNR estimate saturates; there a link
        is judged by the power of its signal. RSSI has an offset of its own in every gateway: compare gateways
        by SNR and delivery.
      </p>
      <p>
        A step is claimed when two levels of at least 3 dB difference explain the values far better than the
        usual wander of this link does, and the change happens between neighbouring frames (partial sums with
        a long-run variance; up to six hours before the window are looked at too). Healthy simulated links
        show less than one such step in 100 days. Where frames are lost at the floor a fall is larger than the
        survivors show: it says “at least”.
      </p>
      <p>
        A trend is a Theil–Sen slope of hourly or daily medians with Mann–Kendall significance, widened for
        what neighbouring values share. It counts from 3 dB over at least 7 days.
      </p>
      <p>
        What delivery would be rests on the frames that were heard, each weighed by its chance to be heard: a
        step of data rate is worth 2.5 dB. The demodulator's knee is soft and not known to the decibel; the
        interval holds chance and that doubt. Losses for other reasons, such as collisions, are taken to stay
        as they were, though a faster data rate also has shorter frames. Counters missed while the gateway was
        out of reach are left out.
      </p>
      <p>
        The frequency offset is that of node and gateway together. When all nodes move together, it is the
        gateway's oscillator. Free-space loss supposes a clear way; what goes beyond it is walls, trees,
        ground and whatever the RSSI of this gateway is off by. It predicts no coverage.
      </p>
      <p>
        Moving an antenna often means work at height, near mains and under lightning protection: that belongs
        to people who are qualified for it, and local rules prevail.
      </p>
    </Fold>
  );
}
