/** What stands around every view? The rail of words, the top line, the zone at the foot. */

import type { ComponentChildren } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import type { CapturesView, ServiceStatus } from "../../../src/contract/service.ts";
import { spanWords, zoneWords } from "../format/times.ts";
import { now } from "../state/clock.ts";
import {
  chooseSite,
  chooseWindow,
  currentSite,
  currentWindow,
  linkTo,
  route,
  type ViewName,
} from "../state/route.ts";
import { GatewayWord } from "./GatewayWord.tsx";
import { Helpers } from "./Helpers.tsx";
import { helper } from "./helper.ts";
import { WindowBar } from "./WindowBar.tsx";
import "./Shell.css";
import { describeWindow, storedWindow, windowEnds } from "../state/window.ts";

// Where can one go? The words of all views; on a phone a bar of five at the bottom, and "more" for the others.

interface RailWord {
  readonly word: string;
  readonly path: string;
  /** The views that it stands for. */
  readonly views: readonly ViewName[];
}

/** Words that a phone has room for beside "more". */
const FIRST = 5;

/** The rail. */
function Rail({ words }: { words: readonly RailWord[] }) {
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

const WORDS: readonly RailWord[] = [
  { word: "Site", path: "/site", views: ["site"] },
  { word: "Bench", path: "/bench", views: ["bench"] },
  { word: "Nodes", path: "/nodes", views: ["nodes", "node", "plan"] },
  { word: "Air", path: "/air", views: ["air"] },
  { word: "Gaps", path: "/gaps", views: ["gaps"] },
  { word: "Trials", path: "/trials", views: ["trials", "walk"] },
  { word: "Captures", path: "/captures", views: ["captures"] },
];

export interface ShellProps {
  /** Null at first. */
  readonly status: ServiceStatus | null;
  readonly captures: CapturesView | null;
  readonly children: ComponentChildren;
}

/** The frame of the page. */
export function Shell({ status, captures, children }: ShellProps) {
  const { from, to } = status?.storage ?? { from: null, to: null };
  const stored = from === null || to === null ? null : { fromMs: Date.parse(from), toMs: Date.parse(to) };
  return (
    <div class="shell">
      <button type="button" class="skip link" onClick={() => document.getElementById("main")?.focus()}>
        Skip to the view
      </button>
      <Rail words={WORDS} />
      <header class="top">
        <span class="top-site">{status?.siteName ?? "Mastlog"}</span>
        <WindowBar stored={stored} />
        <SiteChoice names={status?.sites ?? []} />
        <span class="top-find screen-only">
          <button
            type="button"
            class="plain"
            aria-keyshortcuts="/"
            onClick={() => (helper.value = { kind: "finder" })}
          >
            find
          </button>
          <button
            type="button"
            class="plain"
            aria-label="Keys and words"
            aria-keyshortcuts="?"
            onClick={() => (helper.value = { kind: "keys" })}
          >
            ?
          </button>
        </span>
        <GatewayWord status={status} captures={captures} />
      </header>
      <main id="main" tabIndex={-1}>
        {children}
      </main>
      <footer class="foot small quiet">
        Times are local: {zoneWords(windowEnds(currentWindow.value, now.value).toMs)}.
        {status === null ? "" : ` Mastlog ${status.version}.`}
      </footer>
      <Helpers />
    </div>
  );
}

/** Which site all views are narrowed to. Nothing while there are not two to choose from, unless the address names one. */
function SiteChoice({ names }: { names: readonly string[] }) {
  const chosen = currentSite.value;
  if (names.length < 2 && chosen === null) return null;
  const unknown = chosen !== null && !names.includes(chosen);
  return (
    <select
      class="top-site-choice"
      aria-label="Site"
      value={chosen ?? ""}
      onChange={(event) => chooseSite(event.currentTarget.value || null)}
    >
      <option value="">all sites</option>
      {unknown ? <option value={chosen}>{chosen}</option> : null}
      {names.map((name) => (
        <option key={name} value={name}>
          {name}
        </option>
      ))}
    </select>
  );
}

// Is the window empty because what is stored lies elsewhere? Then the page says where, and leads there.

/** Nothing unless the window that is shown lies wholly beside what is stored. */
export function StoredNotice({ status }: { status: ServiceStatus | null }) {
  const { from, to } = status?.storage ?? { from: null, to: null };
  if (from === null || to === null) return null;
  const ends = windowEnds(currentWindow.value, now.value);
  const stored = { fromMs: Date.parse(from), toMs: Date.parse(to) };
  if (stored.toMs >= ends.fromMs && stored.fromMs < ends.toMs) return null;
  const shown = storedWindow(stored.fromMs, stored.toMs);
  return (
    <p class="notice" role="status">
      Nothing is stored for this window ({describeWindow(currentWindow.value)}). What is stored lies in{" "}
      {spanWords(from, to)}.{" "}
      <button type="button" class="plain" onClick={() => chooseWindow(shown)}>
        show what is stored
      </button>
    </p>
  );
}
