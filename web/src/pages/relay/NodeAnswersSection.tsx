/** Did the node get its answers: to confirmed uplinks, to join-requests, and did data-rate commands take effect? */
import type { AnsweredRow, NodeAnswers } from "../../../../src/contract/downlinks.ts";
import { figure } from "../../format/format.ts";
import { type Column, DataTable } from "../../parts/DataTable.tsx";
import { StandingMark } from "../../parts/StandingMark.tsx";
import { When } from "../../parts/When.tsx";

const COLUMNS: readonly Column<AnsweredRow>[] = [
  { key: "at", head: "Sent", sort: (row) => row.at, cell: (row) => <When at={row.at} /> },
  { key: "what", head: "What", sort: (row) => row.what, cell: (row) => row.what },
  { key: "counter", head: "FCnt", right: true, cell: (row) => figure(row.counter) },
  {
    key: "fate",
    head: "Fate",
    sort: (row) => row.fate,
    cell: (row) => <StandingMark standing={row.standing} word={row.fate} />,
  },
  { key: "words", head: "Why", wideOnly: true, cell: (row) => row.words },
];

/** The section "Answers". */
export function NodeAnswersSection({ answers }: { answers: NodeAnswers }) {
  return (
    <section aria-label="Answers">
      <h2>Answers</h2>
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
    </section>
  );
}
