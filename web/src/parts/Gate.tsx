/**
 * Which of its states is a view in? Loading keeps the shape of what comes; failed says what failed and what still
 * works; stale dims and says since when; otherwise the view itself.
 */
import { problemWords } from "../state/api.ts";
import type { ComponentChildren } from "preact";
import type { Problem, Window } from "../../../src/contract/common.ts";
import { removedBasis, removedSentence } from "../../../src/words/removed.ts";
import { clockTime, nearTime } from "../format/times.ts";
import { serviceNowMs } from "../state/clock.ts";
import { type Loaded, staleSinceMs } from "../state/view-data.ts";
import "./Gate.css";

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
          ○ These figures are from {clockTime(since)}: the line to the service was lost. Trying again by
          itself.
        </p>
      )}
      {loaded.state === "failed" && loaded.problem !== null && since === null ? (
        <p class="notice notice-bad" role="alert">
          ✕ Not renewed. {problemWords(loaded.problem)}{" "}
          <button type="button" class="link" onClick={loaded.reload}>
            ask again
          </button>
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
      <button type="button" class="plain" onClick={again}>
        ask again
      </button>
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
