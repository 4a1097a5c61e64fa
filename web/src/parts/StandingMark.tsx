/** How does a thing stand? Always a shape and a word, never a colour alone. */
import type { Standing } from "../../../src/contract/common.ts";
import "./StandingMark.css";

const SHAPES: Record<Standing, string> = { good: "✓", look: "▲", bad: "✕", waiting: "○" };

/** ✓ good, ▲ look, ✕ bad, ○ waiting; another word may be given, the shape stays. */
export function StandingMark({ standing, word }: { standing: Standing; word?: string }) {
  return (
    <span class={`standing standing-${standing}`}>
      <span aria-hidden="true">{SHAPES[standing]}</span> {word ?? standing}
    </span>
  );
}
