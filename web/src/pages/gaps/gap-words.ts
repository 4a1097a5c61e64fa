/** How is a dropout told in few words? Its cause, how sure that is, how long it was and what it cost. */
import type { Cause, DropoutRow, EpisodeRow, FindingWord } from "../../../../src/contract/gaps.ts";
import { CAUSE_LABELS } from "../../../../src/words/causes.ts";
import { counted, duration, figure, percent } from "../../format/format.ts";

export const ALL_CAUSES = Object.keys(CAUSE_LABELS) as Cause[];

/** "weak link": a cause as a person says it. */
export function causeWords(cause: Cause): string {
  return CAUSE_LABELS[cause];
}

/** "likely, 82 %". No figure beside a gap that nothing explains. */
export function confidenceWords({ word, confidence }: { word: FindingWord; confidence: number }): string {
  if (word === "undecided") return word;
  // Never rounded up to a certainty that it is not.
  return `${word}, ${percent(Math.floor(confidence * 100) / 100, 0)}`;
}

/** Length in seconds; an open one reaches to the newest moment known. */
export function lengthSeconds({ from, to }: { from: string; to: string }): number {
  return (Date.parse(to) - Date.parse(from)) / 1000;
}

/** "7 min", "9 min so far". */
export function lengthWords(row: { from: string; to: string; open: boolean }): string {
  return `${duration(lengthSeconds(row))}${row.open ? " so far" : ""}`;
}

/** What a dropout cost: "3 missed", "9 of 40 missed", "silent, about 3 frames due". */
export function costWords(row: DropoutRow): string {
  if (row.kind === "steady")
    return `${figure(row.missedCounters)} of ${figure(row.missedCounters + row.heardCounters)} missed`;
  if (row.missedCounters > 0) return `${figure(row.missedCounters)} missed`;
  if (row.expectedByRhythm === null) return "silent";
  return `silent, about ${counted(Math.round(row.expectedByRhythm), "frame")} due`;
}

/** Which counters: "FCnt 1803 to 1805"; empty where none is known to be missing. */
export function counterWords({ firstMissedCounter: first, lastMissedCounter: last }: DropoutRow): string {
  if (first === null || last === null) return "";
  return first === last ? `FCnt ${first}` : `FCnt ${first} to ${last}`;
}

/** "Frost probe row 12", else its address. */
export function nodeTitle({ name, devAddr }: { name: string | null; devAddr: string }): string {
  return name ?? devAddr;
}

/** "3 nodes at Packing shed", "5 nodes of the whole site". */
export function episodeTitle({ nodes, gateway, gatewayName }: EpisodeRow): string {
  const where = gatewayName ?? gateway;
  if (nodes === 0) return where ?? "a gateway";
  const who = counted(nodes, "node");
  return where === null ? `${who} of the whole site` : `${who} at ${where}`;
}
