/** How long ago? In words that keep up with the clock; the exact time on hover and on focus. */
import { age, exactTime } from "../format/times.ts";
import { now } from "../state/clock.ts";
import "./Age.css";

/** "3 min ago" for an ISO time; "never" without one. */
export function Age({ at, never = "never" }: { at: string | null; never?: string }) {
  if (at === null) return <span>{never}</span>;
  return <TimeWords at={at} words={age(Date.parse(at), now.value)} />;
}

/** A time in words that are not exact; the exact one comes on hover and on focus. */
export function TimeWords({ at, words }: { at: string; words: string }) {
  return (
    // biome-ignore lint/a11y/noNoninteractiveTabindex: the exact time must be reachable without a mouse
    <time class="age" dateTime={at} tabIndex={0}>
      {words}
      <span class="age-exact">{exactTime(Date.parse(at))}</span>
    </time>
  );
}
