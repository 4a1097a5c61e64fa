/**
 * Where does a view get its data? A live window comes over the live line; a fixed one, or a live one while the
 * line is not open, is asked for once. What was shown stays until something newer came.
 */
import { signal } from "@preact/signals";
import { useEffect, useRef, useState } from "preact/hooks";
import type { Problem } from "../../../src/contract/common.ts";
import type { Topic } from "../../../src/contract/live.ts";
import type { CapturesView } from "../../../src/contract/service.ts";
import type { MarkRow, MarksView } from "../../../src/contract/user-data.ts";
import { type Answer, getJson, troubleOf } from "./api.ts";
import { serviceNowMs } from "./clock.ts";
import { live } from "./live.ts";
import { currentSite, currentWindow, questionQuery } from "./route.ts";
import type { WindowChoice } from "./window.ts";

// When must a fixed window be asked for anew? While a capture is being read, since it may fill any hour, once more
// when it was read, and now and then while the window's end is still to come. Live windows renew themselves.

/** Counts up whenever fixed windows should be asked for anew. */
const renewal = signal(0);

const WHILE_READING_MS = 3000;
const WHILE_UNFINISHED_MS = 30_000;

/** Keeps `renewal` going for the captures and the window as they stand. */
export function useRenewal(captures: CapturesView | null, choice: WindowChoice): void {
  const reading = captures?.captures.some((capture) => capture.state === "reading") ?? false;
  const end = choice.kind === "fixed" ? choice.toMs : null;
  // A short capture may be read before the page hears that its reading began.
  const standing = captures?.captures.map(({ id, state }) => `${id} ${state}`).join(", ") ?? null;
  const stoodBefore = useRef(standing);
  useEffect(() => {
    if (!reading) return;
    const timer = setInterval(renew, WHILE_READING_MS);
    return () => {
      clearInterval(timer);
      renew();
    };
  }, [reading]);
  useEffect(() => {
    const isNews = stoodBefore.current !== null && stoodBefore.current !== standing;
    stoodBefore.current = standing;
    if (!isNews) return;
    renew();
    // What is worked out from a capture comes a little after it.
    const timer = setTimeout(renew, WHILE_READING_MS);
    return () => clearTimeout(timer);
  }, [standing]);
  useEffect(() => {
    if (end === null) return;
    const timer = setInterval(() => {
      if (serviceNowMs() < end + WHILE_UNFINISHED_MS) renew();
    }, WHILE_UNFINISHED_MS);
    return () => clearInterval(timer);
  }, [end]);
}

function renew(): void {
  renewal.value += 1;
}

export interface Source {
  /** What the live line calls it; left out: it is asked for, once. */
  readonly topic?: Topic;
  /** "/api/nodes", without the window. */
  readonly path: string;
  /** Which one of the topic, as DEVADDR/LIFE of the topic `node`. */
  readonly key?: string | null;
  /** What the data are about, whatever else is chosen: its older figures stay while newer load. Left out: path and key. */
  readonly subject?: string;
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
  readonly of: string;
  /** What the data are about: another node's figures are never shown while this one's load. */
  readonly subject: string;
  readonly query: string;
  readonly data: T | null;
  readonly state: "loading" | "ready" | "failed";
  readonly problem: Problem | null;
}

/** The data of one view over one window (null: the view takes none), kept fresh. */
export function useViewData<T>(source: Source, choice: WindowChoice | null): Loaded<T> {
  const of = `${source.path}|${source.key ?? ""}`;
  const subject = source.subject ?? of;
  const query = choice === null ? "" : questionQuery(choice);
  const site = choice === null ? null : currentSite.value;
  const lastSeconds = choice?.kind === "live" ? choice.lastSeconds : choice === null ? 3600 : null;
  const renewed = choice?.kind === "fixed" ? renewal.value : 0;
  const [turn, setTurn] = useState(0);
  const [held, setHeld] = useState<Held<T>>({
    of,
    subject,
    query,
    data: null,
    state: "loading",
    problem: null,
  });

  // `of` and `query` stand for source and choice, which may be new objects at every rendering.
  useEffect(() => {
    let over = false;
    const abort = new AbortController();
    setHeld((before) => {
      // The same question asked again goes on quietly: nothing dims while it is renewed.
      if (before.of === of && before.query === query && before.state === "ready") return before;
      const data = before.subject === subject ? before.data : null;
      return { of, subject, query, data, state: "loading", problem: null };
    });
    const take = (data: T) => {
      if (!over) setHeld({ of, subject, query, data, state: "ready", problem: null });
    };
    const fail = (problem: Problem) => {
      if (!over) setHeld((before) => ({ ...before, state: "failed", problem }));
    };
    const askOnce = async () => {
      const answer = await getJson<T>(asked(source.path, query), abort.signal);
      if (answer.ok) take(answer.value);
      else fail(answer.problem);
    };

    if (source.topic === undefined || lastSeconds === null) {
      void askOnce();
      return () => {
        over = true;
        abort.abort();
      };
    }

    const connection = live();
    const subscription = connection.subscribe(source.topic, lastSeconds, source.key ?? null, site);
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

  const data = held.subject === subject ? held.data : null;
  const mine = held.of === of ? held : { data, state: "loading" as const, problem: null };
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

// Since when do the figures on the page no longer follow? A live window without a live line is stale from the
// moment the line was lost; a fixed window is never stale.

/** Epoch milliseconds of the moment the figures stopped following, or null. */
export function staleSinceMs(): number | null {
  return currentWindow.value.kind === "live" ? live().lostAtMs.value : null;
}

// Which marks touch the window that is shown? Shared by all views that draw them.

export interface Marks {
  readonly rows: readonly MarkRow[];
  /** Asks again, after one was changed. */
  readonly reload: () => void;
}

const NONE: readonly MarkRow[] = [];

/** The marks of the window, kept fresh; none while they are not known. */
export function useMarks(): Marks {
  const { data, reload } = useViewData<MarksView>(
    { topic: "marks", path: "/api/marks" },
    currentWindow.value,
  );
  return { rows: data?.marks ?? NONE, reload };
}

/** A mark as the drawings take it. */
export function markRules(marks: readonly MarkRow[]): { atMs: number; text: string }[] {
  return marks.map(({ at, text }) => ({ atMs: Date.parse(at), text }));
}

// Which moment did a person point at, to pin a mark there? Drawings say it, the form for marks takes it up.

interface Pointed {
  readonly atMs: number;
  readonly gatewayEui: string | null;
}

/** The moment last pointed at; null once it was taken or given up. */
export const pointed = signal<Pointed | null>(null);

/** A drawing was clicked at a moment, perhaps in the line of a gateway. */
export function pointAt(atMs: number, gatewayEui: string | null = null): void {
  pointed.value = { atMs: Math.round(atMs), gatewayEui };
}

// What became of what a person sent?

/** Sends something to the service: `onDone` is called when that worked, else `trouble` says what did not. */
export function useSending(onDone: () => void) {
  const [trouble, setTrouble] = useState<string | null>(null);
  const send = async (sent: Promise<Answer<unknown>>) => {
    const answer = await sent;
    setTrouble(troubleOf(answer));
    if (answer.ok) onDone();
  };
  return { trouble, setTrouble, send };
}
