/** What has the node's link been through? Moments in order of time, each with how sure it is. */
import { useMemo, useState } from "preact/hooks";
import type { Window } from "../../../../src/contract/common.ts";
import type { AnsweredRow, NodeAnswers } from "../../../../src/contract/gateways.ts";
import type { LinkEventRow, NodeGatewayRow, NodePage, NodeRow } from "../../../../src/contract/nodes.ts";
import type { MarkRule } from "../../../../src/drawings/sheet.ts";
import { counted, dbm, decibel, figure } from "../../../../src/words/format.ts";
import type { PlotStep } from "../../drawings/draw-signal.ts";
import type { PlotMark } from "../../drawings/plot-edges.tsx";
import { SignalPlot } from "../../drawings/SignalPlot.tsx";
import { binSignal, type SignalBin } from "../../drawings/signal-columns.ts";
import { certaintyWords, exactTime, gatewayTitle, nearTime, shortEui } from "../../format.ts";
import {
  type Column,
  column,
  DataTable,
  figureField,
  RIGHT,
  textField,
  WIDE_ONLY,
} from "../../parts/DataTable.tsx";
import { Explained } from "../../parts/Explain.tsx";
import { ExportLink } from "../../parts/Export.tsx";
import { LinkButton } from "../../parts/form.tsx";
import { Figure, PhonePart, StandingMark, When } from "../../parts/page.tsx";
import { ReceptionTable, useReceptions } from "../../parts/ReceptionTable.tsx";
import { now } from "../../state/clock.ts";
import { route, setParams } from "../../state/route.ts";
import { shiftWords, stepTime } from "./LinkSection.tsx";
import "../NodeStory.css";

// How strongly is the node heard, over time? The margin ladder, and RSSI beneath it on the same hours.

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
        <DataTable<SignalBin>
          label={`Signal, medians in ${TABLE_BINS} equal stretches, newest first`}
          none="No signal was reported in this window."
          rows={binSignal(page.series, fromMs, toMs, TABLE_BINS)}
          rowKey={(bin) => `${bin.fromMs} ${bin.gateway}`}
          columns={[
            column("From", (bin) => exactTime(bin.fromMs)),
            textField("Gateway", "gateway"),
            figureField("Receptions", "count", figure),
            figureField("SNR", "snrDb", decibel),
            figureField("Margin", "marginDb", decibel),
            figureField("RSSI", "rssiDbm", dbm),
          ]}
        />
      )}
    />
  );
}

/** More moments than these are asked for: the newest tell how the link stands. */
const FIRST_SHOWN = 12;

/** The section "Link story". */
export function NodeStory({ page }: { page: NodePage }) {
  const { story, storyCut } = page;
  const [all, setAll] = useState(false);
  const shown = all ? story : story.slice(-FIRST_SHOWN);
  const hidden = story.length - shown.length;
  return (
    <section aria-label="Link story">
      <PhonePart title="Link story">
        {story.length === 0 ? (
          <p class="quiet">
            Nothing about the link changed or was arranged in this window, as far as its frames can be read.
          </p>
        ) : null}
        {storyCut ? (
          <p class="small quiet">
            Only the newest part of this window's story is shown; choose a shorter window for what came
            before.
          </p>
        ) : null}
        {hidden === 0 ? null : (
          <p>
            <LinkButton class="link small screen-only" onClick={() => setAll(true)}>
              show {counted(hidden, "earlier moment")}
            </LinkButton>
          </p>
        )}
        {story.length === 0 ? null : (
          <ol class="story">
            {shown.map((moment, index) => (
              <Moment key={`${moment.at} ${moment.kind} ${index}`} moment={moment} />
            ))}
          </ol>
        )}
      </PhonePart>
    </section>
  );
}

function Moment({ moment }: { moment: LinkEventRow }) {
  const notes = [
    // The sentence itself says what is only assumed.
    ...(moment.certainty === "assumed 1.0 clear text" ? [] : [certaintyWords(moment.certainty)]),
    ...(moment.counter === null ? [] : [`FCnt ${figure(moment.counter)}`]),
    ...(moment.times > 1 ? [`said ${figure(moment.times)} times in a row`] : []),
  ];
  return (
    <li>
      <time class="story-time quiet" dateTime={moment.at}>
        {nearTime(Date.parse(moment.at), now.value)}
      </time>
      <span class="story-words">
        {moment.sentence} <span class="quiet small">{notes.join(" · ")}</span>
      </span>
    </li>
  );
}

// From which receptions were the figures made? Newest first; each opens its frame in place.

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
  return (
    <PhonePart title="Receptions">
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
                {gateways.find((one) => one.gatewayEui === eui)?.gatewayName ?? shortEui(eui)}
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
      <ReceptionTable list={list} none="No reception lies in this window." />
      <ExportLink what={["receptions", "frames"]} node={row.devAddr} />
    </PhonePart>
  );
}

// Did the node get its answers: to confirmed uplinks, to join-requests, and did data-rate commands take effect?

const COLUMNS: readonly Column<AnsweredRow>[] = [
  column("Sent", { sort: (row) => row.at }, (row) => <When at={row.at} />),
  textField("What", "what"),
  column("FCnt", RIGHT, (row) => figure(row.counter)),
  column("Outcome", { sort: (row) => row.fate }, (row) => (
    <StandingMark standing={row.standing} word={row.fate} />
  )),
  column("Why", WIDE_ONLY, (row) => row.words),
];

/** The section "Answers". */
export function NodeAnswersSection({ answers }: { answers: NodeAnswers }) {
  return (
    <section aria-label="Answers">
      <PhonePart title="Answers">
        <p class={answers.seen ? "way-back" : "quiet"}>{answers.sentence}</p>
        {answers.rows.length === 0 ? null : (
          <DataTable
            label="What was asked for, and what came of it"
            columns={COLUMNS}
            rows={answers.rows}
            rowKey={(row) => `${row.at} ${row.what} ${row.counter ?? ""}`}
          />
        )}
        {answers.rowsCut ? (
          <p class="small quiet">Only the newest {figure(answers.rows.length)} are shown.</p>
        ) : null}
      </PhonePart>
    </section>
  );
}
