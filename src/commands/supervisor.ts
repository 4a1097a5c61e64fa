/**
 * Tells a supervising systemd that the service is ready, and that it lives (sd_notify(3)). Its socket is of a kind that
 * Node does not have, so `systemd-notify` carries each word. Without a supervisor nothing happens.
 */
import { execFile } from "node:child_process";

export interface Supervision {
  readonly environment: Readonly<Record<string, string | undefined>>;
  readonly notify: (word: string) => void;
}

function notifySystemd(word: string): void {
  // What cannot be said is no fault of the service: the supervisor then does what its unit says.
  execFile("systemd-notify", [word], { timeout: 10_000 }, () => undefined).unref();
}

/**
 * Reports "ready" now, and "alive" three times within each watchdog interval (WATCHDOG_USEC). Returns what stops it. The
 * timer is the main thread's own: where that hangs, nothing is reported. The threads beside it end the service themselves.
 */
export function reportToSupervisor(
  { environment, notify }: Supervision = { environment: process.env, notify: notifySystemd },
): () => void {
  if ((environment.NOTIFY_SOCKET ?? "") === "") return () => undefined;
  notify("READY=1");
  const watchdogUs = Number(environment.WATCHDOG_USEC ?? 0);
  const timer = watchdogUs > 0 ? setInterval(() => notify("WATCHDOG=1"), watchdogUs / 3_000) : null;
  return () => {
    if (timer !== null) clearInterval(timer);
    notify("STOPPING=1");
  };
}
