/** Which marks touch the window that is shown? Shared by all views that draw them. */
import type { MarkRow, MarksView } from "../../../src/contract/marks.ts";
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
