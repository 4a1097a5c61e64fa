/**
 * Where does a view get its data? A live window comes over the live line; a fixed one, or a live one while the
 * line is not open, is asked for once. What was shown stays until something newer came.
 */
import { useEffect, useState } from "preact/hooks";
import type { Problem } from "../../../src/contract/common.ts";
import type { Topic } from "../../../src/contract/live.ts";
import { getJson } from "./api.ts";
import { live } from "./live.ts";
import { renewal } from "./renewal.ts";
import { type WindowChoice, windowQuery } from "./window.ts";

export interface Source {
  readonly topic: Topic | null;
  /** "/api/nodes", without the window. */
  readonly path: string;
  /** For the topic `node`: DEVADDR/LIFE. */
  readonly key: string | null;
}

export interface Loaded<T> {
  readonly data: T | null;
  /** loading: asked, not yet answered. failed: the last answer was a problem; `data` may still hold older figures. */
  readonly state: "loading" | "ready" | "failed";
  readonly problem: Problem | null;
  /** Asks again; after a label was changed, or when a person says so. */
  reload(): void;
}

// How long the live line may take to open before the page asks the plain way.
const LINE_PATIENCE_MS = 1200;

interface Held<T> {
  /** What the data answer: another node's figures are never shown while this one's load. */
  readonly of: string;
  readonly query: string;
  readonly data: T | null;
  readonly state: "loading" | "ready" | "failed";
  readonly problem: Problem | null;
}

/** The data of one view over one window (null: the view takes none), kept fresh. */
export function useViewData<T>(source: Source, choice: WindowChoice | null): Loaded<T> {
  const of = `${source.path}|${source.key ?? ""}`;
  const query = choice === null ? "" : windowQuery(choice);
  const lastSeconds = choice?.kind === "live" ? choice.lastSeconds : choice === null ? 3600 : null;
  const renewed = choice?.kind === "fixed" ? renewal.value : 0;
  const [turn, setTurn] = useState(0);
  const [held, setHeld] = useState<Held<T>>({ of, query, data: null, state: "loading", problem: null });

  // `of` and `query` stand for source and choice, which may be new objects at every rendering.
  useEffect(() => {
    let over = false;
    const abort = new AbortController();
    setHeld((before) => {
      // The same question asked again goes on quietly: nothing dims while it is renewed.
      if (before.of === of && before.query === query && before.state === "ready") return before;
      return { of, query, data: before.of === of ? before.data : null, state: "loading", problem: null };
    });
    const take = (data: T) => {
      if (!over) setHeld({ of, query, data, state: "ready", problem: null });
    };
    const fail = (problem: Problem) => {
      if (!over) setHeld((before) => ({ ...before, state: "failed", problem }));
    };
    const askOnce = async () => {
      const answer = await getJson<T>(asked(source.path, query), abort.signal);
      if (answer.ok) take(answer.value);
      else fail(answer.problem);
    };

    if (source.topic === null || lastSeconds === null) {
      void askOnce();
      return () => {
        over = true;
        abort.abort();
      };
    }

    const connection = live();
    const subscription = connection.subscribe(source.topic, lastSeconds, source.key);
    let came = false;
    const stopState = subscription.state.subscribe((state) => {
      if (state.trouble !== null) {
        fail({ code: "live", sentence: state.trouble, remedy: "Choose another window, or ask again." });
      } else if (state.view !== null && !state.holed) {
        // A view from before a hole is not shown again as if it were new.
        came = true;
        take(state.view as T);
      }
    });
    const patience = setTimeout(() => {
      if (!came) void askOnce();
    }, LINE_PATIENCE_MS);
    return () => {
      over = true;
      abort.abort();
      clearTimeout(patience);
      stopState();
      subscription.close();
    };
  }, [of, query, turn, renewed]);

  const mine = held.of === of ? held : { of, query, data: null, state: "loading" as const, problem: null };
  return {
    data: mine.data,
    state: mine.state,
    problem: mine.problem,
    reload: () => setTurn((value) => value + 1),
  };
}

/** A path may carry a question of its own beside the window. */
function asked(path: string, query: string): string {
  if (query === "") return path;
  return `${path}${path.includes("?") ? "&" : "?"}${query}`;
}
