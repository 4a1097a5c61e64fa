/** Which place does a person mean who types "51.5001, −0.2501" or "12 m, −40 m"? */
import type { Position } from "../../../../src/contract/marks.ts";

export type ReadPlace =
  | { readonly ok: true; readonly position: Position | null }
  | { readonly ok: false; readonly sentence: string };

const WRONG: ReadPlace = {
  ok: false,
  sentence: "A place is “51.5001, −0.2501” (north and east in degrees) or “12 m, −40 m” (east and north).",
};

/** Nothing typed is no place; two numbers are degrees north and east, with "m" metres east and north. */
export function readPlace(text: string): ReadPlace {
  const words = text.trim().replaceAll("\u2212", "-");
  if (words === "") return { ok: true, position: null };
  const match = /^(-?\d+(?:\.\d+)?) ?(m?)[,;\s]+(-?\d+(?:\.\d+)?) ?(m?)$/.exec(words);
  if (match === null || match[2] !== match[4]) return WRONG;
  const [first, second] = [Number(match[1]), Number(match[3])];
  if (match[2] === "m") {
    if (Math.abs(first) > 100_000 || Math.abs(second) > 100_000) return WRONG;
    return { ok: true, position: { eastMetres: first, northMetres: second } };
  }
  if (Math.abs(first) > 90 || Math.abs(second) > 180) return WRONG;
  return { ok: true, position: { latitude: first, longitude: second } };
}
