/** What stands around every view? The rail of words, the top line, the zone at the foot. */
import { signal } from "@preact/signals";
import type { ComponentChildren } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import type { Standing } from "../../../src/contract/common.ts";
import type { CapturesView, ServiceStatus } from "../../../src/contract/service.ts";
import { duration, percent } from "../../../src/words/format.ts";
import { clockTime, spanWords, zoneWords } from "../format.ts";
import { now, serviceNowMs } from "../state/clock.ts";
import { live } from "../state/live.ts";
import {
  chooseSite,
  chooseWindow,
  currentSite,
  currentWindow,
  linkTo,
  route,
  type ViewName,
} from "../state/route.ts";
import { tabState } from "../state/tab.ts";
import { describeWindow, storedWindow, windowEnds } from "../state/window.ts";
import { helper } from "./Explain.tsx";
import { Button } from "./form.tsx";
import { Helpers } from "./Helpers.tsx";
import { StandingMark } from "./page.tsx";
import { WindowBar } from "./WindowBar.tsx";
import "./Shell.css";

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
          <Button aria-keyshortcuts="/" onClick={() => (helper.value = { kind: "finder" })}>
            find
          </Button>
          <Button
            aria-label="Keys and words"
            aria-keyshortcuts="?"
            onClick={() => (helper.value = { kind: "keys" })}
          >
            ?
          </Button>
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
      {spanWords(from, to)}. <Button onClick={() => chooseWindow(shown)}>show what is stored</Button>
    </p>
  );
}

// How do the gateways stand, in a word at the top right? What stands in the way of recording comes first.

interface StateWord {
  readonly standing: Standing;
  readonly word: string;
  /** What changes every second, and is not read aloud. */
  readonly age: string;
}

/** As long as a gateway may be silent between two keepalives of the slowest usual interval, twice. Chosen. */
const SILENT_FROM_S = 60;

/** Returns the word for the service's state at `nowMs`; `progress` is of a capture that is being read, null without one. */
export function stateWord(
  status: ServiceStatus,
  reading: { readonly progress: number | null } | null,
  nowMs: number,
): StateWord {
  const { storage, passage, arrived } = status;
  if (storage.state !== "well")
    return { standing: storage.state === "failed" ? "bad" : "look", word: storageWord(status), age: "" };
  if (passage?.standing === "bad") return { standing: "bad", word: "server unreachable", age: "" };
  if (storage.space.state === "low") return { standing: "look", word: "disk nearly full", age: "" };
  if (reading !== null) {
    const share =
      reading.progress === null ? "" : `, ${percent(Math.floor(reading.progress * 100) / 100, 0)}`;
    return { standing: "waiting", word: "reading a capture", age: share };
  }
  if (arrived.lastAt === null) return { standing: "waiting", word: "nothing yet", age: "" };
  const silentS = Math.max(0, Math.round((nowMs - Date.parse(arrived.lastAt)) / 1000));
  if (silentS < SILENT_FROM_S)
    return { standing: "good", word: "receiving", age: `, ${duration(silentS)} ago` };
  return { standing: "look", word: "silent", age: ` for ${roughly(silentS)}` };
}

/** One unit is enough of a silence. */
function roughly(seconds: number): string {
  if (seconds < 3600) return duration(Math.floor(seconds / 60) * 60);
  if (seconds < 2 * 86_400) return duration(Math.floor(seconds / 3600) * 3600);
  return duration(Math.floor(seconds / 86_400) * 86_400);
}

/** In line, what matters first is that datagrams still pass. */
function storageWord({ storage, passage }: ServiceStatus): string {
  if (passage !== null) return storage.state === "failed" ? "relaying, not recording" : "recording slow";
  return storage.state === "failed" ? "storage failed" : "storage slow";
}

/** This one figure counts every second; all other ages keep the slower clock. */
const second = signal(0);

/** Links to the service's own page. The page's connection shows only when it is lost. */
function GatewayWord({ status, captures }: { status: ServiceStatus | null; captures: CapturesView | null }) {
  useEffect(() => {
    const timer = setInterval(() => {
      if (!document.hidden) second.value += 1;
    }, 1000);
    return () => clearInterval(timer);
  }, []);
  const { line, lostAtMs } = live();
  const reading = captures?.captures.find(({ state }) => state === "reading") ?? null;
  // Read so that both clocks draw it anew.
  const nowMs = Math.max(second.value === 0 ? now.value : 0, serviceNowMs());
  const { standing, word, age } =
    line.value === "lost"
      ? {
          standing: "bad" as const,
          word: "connection lost",
          age: lostAtMs.value === null ? "" : ` ${clockTime(lostAtMs.value)}`,
        }
      : status === null
        ? { standing: "waiting" as const, word: "connecting", age: "" }
        : stateWord(status, reading, nowMs);
  useEffect(() => {
    tabState.value = { standing, word };
  }, [standing, word]);
  return (
    <span class="top-connection">
      <a href={linkTo("/service")}>
        <StandingMark standing={standing} word={`${word}${age}`} />
      </a>
      <span class="unseen" role="status">
        {word}
      </span>
    </span>
  );
}
