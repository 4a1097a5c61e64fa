/**
 * Margin ladder and RSSI: how strongly did each gateway hear the node over time? Axes, cursor and selection are
 * uPlot's; rungs, dots and labels are drawn here. A stretch that is drawn over with the mouse becomes the window
 * of the whole dashboard.
 */
import { useEffect, useLayoutEffect, useRef, useState } from "preact/hooks";
import uPlot from "uplot";
import "uplot/dist/uPlot.min.css";
import type { SignalSeries } from "../../../src/contract/nodes.ts";
import { drawMarkRules, type MarkRule } from "../../../src/drawings/sheet.ts";
import { dbm, decibel, figure } from "../../../src/words/format.ts";
import { clockTime, gatewayTitle } from "../format.ts";
import { chooseWindow } from "../state/route.ts";
import { forgetPaint, paintSoon, readInks, watchSurroundings } from "./Canvas.tsx";
import {
  drawRules,
  drawRungs,
  drawSeries,
  drawStepLabels,
  drawSteps,
  ladderMarks,
  type Plot,
  type PlotStep,
  plotX,
} from "./draw-signal.ts";
import { drawLabels, type PlotMark, PlotMarks, placeMarks, timeMarks } from "./plot-edges.tsx";
import { factsOf, nearestPoint } from "./signal-columns.ts";
import "./SignalPlot.css";

export interface SignalPlotProps {
  readonly series: readonly SignalSeries[];
  readonly show: "snr" | "rssi";
  readonly fromMs: number;
  readonly toMs: number;
  readonly label: string;
  /** Moments at which something about the link changed: a thin rule each. */
  readonly marks?: readonly PlotMark[];
  /** Steps of the level, drawn as such. */
  readonly steps?: readonly PlotStep[];
  /** What people noted: a dashed rule each, with its text. */
  readonly notes?: readonly MarkRule[];
}

/** On a narrow page the names stand above the plot: at the ends of the lines there is no room. */
function isNarrow(): boolean {
  return matchMedia("(max-width: 700px)").matches;
}

/** One plot; several on a page share their cursor. */
export function SignalPlot(props: SignalPlotProps) {
  const host = useRef<HTMLDivElement>(null);
  const plot = useRef<uPlot | null>(null);
  const latest = useRef(props);
  latest.current = props;
  const [reading, setReading] = useState<string | null>(null);

  useLayoutEffect(() => {
    const element = host.current;
    if (element === null) return;
    const made = new uPlot(options(latest, element, setReading), [[], []], element);
    plot.current = made;
    const stop = watchSurroundings(element, () =>
      made.setSize({ width: element.clientWidth, height: heightOf(latest.current.show) }),
    );
    return () => {
      stop();
      forgetPaint(redraw.current);
      made.destroy();
      plot.current = null;
    };
  }, []);
  const redraw = useRef(() => {
    const { fromMs, toMs } = latest.current;
    plot.current?.setData([
      [fromMs, toMs],
      [null, null],
    ]);
  });
  useEffect(() => {
    paintSoon(redraw.current);
  }, [props.series, props.marks, props.steps, props.notes, props.fromMs, props.toMs]);

  return (
    <div class="signal-plot">
      {props.show === "snr" ? (
        <p class="signal-names small" aria-hidden="true">
          {props.series.map((one, index) => (
            <span key={one.gatewayEui} class={`signal-name series-${(index % 4) + 1}`}>
              {gatewayTitle(one)}
            </span>
          ))}
        </p>
      ) : null}
      <div class="signal-stand">
        <div ref={host} role="img" aria-label={props.label} class="signal-sheet" />
        <PlotMarks marks={props.marks ?? []} label="Changes of the data rate" onRead={setReading} />
      </div>
      <p class="signal-reading small quiet">{reading ?? "\u00A0"}</p>
    </div>
  );
}

function heightOf(show: SignalPlotProps["show"]): number {
  return show === "snr" ? 300 : 170;
}

function columnOf(series: SignalSeries, show: SignalPlotProps["show"]): readonly (number | null)[] {
  return show === "snr" ? series.snrDb : series.rssiDbm;
}

function rangeOf({ series, show }: SignalPlotProps): [number, number] {
  const found = show === "snr" ? factsOf(series).snrDb : factsOf(series).rssiDbm;
  // The ladder is always whole: SF12's rung at −20 dB and air above the best frame.
  if (show === "snr") return [Math.min(-22, (found?.[0] ?? 0) - 1), Math.max(2, (found?.[1] ?? 0) + 3)];
  return found === null ? [-130, -60] : [Math.floor(found[0] / 5) * 5 - 5, Math.ceil(found[1] / 5) * 5 + 5];
}

function options(
  latest: { current: SignalPlotProps },
  host: HTMLElement,
  setReading: (words: string | null) => void,
): uPlot.Options {
  const show = latest.current.show;
  const rightOf = () => (isNarrow() ? 8 : 128);
  const axis = (scale: "x" | "y"): uPlot.Axis => ({
    scale,
    stroke: () => readInks().quiet,
    font: `13px ${readInks().sans}`,
    grid: { show: false },
    ticks: { stroke: () => readInks().line, size: 4 },
    border: { show: true, stroke: () => readInks().line },
  });
  return {
    width: host.clientWidth,
    height: heightOf(show),
    ms: 1,
    padding: [22, rightOf, 0, 0],
    legend: { show: false },
    scales: {
      x: { time: false, range: () => [latest.current.fromMs, latest.current.toMs] },
      y: { range: () => rangeOf(latest.current) },
    },
    series: [{}, { scale: "y", paths: () => null, points: { show: false } }],
    axes: [
      {
        ...axis("x"),
        size: 30,
        splits: (self, _axis, min, max) =>
          timeMarks(min, max, self.bbox.width / uPlot.pxRatio / 84).map((mark) => mark.ms),
        values: (self, splits) => {
          const labels = new Map(
            timeMarks(latest.current.fromMs, latest.current.toMs, self.bbox.width / uPlot.pxRatio / 84).map(
              (mark) => [mark.ms, mark.label],
            ),
          );
          return splits.map((split) => labels.get(split) ?? "");
        },
      },
      {
        ...axis("y"),
        size: 88,
        ...(show === "snr"
          ? {
              splits: (_self, _axis, _min, max) => ladderMarks(max).map((mark) => mark.value),
              values: (_self, splits) => {
                const labels = new Map(
                  ladderMarks(splits.at(-1) ?? 0).map((mark) => [mark.value, mark.label]),
                );
                return splits.map((split) => labels.get(split) ?? "");
              },
            }
          : { space: 36, values: (_self, splits) => splits.map((split) => figure(split)) }),
      },
    ],
    cursor: {
      y: false,
      points: { show: false },
      drag: { x: true, y: false, setScale: false },
      sync: { key: "signal", scales: ["x", null] },
    },
    hooks: {
      drawAxes: [
        (self) => {
          drawAll(self, latest.current);
          standMarks(self, host, latest.current);
        },
      ],
      setCursor: [(self) => setReading(readingAt(self, latest.current))],
      setSelect: [
        (self) => {
          if (self.select.width < 8) return;
          const fromMs = Math.floor(self.posToVal(self.select.left, "x"));
          const toMs = Math.ceil(self.posToVal(self.select.left + self.select.width, "x"));
          self.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          if (toMs - fromMs >= 10_000) chooseWindow({ kind: "fixed", fromMs, toMs });
        },
      ],
    },
  };
}

/** The heads of the marks stand where the rules are drawn. */
function standMarks(self: uPlot, host: HTMLElement, { fromMs, toMs }: SignalPlotProps): void {
  const stand = host.parentElement;
  if (stand === null) return;
  const left = self.bbox.left / uPlot.pxRatio;
  placeMarks(stand, (ms) => (ms < fromMs || ms > toMs ? null : left + self.valToPos(ms, "x")));
}

function drawAll(self: uPlot, { series, show, fromMs, toMs, marks, steps, notes }: SignalPlotProps): void {
  const inks = readInks();
  const plot: Plot = {
    ctx: self.ctx,
    inks,
    ratio: uPlot.pxRatio,
    ...{ left: self.bbox.left, top: self.bbox.top, width: self.bbox.width, height: self.bbox.height },
    fromMs,
    toMs,
    low: self.scales.y?.min ?? 0,
    high: self.scales.y?.max ?? 1,
  };
  const { ctx } = plot;
  ctx.save();
  ctx.beginPath();
  ctx.rect(plot.left, plot.top, plot.width, plot.height);
  ctx.clip();
  if (show === "snr") drawRungs(plot, factsOf(series).spreadingFactors);
  drawRules(
    plot,
    (marks ?? []).map((mark) => mark.atMs),
  );
  drawSteps(plot, steps ?? []);
  const ends = series.map((one, index) => drawSeries(plot, one, columnOf(one, show), index, show === "snr"));
  const { ratio, top, left, width, height } = plot;
  const xOf = (ms: number) => (ms < fromMs || ms > toMs ? null : plotX(plot, ms));
  drawMarkRules({ ctx, inks, top, bottom: top + height, right: left + width, ratio, xOf }, notes ?? []);
  drawStepLabels(plot, steps ?? []);
  ctx.restore();
  ctx.save();
  ctx.font = `${13 * ratio}px ${inks.sans}`;
  ctx.fillStyle = inks.quiet;
  // Right of the axis: left of it stand the figures.
  ctx.textAlign = "left";
  ctx.textBaseline = "bottom";
  ctx.fillText(show === "snr" ? "SNR, dB" : "RSSI, dBm", left, top - 3 * ratio);
  if (!isNarrow()) drawLabels(plot, series, ends);
  ctx.restore();
}

/** What stands under the cursor, in words; null when nothing is near. */
function readingAt(self: uPlot, { series, show, fromMs, toMs }: SignalPlotProps): string | null {
  const { left, top } = self.cursor;
  if (left === undefined || left < 0) return null;
  const ms = self.posToVal(left, "x");
  const reachMs = ((toMs - fromMs) / (self.bbox.width / uPlot.pxRatio)) * 12;
  let best: { words: string; distance: number } | null = null;
  for (const one of series) {
    const at = nearestPoint(one.atMs, columnOf(one, show), ms, reachMs);
    const value = at === null ? null : (columnOf(one, show)[at] ?? null);
    if (at === null || value === null) continue;
    // A cursor that is only shared from another plot has no height: then the first gateway is as good as any.
    const distance = top === undefined || top < 0 ? 0 : Math.abs(self.valToPos(value, "y") - top);
    if (best !== null && distance >= best.distance) continue;
    const factor = one.spreadingFactor[at];
    const parts = [
      clockTime(one.atMs[at] ?? 0),
      gatewayTitle(one),
      `SNR ${decibel(one.snrDb[at])}`,
      factor == null ? "" : `SF${factor}`,
      `margin ${decibel(one.marginDb[at])}`,
      `RSSI ${dbm(one.rssiDbm[at])}`,
    ];
    best = { words: parts.filter((part) => part !== "").join(" · "), distance };
  }
  return best?.words ?? null;
}
