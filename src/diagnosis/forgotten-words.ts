/** What goes with a gateway or a node, in words. */
import type { Forgotten } from "../contract/forget.ts";

/** "12 datagrams, 3 receptions, its name and place"; without an end, to stand in a sentence. */
export function forgottenWords(kind: "gateway" | "node", of: Omit<Forgotten, "words">): string {
  const parts: [number, string][] = [
    [of.datagrams, "datagram"],
    [of.receptions, "reception"],
    [of.frames, kind === "gateway" ? "frame that nobody else heard" : "frame"],
    [of.placements, "placement"],
    [of.marks, "mark"],
    [of.keys, "set of keys"],
  ];
  const told = parts
    .filter(([count]) => count > 0)
    .map(([count, one]) => `${count.toLocaleString("en-GB")} ${count === 1 ? one : plural(one)}`);
  return [...told, "its name and its place"].join(", ");
}

function plural(one: string): string {
  const [first = "", ...rest] = one.split(" ");
  return [`${first}s`, ...rest].join(" ");
}
