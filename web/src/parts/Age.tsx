/** How long ago? In words that keep up with the clock; the exact time on hover and on focus. */
import { age, exactTime } from "../format/times.ts";
import { now } from "../state/clock.ts";
import "./Age.css";

/** "3 min ago" for an ISO time; "never" without one. */
export function Age({ at, never = "never" }: { at: string | null; never?: string }) {
  if (at === null) return <span>{never}</span>;
  const ms = Date.parse(at);
  return (
    // biome-ignore lint/a11y/noNoninteractiveTabindex: the exact time must be reachable without a mouse
    <time class="age" dateTime={at} tabIndex={0}>
      {age(ms, now.value)}
      <span class="age-exact">{exactTime(ms)}</span>
    </time>
  );
}
