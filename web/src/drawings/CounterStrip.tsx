/**
 * Counter strip: which counters were heard, which were missed, and when? Arrow keys move from counter to counter,
 * Enter opens the frame; a click does both.
 */
import { useRef, useState } from "preact/hooks";
import type { CounterTick } from "../../../src/contract/nodes.ts";
import type { MarkRule } from "../../../src/drawings/sheet.ts";
import { counted } from "../../../src/words/format.ts";
import { exactTime } from "../format.ts";
import { LinkButton } from "../parts/form.tsx";
import { pointAt } from "../state/view-data.ts";
import { Canvas, type Sheet } from "./Canvas.tsx";
import { layoutStrip, nearestTick, type StripLayout } from "./counter-layout.ts";
import { drawStrip, LABEL_PX, type LifeRule, MARKS_PX, ROW_PX } from "./draw-counters.ts";
import "./CounterStrip.css";

export interface CounterStripProps {
  readonly ticks: readonly CounterTick[];
  readonly lives: readonly LifeRule[];
  /** What people noted. */
  readonly marks: readonly MarkRule[];
  readonly label: string;
  readonly onOpen: (frameId: number) => void;
}

/** The strip with its reading line beneath. */
export function CounterStrip({ ticks, lives, marks, label, onOpen }: CounterStripProps) {
  // The counter, not its place: a new tick must not move the selection to a neighbour.
  const [counter, setCounter] = useState<number | null>(null);
  const layout = useRef<StripLayout>({ unit: "hour", rows: [] });
  const selected = counter === null ? null : ticks.findIndex((tick) => tick.counter === counter);
  const current = selected === null || selected < 0 ? null : (ticks[selected] ?? null);

  const select = (index: number) => {
    const tick = ticks[Math.min(Math.max(index, 0), ticks.length - 1)];
    if (tick !== undefined) setCounter(tick.counter);
  };
  const open = (tick: CounterTick | null) => {
    if (tick?.frameId != null) onOpen(tick.frameId);
  };
  const onKeyDown = (event: KeyboardEvent) => {
    const at = selected ?? ticks.length;
    const row = layout.current.rows.find((candidate) => at >= candidate.first && at < candidate.end);
    const steps: Record<string, () => void> = {
      ArrowLeft: () => select(at - 1),
      ArrowRight: () => select(selected === null ? ticks.length - 1 : at + 1),
      ArrowUp: () => select((row?.first ?? at) - 1),
      ArrowDown: () => select(row?.end ?? at + 1),
      Home: () => select(0),
      End: () => select(ticks.length - 1),
      Enter: () => open(current),
    };
    const step = steps[event.key];
    if (step === undefined || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    step();
  };
  const onClick = (event: MouseEvent) => {
    if (!(event.currentTarget instanceof Element)) return;
    const box = event.currentTarget.getBoundingClientRect();
    const row = layout.current.rows[Math.floor((event.clientY - box.top) / ROW_PX)];
    if (row === undefined) return;
    const share = (event.clientX - box.left - LABEL_PX - 2) / (box.width - LABEL_PX - 6);
    const nearest = nearestTick(ticks, row, row.fromMs + share * (row.toMs - row.fromMs));
    if (nearest === null) return;
    select(nearest);
    open(ticks[nearest] ?? null);
  };
  const draw = (sheet: Sheet) => drawStrip(sheet, layout.current, ticks, { lives, marks }, selected);
  const height = (width: number) => {
    layout.current = layoutStrip(ticks, width - LABEL_PX);
    return Math.max(1, layout.current.rows.length) * ROW_PX + MARKS_PX;
  };

  return (
    <div class="counter-strip">
      <div
        class="counter-strip-sheet"
        role="slider"
        tabIndex={0}
        aria-label={`${label} Arrow keys move, Enter opens the frame.`}
        aria-valuemin={0}
        aria-valuemax={Math.max(0, ticks.length - 1)}
        aria-valuenow={selected === null || selected < 0 ? ticks.length - 1 : selected}
        aria-valuetext={current === null ? "no counter chosen" : describeTick(current)}
        onKeyDown={onKeyDown}
        onClick={onClick}
      >
        <Canvas height={height} draw={draw} label={label} />
      </div>
      <p class="counter-strip-reading small">
        {current === null ? (
          <span class="quiet">Choose a counter: click, or arrows and Enter.</span>
        ) : (
          <>
            {describeTick(current)}
            {current.frameId === null ? null : (
              <LinkButton onClick={() => open(current)}>open the frame</LinkButton>
            )}
            <LinkButton class="link screen-only" onClick={() => pointAt(current.atMs)}>
              add a mark here
            </LinkButton>
          </>
        )}
      </p>
    </div>
  );
}

const FATES: Record<CounterTick["fate"], string> = {
  heard: "heard by every gateway that hears this node",
  "heard-by-some": "heard by some of its gateways",
  missed: "missed",
  "missed-during-outage": "missed while no gateway was reachable",
  "not-recorded": "not recorded: nothing was listening when it was due",
};

/** "FCnt 1842, heard …, 14 Mar 2026, 09:03:22, repeated once". */
export function describeTick(tick: CounterTick): string {
  const dated = tick.fate === "heard" || tick.fate === "heard-by-some" ? "" : "about ";
  const repeats = tick.repeats === 0 ? "" : `, ${counted(tick.repeats, "repeat")}`;
  return `FCnt ${tick.counter}: ${FATES[tick.fate]}, ${dated}${exactTime(tick.atMs)}${repeats}`;
}
