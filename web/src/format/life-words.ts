/** How is a counter life told? Its beginning as a sentence in local time, and in words what proves whose it was. */
import type { LifeRow } from "../../../src/contract/nodes.ts";
import { dayMonth, fullDate, hourMinute } from "./times.ts";

/** "at 14:02" today, "on 14 Apr at 14:02" this year, "on 14 Apr 2025 at 14:02" before. */
export function atWords(ms: number, nowMs: number): string {
  const time = `at ${hourMinute(ms)}`;
  if (fullDate(ms) === fullDate(nowMs)) return time;
  const sameYear = new Date(ms).getFullYear() === new Date(nowMs).getFullYear();
  return `on ${sameYear ? dayMonth(ms) : fullDate(ms)} ${time}`;
}

/** "new life at 14:02: counter fell from 4,212 to 0, no join heard". */
export function lifeBeginning(
  life: Pick<LifeRow, "begunBy" | "reason" | "firstHeard">,
  nowMs: number,
): string {
  const what = life.begunBy === "first-heard" ? "first life" : "new life";
  return `${what} ${atWords(Date.parse(life.firstHeard), nowMs)}: ${life.reason}`;
}

const SHORT: Readonly<Record<string, string>> = {
  "first-heard": "first heard",
  join: "joined",
  "counter-reset": "counter reset",
  "second-device": "another device",
};

/** Two words for a drawing, where the sentence has no room. */
export function lifeLabel(life: Pick<LifeRow, "begunBy">): string {
  return SHORT[life.begunBy] ?? "new life";
}

/** What ties a life to its device; "–" where nothing does. */
export function proofWords(proof: LifeRow["proof"]): string {
  if (proof === "mic") return "its keys proved its frames";
  if (proof === "join-time") return "its join-request was heard just before";
  return "–";
}
