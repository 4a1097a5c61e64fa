/** What did people note lately? Each mark with its moment and what it is about; changed and removed in place. */
import { useState } from "preact/hooks";
import type { MarkRow } from "../../../src/contract/user-data.ts";
import { markAbout } from "../format.ts";
import { deleteMark, problemWords } from "../state/api.ts";
import { linkTo } from "../state/route.ts";
import { ChangeMark, type Subject } from "./PinMark.tsx";
import { When } from "./page.tsx";

export interface MarkListProps {
  readonly marks: readonly MarkRow[];
  readonly subjects: readonly Subject[];
  readonly onChanged: () => void;
  /** Given where a mark may become the begin of a placement. */
  readonly onPlace?: (mark: MarkRow) => void;
}

/** More than these are shown when asked for. */
const FIRST_SHOWN = 6;

/** The list; nothing where there are no marks. */
export function MarkList({ marks, subjects, onChanged, onPlace }: MarkListProps) {
  const [all, setAll] = useState(false);
  const shown = all ? marks : marks.slice(0, FIRST_SHOWN);
  if (marks.length === 0) return null;
  return (
    <>
      <ul class="mark-list" aria-label="Marks, newest first">
        {shown.map((mark) => (
          <OneMark
            key={mark.id}
            mark={mark}
            subjects={subjects}
            onChanged={onChanged}
            {...(onPlace === undefined ? {} : { onPlace })}
          />
        ))}
      </ul>
      {shown.length === marks.length ? null : (
        <button type="button" class="link small screen-only" onClick={() => setAll(true)}>
          show {marks.length - shown.length} earlier
        </button>
      )}
    </>
  );
}

function OneMark({ mark, subjects, onChanged, onPlace }: { mark: MarkRow } & Omit<MarkListProps, "marks">) {
  const [doing, setDoing] = useState<"nothing" | "change" | "remove">("nothing");
  const [trouble, setTrouble] = useState<string | null>(null);
  const remove = async () => {
    const answer = await deleteMark(mark.id);
    if (answer.ok) onChanged();
    else setTrouble(problemWords(answer.problem));
  };
  if (doing === "change")
    return (
      <li>
        <ChangeMark
          mark={mark}
          subjects={subjects}
          onLeave={() => setDoing("nothing")}
          onDone={() => {
            setDoing("nothing");
            onChanged();
          }}
        />
      </li>
    );
  return (
    <li>
      <When at={mark.at} />
      <span class="mark-words">
        {mark.text} <About mark={mark} />
        {trouble === null ? null : <span role="alert"> ✕ {trouble}</span>}
      </span>
      <span class="mark-doing screen-only small">
        {doing === "remove" ? (
          <>
            <button type="button" class="link" onClick={() => void remove()}>
              remove it for good
            </button>
            <button type="button" class="link" onClick={() => setDoing("nothing")}>
              keep it
            </button>
          </>
        ) : (
          <>
            {mark.kind === "note" ? (
              <a href={linkTo("/trials", { mark: String(mark.id) })}>
                before and after<span class="unseen"> the mark {mark.text}</span>
              </a>
            ) : null}
            {onPlace === undefined ? null : (
              <button type="button" class="link" onClick={() => onPlace(mark)}>
                a placement from here<span class="unseen">, the mark {mark.text}</span>
              </button>
            )}
            <button type="button" class="link" onClick={() => setDoing("change")}>
              change<span class="unseen"> the mark {mark.text}</span>
            </button>
            <button type="button" class="link" onClick={() => setDoing("remove")}>
              remove<span class="unseen"> the mark {mark.text}</span>
            </button>
          </>
        )}
      </span>
    </li>
  );
}

function About({ mark }: { mark: MarkRow }) {
  const words = `about ${markAbout(mark)}`;
  if (mark.devAddr === null) return <span class="quiet small">{words}</span>;
  return (
    <a class="small" href={linkTo(`/nodes/${mark.devAddr}/1`)}>
      {words}
    </a>
  );
}
