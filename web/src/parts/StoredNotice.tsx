/** Is the window empty because what is stored lies elsewhere? Then the page says where, and leads there. */
import type { ServiceStatus } from "../../../src/contract/status.ts";
import { spanWords } from "../format/times.ts";
import { now } from "../state/clock.ts";
import { chooseWindow, currentWindow } from "../state/route.ts";
import { describeWindow, storedWindow, windowEnds } from "../state/window.ts";

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
