/**
 * Which of its states is a view in? Loading keeps the shape of what comes; failed says what failed and what still
 * works; stale dims and says since when; otherwise the view itself.
 */
import { signal } from "@preact/signals";
import type { ComponentChildren, JSX } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import type { Problem, Window } from "../../../src/contract/common.ts";
import type { CaptureRow, CapturesView, ServiceStatus } from "../../../src/contract/service.ts";
import { figure, percent, removedBasis, removedSentence } from "../../../src/words/format.ts";
import { clockTime, nearTime } from "../format.ts";
import { problemWords } from "../state/api.ts";
import { serviceNowMs } from "../state/clock.ts";
import { currentWindow, linkTo } from "../state/route.ts";
import { type Loaded, staleSinceMs } from "../state/view-data.ts";
import type { WindowChoice } from "../state/window.ts";
import { Button, LinkButton } from "./form.tsx";
import { Age } from "./page.tsx";
import "./Gate.css";
import "./UnlessReading.css";

/** Draws the view of `loaded`, or what stands in its place. */
export function Gate<T>({
  loaded,
  part = false,
  children,
}: {
  loaded: Loaded<T>;
  /** A part of a page that stands under a heading already. */
  part?: boolean;
  children: (data: T) => ComponentChildren;
}) {
  const since = staleSinceMs();
  // Figures of another window must not stand in for what was removed.
  const isGone = loaded.state === "failed" && loaded.problem?.code === "rows-removed";
  if (loaded.data === null || isGone) {
    if (loaded.state === "failed" && loaded.problem !== null)
      return <Failed problem={loaded.problem} again={loaded.reload} part={part} />;
    return <Skeleton part={part} />;
  }
  return (
    <>
      {since === null ? null : (
        <p class="notice" role="status">
          ○ These figures are from {clockTime(since)}: the connection to the service was lost. Retrying
          automatically.
        </p>
      )}
      {loaded.state === "failed" && loaded.problem !== null && since === null ? (
        <p class="notice notice-bad" role="alert">
          ✕ Not renewed. {problemWords(loaded.problem)}{" "}
          <LinkButton onClick={loaded.reload}>ask again</LinkButton>
        </p>
      ) : null}
      {part ? null : <RemovedNotice data={loaded.data} />}
      <div
        class={since === null && loaded.state === "ready" ? "" : "stale"}
        aria-busy={loaded.state === "loading"}
      >
        {children(loaded.data)}
      </div>
    </>
  );
}

/** Of a window that was asked for from an earlier moment on than receptions are kept. */
function RemovedNotice({ data }: { data: unknown }) {
  if (typeof data !== "object" || data === null || !("window" in data)) return null;
  // Wherever an answer has a window, it is the contract's.
  const { removed } = data.window as Window;
  if (removed === undefined) return null;
  const { before, rule, basis } = removed;
  return (
    <p class="notice" role="status">
      ○ {removedSentence(nearTime(Date.parse(before), serviceNowMs()), rule)} {removedBasis(basis)}
    </p>
  );
}

/** What failed, what to do, and what works nevertheless. */
export function Failed({
  problem,
  again,
  part = false,
}: {
  problem: Problem;
  again: () => void;
  part?: boolean;
}) {
  const words = `✕ ${problem.sentence}`;
  return (
    <section class="failed" role="alert">
      {part ? <p>{words}</p> : <h1>{words}</h1>}
      <p>{problem.remedy}</p>
      <p class="quiet">Other views may still work. The status at the top right is the service's.</p>
      <Button onClick={again}>ask again</Button>
    </section>
  );
}

/** The shape of what comes. */
export function Skeleton({ part }: { part: boolean }) {
  return (
    <div class="skeleton" role="status">
      {part ? <p class="unseen">Loading</p> : <h1 class="unseen">Loading</h1>}
      <div class="skeleton-sentence" />
      <div class="skeleton-sentence skeleton-short" />
      <div class="skeleton-drawing" />
      {[1, 2, 3, 4, 5].map((row) => (
        <div key={row} class="skeleton-row" />
      ))}
    </div>
  );
}

// How does a page come to the browser? When it is first shown; the others follow while nothing else is to do.

type Part<Props> = (props: Props) => ComponentChildren;

const all: (() => Promise<void>)[] = [];

/** A component that `load` brings; the shape of what comes stands in its place until then. */
export function lazy<Props extends object>(load: () => Promise<Part<Props>>): (props: Props) => JSX.Element {
  const part = signal<{ readonly show: Part<Props> } | null>(null);
  const hasFailed = signal(false);
  const ask = async () => {
    if (part.value !== null) return;
    try {
      part.value = { show: await load() };
    } catch {
      hasFailed.value = true;
    }
  };
  all.push(ask);
  return (props) => {
    useEffect(() => void ask(), []);
    if (part.value !== null) {
      const Show = part.value.show;
      return <Show {...props} />;
    }
    return hasFailed.value ? <NotLoaded /> : <Skeleton part={false} />;
  };
}

/** After an update of Mastlog the parts of the older page are gone. */
function NotLoaded() {
  return (
    <p class="notice notice-bad" role="alert">
      ✕ This view could not be loaded. <Button onClick={() => location.reload()}>load the page again</Button>
    </p>
  );
}

/** Brings all pages, one after another, while the browser is idle: then each is there at once. */
export async function loadTheRest(): Promise<void> {
  for (const ask of all) {
    await new Promise<void>((resolve) => {
      if (typeof requestIdleCallback === "function") requestIdleCallback(() => resolve());
      else setTimeout(resolve, 200);
    });
    await ask();
  }
}

// What stands in place of a view while a capture is being read that may fill its window, and above it while a watch holds. No figure that is half of one.

/** A live window is filled by gateways. A capture's first moment is known soon; until then it may be any. */
function fills(capture: CaptureRow, choice: WindowChoice): boolean {
  if (capture.state !== "reading" || choice.kind === "live") return false;
  return capture.from === null || Date.parse(capture.from) < choice.toMs;
}

/** The view, or how far the capture is read. A person may ask to see what there is so far. */
export function UnlessReading({
  captures,
  children,
}: {
  captures: CapturesView | null;
  children: ComponentChildren;
}) {
  const [seen, setSeen] = useState<number | null>(null);
  const reading = captures?.captures.find((capture) => fills(capture, currentWindow.value));
  if (reading === undefined) return <>{children}</>;
  if (seen === reading.id)
    return (
      <>
        <p class="notice">
          ○ {reading.name} is still being read, {share(reading)}: these figures are not final.
        </p>
        {children}
      </>
    );
  return (
    <section class="reading">
      <h1 class="sentence">
        Reading {reading.name}: {share(reading)}.
      </h1>
      <progress
        {...(reading.progress === null ? {} : { value: reading.progress })}
        max={1}
        aria-label={`Reading ${reading.name}`}
      />
      <p class="quiet">
        {figure(reading.datagrams)} datagrams so far. The view opens when the capture is read and its gaps are
        judged.
      </p>
      <Button onClick={() => setSeen(reading.id)}>show what is read so far</Button>
    </section>
  );
}

function share({ progress }: CaptureRow): string {
  return progress === null ? "just begun" : percent(Math.floor(progress * 100) / 100, 0);
}

// The newest message of the watches, on every page until a person has read it; while the page is hidden, by the browser.

/** What this browser's person has read; kept where the browser lets it. */
const READ_KEY = "mastlog-watch-read";

function readBefore(): string | null {
  try {
    return localStorage.getItem(READ_KEY);
  } catch {
    return null;
  }
}

export function WatchNotice({ status }: { status: ServiceStatus | null }) {
  const newest = status?.watch?.newest ?? null;
  const [read, setRead] = useState(readBefore);
  const shown = useRef<string | null>(null);
  const id = newest?.id ?? null;
  useEffect(() => {
    if (newest === null || id === null || id === shown.current) return;
    const isNews = shown.current !== null || id !== read;
    shown.current = id;
    if (
      isNews &&
      document.hidden &&
      typeof Notification !== "undefined" &&
      Notification.permission === "granted"
    )
      new Notification(newest.subject, { tag: id });
  }, [id]);
  if (newest === null || id === read) return null;
  const done = () => {
    setRead(newest.id);
    try {
      localStorage.setItem(READ_KEY, newest.id);
    } catch {
      // It is shown again when the page is opened again.
    }
  };
  return (
    <p class="notice screen-only" role="status">
      <a href={linkTo("/service")}>{newest.subject}</a>, <Age at={newest.at} />
      <Button onClick={done}>Read</Button>
    </p>
  );
}
