/** What has the node's link been through? Moments in order of time, each with how sure it is. */
import { useState } from "preact/hooks";
import type { LinkEventRow, NodeGatewayRow, NodePage, NodeRow } from "../../../../src/contract/nodes.ts";
import { counted, figure } from "../../../../src/words/format.ts";
import { certaintyWords, nearTime, shortEui } from "../../format.ts";

import { now } from "../../state/clock.ts";
import "../NodeStory.css";
import type { Window } from "../../../../src/contract/common.ts";
import type { AnsweredRow, NodeAnswers } from "../../../../src/contract/gateways.ts";
import { type Column, DataTable, textColumn } from "../../parts/DataTable.tsx";
import { ExportLink } from "../../parts/Export.tsx";
import { PhonePart, StandingMark, When } from "../../parts/page.tsx";
import { ReceptionTable, useReceptions } from "../../parts/ReceptionTable.tsx";
import { route, setParams } from "../../state/route.ts";

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
            <button type="button" class="link small screen-only" onClick={() => setAll(true)}>
              show {counted(hidden, "earlier moment")}
            </button>
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
  { key: "at", head: "Sent", sort: (row) => row.at, cell: (row) => <When at={row.at} /> },
  textColumn("what", "What", (row) => row.what),
  { key: "counter", head: "FCnt", right: true, cell: (row) => figure(row.counter) },
  {
    key: "fate",
    head: "Outcome",
    sort: (row) => row.fate,
    cell: (row) => <StandingMark standing={row.standing} word={row.fate} />,
  },
  { key: "words", head: "Why", wideOnly: true, cell: (row) => row.words },
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
