/**
 * The score of a site: heartbeats, loud channels and the nodes that need a look on one time axis, so that what happened
 * together is seen together. One line reads the same moment in all rows; a name at the left opens its page, at the moment
 * that is held.
 */
import { type Signal, useSignal } from "@preact/signals";
import { useEffect, useRef, useState } from "preact/hooks";
import type { SiteView } from "../../../../src/contract/site.ts";
import type { MarkRow } from "../../../../src/contract/user-data.ts";
import type { ScoreLayout } from "../../../../src/drawings/draw-node.ts";
import { AXIS_PX, drawSite, layoutScore } from "../../../../src/drawings/draw-site.ts";
import { xOf } from "../../../../src/drawings/sheet.ts";
import { readingAt, type ScoreRow, scoreColumns, scoreRows } from "../../../../src/drawings/site.ts";
import { Canvas, type Sheet } from "../../drawings/Canvas.tsx";
import { clockTime, exactTime, gatewayName, hourMinute } from "../../format.ts";
import { LinkButton } from "../../parts/form.tsx";
import { StandingMark } from "../../parts/page.tsx";
import { linkTo } from "../../state/route.ts";
import { markRules, pointAt } from "../../state/view-data.ts";
import type { WindowChoice } from "../../state/window.ts";
import "./SiteScore.css";

const NARROW = "(max-width: 700px)";

function useNarrow(): boolean {
  const [narrow, setNarrow] = useState(() => matchMedia(NARROW).matches);
  useEffect(() => {
    const query = matchMedia(NARROW);
    const changed = () => setNarrow(query.matches);
    query.addEventListener("change", changed);
    return () => query.removeEventListener("change", changed);
  }, []);
  return narrow;
}

export interface SiteScoreProps {
  readonly site: SiteView;
  readonly marks: readonly MarkRow[];
  readonly label: string;
}

/** The drawing with its names, its line and what the line reads. */
export function SiteScore({ site, marks, label }: SiteScoreProps) {
  const narrow = useNarrow();
  /** The moment under the pointer, and the one that is held; epoch milliseconds. */
  const under = useSignal<number | null>(null);
  const held = useSignal<number | null>(null);
  const frame = useRef<HTMLDivElement>(null);
  const rows = scoreRows(site, gatewayName);
  const columns = scoreColumns(site, rows);
  const window = { fromMs: Date.parse(site.window.from), toMs: Date.parse(site.window.to) };
  const layoutFor = (width: number) => layoutScore(rows, columns, window, width, narrow);
  const { bottom, rows: placed } = layoutFor(1000);
  const recorded = site.recorded.map(({ from, to }) => ({ fromMs: Date.parse(from), toMs: Date.parse(to) }));
  const draw = (sheet: Sheet) =>
    drawSite(sheet, layoutFor(sheet.width), { columns, marks: markRules(marks), recorded });
  return (
    <div class={narrow ? "site-score site-score-narrow" : "site-score"} ref={frame}>
      <Canvas height={bottom + AXIS_PX} draw={draw} label={label} />
      <ul class="site-score-names">
        {placed.map(({ row, top, height }) => (
          <li
            key={row.key}
            class={row.kind}
            style={narrow ? { top: `${top - 24}px` } : { top: `${top}px`, height: `${height}px` }}
          >
            <RowName row={row} under={under} held={held} window={window} />
          </li>
        ))}
      </ul>
      <Cursor
        under={under}
        held={held}
        window={window}
        rows={placed}
        height={bottom}
        layout={() => layoutFor(frame.current?.clientWidth ?? 1000)}
      />
      <Held held={held} />
    </div>
  );
}

interface Moments {
  readonly under: Signal<number | null>;
  readonly held: Signal<number | null>;
  readonly window: { readonly fromMs: number; readonly toMs: number };
}

/** A row's name, its mark, and its note: of the whole window, or of the moment under the line. */
function RowName({ row, under, held, window }: Moments & { row: ScoreRow }) {
  const at = under.value ?? held.value;
  const around = held.value === null ? undefined : windowAround(held.value, window);
  return (
    <>
      <span class="site-score-title">
        {row.standing === null ? null : <StandingMark standing={row.standing} word="" />}
        <a href={linkTo(row.path, {}, around)}>
          {row.kind === "node" && row.node.name === null ? <span class="mono">{row.title}</span> : row.title}
        </a>
      </span>
      <span class={at === null ? "site-score-note quiet" : "site-score-note"}>
        {at === null ? row.note : readingAt(row, at, window.fromMs)}
      </span>
    </>
  );
}

/** A sixth of the window about a moment, ten minutes at least. */
function windowAround(ms: number, { fromMs, toMs }: Moments["window"]): WindowChoice {
  const half = Math.max(300_000, (toMs - fromMs) / 12);
  return { kind: "fixed", fromMs: Math.round(ms - half), toMs: Math.round(ms + half) };
}

interface CursorProps extends Moments {
  readonly rows: ScoreLayout["rows"];
  readonly height: number;
  readonly layout: () => ScoreLayout;
}

/** The line through all rows: follows the pointer, walks with the arrow keys, and stays where it is held. */
function Cursor({ under, held, window, rows, height, layout }: CursorProps) {
  const { fromMs, toMs } = window;
  const at = under.value ?? held.value;
  const scale = layout().scale;
  const step = (toMs - fromMs) / 240;
  const msAt = (event: MouseEvent) => {
    if (!(event.currentTarget instanceof Element)) return null;
    const box = event.currentTarget.getBoundingClientRect();
    const share = (event.clientX - box.left) / box.width;
    return fromMs + Math.min(1, Math.max(0, share)) * (toMs - fromMs);
  };
  const hold = (event: MouseEvent) => {
    held.value = msAt(event);
    under.value = null;
  };
  const onKeyDown = (event: KeyboardEvent) => {
    const now = held.value ?? toMs;
    const to: Record<string, number | null> = {
      ArrowLeft: now - step,
      ArrowRight: now + step,
      PageUp: now - 10 * step,
      PageDown: now + 10 * step,
      Home: fromMs,
      End: toMs,
      Escape: null,
    };
    const next = to[event.key];
    if (next === undefined || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    held.value = next === null ? null : Math.min(toMs, Math.max(fromMs, next));
    under.value = null;
  };
  const x = at === null ? 0 : xOf(scale, at) - scale.left;
  const readings = (ms: number) =>
    rows.map(({ row }) => `${row.title}: ${readingAt(row, ms, fromMs)}`).join("; ");
  return (
    <div
      class="site-score-plot screen-only"
      style={{ left: `${scale.left}px`, right: `${scale.left === 0 ? 0 : 8}px`, height: `${height}px` }}
      role="slider"
      tabIndex={0}
      aria-label="Moment read in all rows. Arrow keys move, Escape clears it."
      aria-valuemin={0}
      aria-valuemax={240}
      aria-valuenow={at === null ? 240 : Math.round((at - fromMs) / step)}
      aria-valuetext={at === null ? "no moment chosen" : `${exactTime(at)}. ${readings(at)}`}
      onPointerMove={(event) => {
        if (event.pointerType !== "touch" || event.buttons > 0) under.value = msAt(event);
      }}
      onPointerLeave={() => {
        under.value = null;
      }}
      onClick={hold}
      onKeyDown={onKeyDown}
    >
      {at === null ? null : (
        <>
          <span class="site-score-line" style={{ transform: `translateX(${x.toFixed(1)}px)` }} />
          <span
            class="site-score-time"
            style={{ transform: `translateX(${x.toFixed(1)}px) translateX(${x < 40 ? "0" : "-50%"})` }}
          >
            {toMs - fromMs < 7_200_000 ? clockTime(at) : hourMinute(at)}
          </span>
        </>
      )}
    </div>
  );
}

/** What can be done with the moment that is held; a line of its own that is always there. */
function Held({ held }: Pick<Moments, "held">) {
  const at = held.value;
  return (
    <p class="site-score-held small quiet screen-only">
      {at === null ? (
        "Point at a moment to read it in every row; click, or use the arrow keys, to hold it."
      ) : (
        <>
          {exactTime(at)} is held: a name opens its page there.{" "}
          <LinkButton onClick={() => pointAt(at)}>add a mark here</LinkButton> ·{" "}
          <LinkButton
            onClick={() => {
              held.value = null;
            }}
          >
            clear
          </LinkButton>
        </>
      )}
    </p>
  );
}
