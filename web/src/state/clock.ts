/**
 * What time is it, by the service's clock? Ages are counted by the machine that stamped the receptions; a
 * phone whose clock is off by minutes must not call a fresh reception old.
 */
import { signal } from "@preact/signals";

let offsetMs = 0;

/** Now by the service's clock, renewed every five seconds; what shows an age reads it. */
export const now = signal(Date.now());

/** Now by the service's clock, this instant. */
export function serviceNowMs(): number {
  return Date.now() + offsetMs;
}

/** The service said what time it has. */
export function learnServiceTime(serviceMs: number): void {
  if (!Number.isFinite(serviceMs)) return;
  offsetMs = serviceMs - Date.now();
  now.value = serviceNowMs();
}

/** Starts the tick; called once. */
export function startClock(): void {
  setInterval(() => {
    now.value = serviceNowMs();
  }, 5000);
}
