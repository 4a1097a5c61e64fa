/** Which helper stands open beside the page: the finder, the keys, or the explanation of a word? One at a time. */
import { signal } from "@preact/signals";
import type { Term } from "../../../src/words/glossary.ts";

export type Helper =
  | { readonly kind: "finder" }
  | { readonly kind: "keys" }
  | { readonly kind: "words"; readonly term: Term | null };

export const helper = signal<Helper | null>(null);

function isTyping(target: EventTarget | null): boolean {
  return (
    target instanceof HTMLElement && target.closest("input, textarea, select, [contenteditable]") !== null
  );
}

/** Follows the keys "/", "?" and Escape; called once. */
export function followKeys(): void {
  addEventListener("keydown", (event) => {
    if (event.key === "Escape" && helper.value !== null) helper.value = null;
    if (event.ctrlKey || event.metaKey || event.altKey || isTyping(event.target)) return;
    if (event.key !== "/" && event.key !== "?") return;
    event.preventDefault();
    helper.value = { kind: event.key === "/" ? "finder" : "keys" };
  });
}
