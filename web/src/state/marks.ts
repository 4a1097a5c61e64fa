/** Which marks touch the window that is shown? Shared by all views that draw them. */

import { signal } from "@preact/signals";
import type { MarkRow, MarksView } from "../../../src/contract/user-data.ts";
import { currentWindow } from "./route.ts";
import { useViewData } from "./view-data.ts";

export interface Marks {
  readonly rows: readonly MarkRow[];
  /** Asks again, after one was changed. */
  readonly reload: () => void;
}

const NONE: readonly MarkRow[] = [];

/** The marks of the window, kept fresh; none while they are not known. */
export function useMarks(): Marks {
  const { data, reload } = useViewData<MarksView>(
    { topic: "marks", path: "/api/marks", key: null },
    currentWindow.value,
  );
  return { rows: data?.marks ?? NONE, reload };
}

/** A mark as the drawings take it. */
export function markRules(marks: readonly MarkRow[]): { atMs: number; text: string }[] {
  return marks.map(({ at, text }) => ({ atMs: Date.parse(at), text }));
}

// Which moment did a person point at, to pin a mark there? Drawings say it, the form for marks takes it up.

export interface Pointed {
  readonly atMs: number;
  readonly gatewayEui: string | null;
}

/** The moment last pointed at; null once it was taken or given up. */
export const pointed = signal<Pointed | null>(null);

/** A drawing was clicked at a moment, perhaps in the line of a gateway. */
export function pointAt(atMs: number, gatewayEui: string | null = null): void {
  pointed.value = { atMs: Math.round(atMs), gatewayEui };
}
