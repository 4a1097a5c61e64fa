/** What was found out lately about what went missing? A line a finding, each leading to its evidence. */
import type { FindingLine } from "../../../src/contract/gaps.ts";
import { THIN } from "../format/format.ts";
import { linkTo } from "../state/route.ts";
import "./PinMark.css";
import { When } from "./When.tsx";

/** The list; a sentence where nothing was found. */
export function FindingList({ findings }: { findings: readonly FindingLine[] }) {
  if (findings.length === 0)
    return <p class="quiet">No gap in this window that chance and the nodes' own rhythms do not explain.</p>;
  return (
    <>
      <ul class="mark-list" aria-label="Findings, newest first">
        {findings.map((line) => (
          <li key={line.id}>
            <When at={line.at} />
            <span class="mark-words">
              <strong>{line.who}</strong> <a href={linkTo("/gaps", { gap: line.id })}>{line.words}</a>
              {line.open ? <span class="quiet"> · goes on</span> : null}
              <span class="small quiet finding-told"> {line.sentence.replaceAll("\u2009", THIN)}</span>
              {line.mark === null ? null : <span class="small"> Begins at the mark “{line.mark.text}”.</span>}
            </span>
          </li>
        ))}
      </ul>
      <p class="beneath">
        <a href={linkTo("/gaps")}>All gaps</a>
      </p>
    </>
  );
}
