/** Which helper stands open beside the page: the finder, the keys, or the list of words? One at a time. */
import { signal } from "@preact/signals";

interface Helper {
  readonly kind: "finder" | "keys" | "words";
}

export const helper = signal<Helper | null>(null);
