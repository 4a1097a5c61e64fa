/**
 * Since when do the figures on the page no longer follow? A live window without a live line is stale from the
 * moment the line was lost; a fixed window is never stale.
 */
import { live } from "./live.ts";
import { currentWindow } from "./route.ts";

/** Epoch milliseconds of the moment the figures stopped following, or null. */
export function staleSinceMs(): number | null {
  return currentWindow.value.kind === "live" ? live().lostAtMs.value : null;
}
