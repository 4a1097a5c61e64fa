/** Where can one go? The words of all views; on a phone a bar of five at the bottom, and "more" for the others. */
import { useEffect, useRef, useState } from "preact/hooks";
import { linkTo, route, type ViewName } from "../state/route.ts";

export interface RailWord {
  readonly word: string;
  readonly path: string;
  /** The views that it stands for. */
  readonly views: readonly ViewName[];
}

/** Words that a phone has room for beside "more". */
const FIRST = 5;

/** The rail. */
export function Rail({ words }: { words: readonly RailWord[] }) {
  const [open, setOpen] = useState(false);
  const button = useRef<HTMLButtonElement>(null);
  const { view } = route.value;
  const isHere = ({ views }: RailWord) => views.includes(view);
  const rest = words.slice(FIRST);
  // Who went somewhere is done with choosing.
  useEffect(() => setOpen(false), [view]);
  return (
    <nav
      class={open ? "rail rail-open screen-only" : "rail screen-only"}
      aria-label="Views"
      onKeyDown={(event) => {
        if (event.key !== "Escape" || !open) return;
        setOpen(false);
        button.current?.focus();
      }}
    >
      <ul>
        {words.map((one, index) => (
          <li key={one.path} class={index < FIRST ? "" : "rail-rest"}>
            <a href={linkTo(one.path)} aria-current={isHere(one) ? "page" : undefined}>
              {one.word}
            </a>
          </li>
        ))}
        {rest.length === 0 ? null : (
          <li class="rail-more">
            <button
              ref={button}
              type="button"
              aria-expanded={open}
              class={rest.some(isHere) ? "rail-here" : ""}
              onClick={() => setOpen(!open)}
            >
              more
            </button>
          </li>
        )}
      </ul>
    </nav>
  );
}
