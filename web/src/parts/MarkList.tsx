/** What did people note lately? Each mark with its moment and what it is about; changed and removed in place. */
import { useState } from "preact/hooks";
import type { MarkRow } from "../../../src/contract/user-data.ts";
import { markAbout } from "../format.ts";
import { deleteMark } from "../state/api.ts";
import { linkTo } from "../state/route.ts";
import { useSending } from "../state/view-data.ts";
import { LinkButton } from "./form.tsx";
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
        <LinkButton class="link small screen-only" onClick={() => setAll(true)}>
          show {marks.length - shown.length} earlier
        </LinkButton>
      )}
    </>
  );
}

function OneMark({ mark, subjects, onChanged, onPlace }: { mark: MarkRow } & Omit<MarkListProps, "marks">) {
  const [doing, setDoing] = useState<"nothing" | "change" | "remove">("nothing");
  const { trouble, send } = useSending(onChanged);
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
            <LinkButton onClick={() => void send(deleteMark(mark.id))}>remove it for good</LinkButton>
            <LinkButton onClick={() => setDoing("nothing")}>keep it</LinkButton>
          </>
        ) : (
          <>
            {mark.kind === "note" ? (
              <a href={linkTo("/trials", { mark: String(mark.id) })}>
                before and after<span class="unseen"> the mark {mark.text}</span>
              </a>
            ) : null}
            {onPlace === undefined ? null : (
              <LinkButton onClick={() => onPlace(mark)}>
                a placement from here<span class="unseen">, the mark {mark.text}</span>
              </LinkButton>
            )}
            <LinkButton onClick={() => setDoing("change")}>
              change<span class="unseen"> the mark {mark.text}</span>
            </LinkButton>
            <LinkButton onClick={() => setDoing("remove")}>
              remove<span class="unseen"> the mark {mark.text}</span>
            </LinkButton>
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
