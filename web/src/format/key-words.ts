/** What do keys say of a node? How many frames they proved, how many fit none, how many were replayed. */
import type { KeyFigures } from "../../../src/contract/nodes.ts";
import { counted, figure } from "./format.ts";

/** One line; it never leaves open whether keys are at hand. */
export function keyFigureWords({ held, proved, invalid, replays }: KeyFigures): string {
  if (!held && proved + invalid + replays === 0)
    return "no keys at hand: identity is the address with the evidence of its counters";
  const parts = [`${counted(proved, "frame")} proved by keys`];
  if (invalid > 0)
    parts.push(`${figure(invalid)} ${invalid === 1 ? "fits" : "fit"} no key at hand (another sender)`);
  if (replays > 0) parts.push(`${figure(replays)} replayed`);
  return parts.join(", ");
}

/** How sure a moment of the link story is, in quiet words. */
export function certaintyWords(certainty: "seen" | "assumed 1.0 clear text" | "proved"): string {
  if (certainty === "seen") return "as read from the frame";
  if (certainty === "proved") return "proved by keys";
  return "assumed 1.0 clear text";
}
