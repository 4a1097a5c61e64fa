/** When was it? In a live window its age; in a fixed one, which may lie far back, the moment itself. */
import { momentTime } from "../format/times.ts";
import { now } from "../state/clock.ts";
import { currentWindow } from "../state/route.ts";
import { Age, TimeWords } from "./Age.tsx";

/** "3 min ago", or "14 Apr 09:45" where the window is a fixed one. */
export function When({ at }: { at: string }) {
  if (currentWindow.value.kind === "live") return <Age at={at} />;
  return <TimeWords at={at} words={momentTime(Date.parse(at), now.value)} />;
}
