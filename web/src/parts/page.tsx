/** What does a view say first? One sentence, its figures linked to what they rest on. */
import type { Standing, Sentence as Words } from "../../../src/contract/common.ts";
import { counted } from "../../../src/words/format.ts";
import { currentWindow, linkTo } from "../state/route.ts";
import { Explained } from "./Explain.tsx";
import { LinkButton } from "./form.tsx";
import "./Sentence.css";
import { age, exactTime, momentTime, withShortEuis } from "../format.ts";
import { now } from "../state/clock.ts";
import "./Age.css";
import { type ComponentChildren, createContext } from "preact";
import "./Facts.css";
import { useContext, useEffect, useState } from "preact/hooks";
import "./Figure.css";
import "./Fold.css";
import "./StandingMark.css";

/** The opening sentence of a view. Links lead inside the dashboard only, whatever the text says. */
export function Sentence({ words }: { words: Words }) {
  const whole = words.map(({ text }) => text).join("");
  return (
    <h1 class="sentence" title={withShortEuis(whole) === whole ? undefined : whole}>
      {words.map((part, index) =>
        part.href === undefined ? (
          withShortEuis(part.text)
        ) : (
          <a key={`${index}-${part.href}`} href={linkTo(part.href)}>
            {withShortEuis(part.text)}
          </a>
        ),
      )}
    </h1>
  );
}

// What else stands on a long page? Its headings, each a way to its part.

/** The headings of the page in a line; for a page of many screens. Reads them from the page: none is named twice. */
export function Contents() {
  const [titles, setTitles] = useState<readonly string[]>([]);
  useEffect(() => {
    const found = headings().map(({ firstChild }) => firstChild?.textContent ?? "");
    setTitles((known) => (known.join("\n") === found.join("\n") ? known : found));
  });
  const go = (index: number) => {
    const heading = headings()[index];
    if (heading === undefined) return;
    heading.tabIndex = -1;
    heading.focus({ preventScroll: true });
    heading.scrollIntoView({ block: "start" });
  };
  return (
    <nav class="contents screen-only small" aria-label="On this page">
      {titles.map((title, index) => (
        <LinkButton key={title} onClick={() => go(index)}>
          {title}
        </LinkButton>
      ))}
    </nav>
  );
}

function headings(): HTMLElement[] {
  return [...document.querySelectorAll<HTMLElement>("main h2")];
}

// How long ago? In words that keep up with the clock; the exact time on hover and on focus.

/** "3 min ago" for an ISO time; "never" without one. */
export function Age({ at, never = "never" }: { at: string | null; never?: string }) {
  if (at === null) return <span>{never}</span>;
  return <TimeWords at={at} words={age(Date.parse(at), now.value)} />;
}

/** A time in words that are not exact; the exact one comes on hover and on focus. */
function TimeWords({ at, words }: { at: string; words: string }) {
  return (
    // biome-ignore lint/a11y/noNoninteractiveTabindex: the exact time must be reachable without a mouse
    <time class="age" dateTime={at} tabIndex={0}>
      {words}
      <span class="age-exact">{exactTime(Date.parse(at))}</span>
    </time>
  );
}

// How are a few facts of one thing shown? Each with its name at the left, a hairline between them.

const IsRepeated = createContext(false);

export interface FactsProps {
  /** The names stood in the list before this one, which explains them. */
  readonly repeated?: boolean;
  readonly children: ComponentChildren;
}

/** The list; give it `Fact`s. */
export function Facts({ repeated = false, children }: FactsProps) {
  return (
    <IsRepeated.Provider value={repeated}>
      <dl class="facts">{children}</dl>
    </IsRepeated.Provider>
  );
}

/** One fact and its name. */
export function Fact({ name, children }: { name: string; children: ComponentChildren }) {
  return (
    <>
      <dt>{useContext(IsRepeated) ? name : <Explained text={name} />}</dt>
      <dd>{children}</dd>
    </>
  );
}

// How is a drawing shown? With a caption that says its finding, and as a table for whoever wants figures.

export interface FigureProps {
  /** The finding, as a sentence; it names the drawing. */
  readonly caption: string;
  /** What the marks mean, in a line beneath. */
  readonly legend?: ComponentChildren;
  readonly drawing: ComponentChildren;
  /** Called only when the table is asked for. */
  readonly table: () => ComponentChildren;
  /** A drawing over time: it takes the width there is. */
  readonly wide?: boolean;
}

/** A figure with its switch between drawing and table. */
export function Figure({ caption, legend, drawing, table, wide = false }: FigureProps) {
  const [asTable, setAsTable] = useState(false);
  return (
    <figure class={wide ? "figure figure-wide" : "figure"} aria-label={caption}>
      <figcaption class="figure-caption">
        <span>{caption}</span>
        <LinkButton
          class="link screen-only small"
          aria-pressed={asTable}
          onClick={() => setAsTable(!asTable)}
        >
          {asTable ? "show as drawing" : "show as table"}
        </LinkButton>
      </figcaption>
      {asTable ? table() : drawing}
      {asTable || legend === undefined ? null : <div class="figure-legend">{legend}</div>}
    </figure>
  );
}

// What is there for whoever wants to know more? Folded away until asked for: method, source, limits.

/** A part of the page that is closed at first. */
export function Fold({
  title,
  open = false,
  children,
}: {
  title: ComponentChildren;
  open?: boolean;
  children: ComponentChildren;
}) {
  return (
    <details class="fold" open={open}>
      <summary>{title}</summary>
      <div class="fold-body">{children}</div>
    </details>
  );
}

const NARROW = "(max-width: 700px)";

/** Whether the screen is a phone's; follows its turning. */
function useNarrow(): boolean {
  const [narrow, setNarrow] = useState(() => matchMedia(NARROW).matches);
  useEffect(() => {
    const query = matchMedia(NARROW);
    const follow = () => setNarrow(query.matches);
    query.addEventListener("change", follow);
    return () => query.removeEventListener("change", follow);
  }, []);
  return narrow;
}

/** A part of a long page with its heading; on a phone closed until it is asked for. */
export function PhonePart({ title, children }: { title: string; children: ComponentChildren }) {
  if (!useNarrow())
    return (
      <>
        <h2>
          <Explained text={title} />
        </h2>
        {children}
      </>
    );
  return (
    <details class="phone-part">
      <summary>
        <h2>{title}</h2>
      </summary>
      {children}
    </details>
  );
}

// How does a thing stand? Always a shape and a word, never a colour alone.

const SHAPES: Record<Standing, string> = { good: "✓", look: "▲", bad: "✕", waiting: "○" };

const STANDING_WORDS: Record<Standing, string> = {
  good: "good",
  look: "check",
  bad: "bad",
  waiting: "waiting",
};

/** ✓ good, ▲ check, ✕ bad, ○ waiting; another word may be given, the shape stays. */
export function StandingMark({ standing, word }: { standing: Standing; word?: string }) {
  return (
    <span class={`standing standing-${standing}`}>
      <span aria-hidden="true">{SHAPES[standing]}</span> {word ?? STANDING_WORDS[standing]}
    </span>
  );
}

// When was it? In a live window its age; in a fixed one, which may lie far back, the moment itself.

/** "3 min ago", or "14 Apr 09:45" where the window is a fixed one. */
export function When({ at }: { at: string }) {
  if (currentWindow.value.kind === "live") return <Age at={at} />;
  return <TimeWords at={at} words={momentTime(Date.parse(at), now.value)} />;
}

// How does text get into the clipboard? By the browser's clipboard, or by a selection where it is not allowed (plain HTTP).

/** A button that copies and says so. */
export function CopyButton({ words, text }: { words: string; text: () => string }) {
  const [done, setDone] = useState<"" | "copied" | "not copied">("");
  const copy = async () => {
    const worked = await copyText(text());
    setDone(worked ? "copied" : "not copied");
    setTimeout(() => setDone(""), 2000);
  };
  return (
    <span>
      <LinkButton class="link small" onClick={() => void copy()}>
        {words}
      </LinkButton>
      <span class="small quiet" role="status">
        {done === "" ? "" : ` ${done}`}
      </span>
    </span>
  );
}

async function copyText(text: string): Promise<boolean> {
  try {
    await navigator.clipboard.writeText(text);
    return true;
  } catch {
    const area = document.createElement("textarea");
    area.value = text;
    area.className = "unseen";
    document.body.append(area);
    area.select();
    const worked = document.execCommand("copy");
    area.remove();
    return worked;
  }
}

// What should a person know beside the view's own sentence? A line each, with the mark of "look".

export function Notices({ notices }: { readonly notices: readonly string[] }) {
  return (
    <>
      {notices.map((sentence) => (
        <p key={sentence} class="notice">
          <StandingMark standing="look" /> {sentence}
        </p>
      ))}
    </>
  );
}

// Which gateways does a list leave out? Nothing on an honest site; thousands when a stranger invents identifiers.

export function MoreGateways({ more }: { readonly more: number }) {
  if (more === 0) return null;
  return (
    <p class="notice beneath">
      {counted(more, "more gateway")} {more === 1 ? "is" : "are"} not listed. Listed are those with a name or
      a placement, then those heard over the longest time.
    </p>
  );
}
