/** What was missed, when, by whom, and why? One line an episode; opened, the gap laid under its evidence. */
import { useMemo } from "preact/hooks";
import type { GapsView as Gaps } from "../../../../src/contract/gaps.ts";
import { counted, figure } from "../../../../src/words/format.ts";
import { ExportLink } from "../../parts/Export.tsx";
import { LinkButton } from "../../parts/form.tsx";
import { MarkList } from "../../parts/MarkList.tsx";
import { PinMark, type Subject } from "../../parts/PinMark.tsx";
import { Fold, Sentence } from "../../parts/page.tsx";
import { linkTo, route, setParams } from "../../state/route.ts";
import type { Marks } from "../../state/view-data.ts";
import {
  type Choice,
  causeWords,
  filterChoices,
  filterFromParams,
  type GapFilter,
  gapItems,
  strangerCount,
} from "./FindingText.tsx";
import { GapMap } from "./GapDrawings.tsx";
import { GapList } from "./GapList.tsx";
import "./gaps.css";
import { Heading } from "../../parts/Explain.tsx";

const NO_FILTER: GapFilter = { cause: null, node: null, gateway: null, strangers: false };

/** The gaps view. */
export function GapsView({ gaps, marks }: { gaps: Gaps; marks: Marks }) {
  const { params } = route.value;
  const filter = filterFromParams(params);
  const choices = useMemo(() => filterChoices(gaps), [gaps]);
  const items = gapItems(gaps, filter);
  const all = gapItems(gaps, { ...NO_FILTER, strangers: filter.strangers }).length;
  const foreign = strangerCount(gaps);
  const subjects: Subject[] = [
    ...choices.gateways.map((one) => ({ kind: "gateway" as const, ...one })),
    ...choices.nodes.map((one) => ({ kind: "node" as const, ...one })),
  ];
  const filtered = filter.cause !== null || filter.node !== null || filter.gateway !== null;
  return (
    <>
      <Sentence words={gaps.sentence} />
      {gaps.gaps.length === 0 ? (
        <p class="quiet">
          {gaps.recordedSeconds === 0
            ? "Mastlog did not listen in this window, and no capture covers it."
            : "No gap lies in this window, as far as it was recorded: no more counters were missed than chance takes, and no node is silent for longer than its rhythm allows."}{" "}
          Choose a longer window above, or <a href={linkTo("/nodes")}>look at the nodes</a>.
        </p>
      ) : (
        <>
          <GapMap gaps={gaps} items={items} marks={marks.rows} />
          <PinMark subjects={subjects} onPinned={marks.reload} />
          <h2>{items.some(({ row }) => row.open) ? "Open gaps, then newest first" : "Gaps, newest first"}</h2>
          <div class="gap-filters screen-only">
            <Filter
              name="cause"
              head="Cause"
              all="every cause"
              value={filter.cause}
              choices={choices.causes.map((id) => ({ id, title: causeWords(id) }))}
            />
            <Filter name="node" head="Node" all="every node" value={filter.node} choices={choices.nodes} />
            <Filter
              name="gateway"
              head="Gateway"
              all="every gateway"
              value={filter.gateway}
              choices={choices.gateways}
            />
            {filtered ? (
              <span class="small quiet" role="status">
                {figure(items.length)} of {figure(all)} shown{" "}
                <LinkButton onClick={() => setParams({ cause: null, node: null, gateway: null })}>
                  show all
                </LinkButton>
              </span>
            ) : null}
          </div>
          {foreign === 0 ? null : (
            <p class="small quiet screen-only">
              {counted(foreign, "gap")} of strangers {filter.strangers ? "stand among them" : "left out"}.{" "}
              <LinkButton
                aria-pressed={filter.strangers}
                onClick={() => setParams({ strangers: filter.strangers ? null : "1" })}
              >
                {filter.strangers ? "leave them out" : "show them"}
              </LinkButton>
            </p>
          )}
          {gaps.gapsCut ? (
            <p class="small quiet">
              Only the newest {figure(gaps.gaps.length)} gaps are listed; choose a shorter window for what
              came before.
            </p>
          ) : null}
          <GapList items={items} />
          <ExportLink what="gaps" />
        </>
      )}
      {marks.rows.length === 0 ? null : <Heading text="Marks" />}
      <MarkList marks={marks.rows} subjects={subjects} onChanged={marks.reload} />
      <Method />
    </>
  );
}

interface FilterProps {
  readonly name: "cause" | "node" | "gateway";
  readonly head: string;
  readonly all: string;
  readonly value: string | null;
  readonly choices: readonly Choice[];
}

function Filter({ name, head, all, value, choices }: FilterProps) {
  // A link may ask for something that this window does not hold: it is shown as asked for.
  const known = value === null || choices.some(({ id }) => id === value);
  const shown = known ? choices : [...choices, { id: value, title: value }];
  return (
    <label>
      <span class="small quiet">{head}</span>
      <select value={value ?? ""} onChange={(event) => setParams({ [name]: event.currentTarget.value })}>
        <option value="">{all}</option>
        {shown.map(({ id, title }) => (
          <option key={id} value={id}>
            {title}
          </option>
        ))}
      </select>
    </label>
  );
}

function Method() {
  return (
    <Fold title="How gaps and findings come about">
      <p>
        A gap is a run of frame counters that nobody heard, or a silence longer than the node's rhythm allows.
        Losses close together are one episode; a steady loss is one finding about a period. Missed counters
        are dated by spreading them over their gap, so their times are approximate.
      </p>
      <p>
        A finding weighs what was heard meanwhile: whether the counter ran on, whether neighbours came through
        in the proportion that their rhythms let expect, keepalives, the gateway's own counter, margin, noise
        and load. Each sentence says how much it weighs by its place: the strongest stands first.
      </p>
      <p>
        Certain: direct proof. Likely: its test passed, and that of the next cause failed. Possible: its test
        passed, and that of the next cause could not be made. Undecided: something is wrong, and nothing more
        can be said. “Unexplained” is an honest answer; a wrong cause would be worse than none.
      </p>
      <p>A gap that begins at a mark may have another cause.</p>
    </Fold>
  );
}
