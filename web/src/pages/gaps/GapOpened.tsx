/** One gap, laid under its evidence. */
import { useEffect } from "preact/hooks";
import type { DropoutRow, GapPage } from "../../../../src/contract/gaps.ts";
import { Failed } from "../../parts/Gate.tsx";
import { linkTo } from "../../state/route.ts";
import { useViewData } from "../../state/view-data.ts";
import type { WindowChoice } from "../../state/window.ts";
import { EvidenceScore } from "./EvidenceScore.tsx";
import { FindingWords } from "./FindingWords.tsx";
import { nodeTitle } from "./gap-words.ts";

/**
 * The gap of a line; asked for anew while it goes on. `told`: the sentence that stands above it already, of an episode
 * that it is part of.
 */
export function GapOpened({ row, told }: { row: DropoutRow; told: string | null }) {
  const path = `/api/gaps/${encodeURIComponent(row.id)}`;
  const { data, state, problem, reload } = useViewData<GapPage>({ topic: null, path, key: null }, null);
  // An open gap moves its end; a gap that closed, or is judged anew, changes its line first.
  const standing = `${row.to} ${row.missedCounters} ${row.finding.cause} ${row.finding.confidence}`;
  useEffect(() => {
    if (data !== null && standingOf(data.gap) !== standing) reload();
  }, [standing]);
  const hours: WindowChoice =
    data === null
      ? { kind: "fixed", fromMs: Date.parse(row.from), toMs: Date.parse(row.to) }
      : { kind: "fixed", fromMs: Math.floor(data.axis.fromMs), toMs: Math.ceil(data.axis.toMs) };
  const finding = data?.gap.finding ?? row.finding;
  return (
    <section class="gap-opened" aria-label={`Evidence for the gap of ${nodeTitle(row)}`}>
      {finding.sentence === told ? null : <FindingWords finding={finding} />}
      {data !== null ? (
        <EvidenceScore page={data} />
      ) : state === "failed" && problem !== null ? (
        <Failed problem={problem} again={reload} />
      ) : (
        <p class="quiet" role="status">
          ○ asking for the evidence
        </p>
      )}
      <p class="screen-only gap-ways">
        <a href={linkTo(`/nodes/${row.devAddr}/${row.life}`)}>{nodeTitle(row)}</a>
        <a href={linkTo(`/nodes/${row.devAddr}/${row.life}`, {}, hours)}>the node over these hours</a>
        <a href={linkTo(`/gaps?node=${row.devAddr}`)}>its other gaps</a>
      </p>
    </section>
  );
}

function standingOf(row: DropoutRow): string {
  return `${row.to} ${row.missedCounters} ${row.finding.cause} ${row.finding.confidence}`;
}
