/** What befell many nodes at once? Its finding, and the gaps that it made. */
import type { ComponentChildren } from "preact";
import type { EpisodeRow } from "../../../../src/contract/gaps.ts";
import { counted } from "../../format/format.ts";
import { FindingWords } from "./FindingWords.tsx";

/** An episode opened; `children` are the lines of its gaps. */
export function EpisodeOpened({ row, children }: { row: EpisodeRow; children: ComponentChildren[] }) {
  return (
    <div class="gap-opened">
      <FindingWords finding={row.finding} />
      {children.length === 0 ? null : (
        <>
          <h3>{counted(children.length, "gap")} in it</h3>
          <p class="small quiet">Open one to see it laid under its evidence.</p>
          <ol class="gap-list gap-list-within">{children}</ol>
        </>
      )}
    </div>
  );
}
