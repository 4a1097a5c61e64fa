/** How far are the exports that the service writes? Asked while one runs, as the browser does not say it of a download. */
import { signal } from "@preact/signals";
import type { ExportProgress, ExportsView } from "../../../src/contract/export.ts";
import { getJson } from "./api.ts";

const ASK_EVERY_MS = 1_000;
/** A download that was just asked for has not begun yet. */
const LOOKS_BEFORE_END = 3;

/** Those that run, and those that ended in the last minute. */
export const exportsShown = signal<readonly ExportProgress[]>([]);

let looksLeft = 0;
let isAsking = false;

/** Asks each second until none runs any more, `looks` times at least. */
export function watchExports(looks = LOOKS_BEFORE_END): void {
  looksLeft = Math.max(looks, looksLeft);
  if (isAsking) return;
  isAsking = true;
  void ask();
}

async function ask(): Promise<void> {
  const answer = await getJson<ExportsView>("/api/exports");
  if (answer.ok) exportsShown.value = answer.value.exports;
  const runs = exportsShown.value.some(({ state }) => state === "running");
  looksLeft = runs && answer.ok ? 1 : looksLeft - 1;
  if (looksLeft <= 0) {
    isAsking = false;
    return;
  }
  setTimeout(() => void ask(), ASK_EVERY_MS);
}
