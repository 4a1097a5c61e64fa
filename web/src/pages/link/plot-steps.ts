/** Which steps does the ladder draw, and how far do their treads reach? */
import type { NodePage } from "../../../../src/contract/nodes.ts";
import type { PlotStep } from "../../drawings/draw-steps.ts";
import { gatewayTitle } from "../../format/format.ts";
import { now } from "../../state/clock.ts";
import { shiftWords, stepTime } from "./link-words.ts";

/** In order of time, of all gateways. A tread reaches to the neighbouring step, or to the window's end. */
export function plotSteps(page: NodePage, toMs: number): PlotStep[] {
  const fromMs = Date.parse(page.window.from);
  const nowMs = now.value;
  return page.links
    .flatMap((link) => {
      const series = page.series.findIndex((one) => one.gatewayEui === link.gatewayEui);
      return link.shifts.flatMap((shift, at): PlotStep[] => {
        if (series < 0 || shift.snrFromDb === null || shift.snrToDb === null) return [];
        const atMs = Date.parse(shift.at);
        const before = link.shifts[at - 1];
        const after = link.shifts[at + 1];
        return [
          {
            series,
            atMs,
            fromMs: before === undefined ? fromMs : Date.parse(before.at),
            toMs: after === undefined ? toMs : Date.parse(after.at),
            fromDb: shift.snrFromDb,
            toDb: shift.snrToDb,
            sizeDb: shift.sizeDb,
            when: stepTime(atMs, toMs - fromMs, nowMs),
            sentence: `${shiftWords(shift, nowMs)} (${gatewayTitle(link)})`,
          },
        ];
      });
    })
    .sort((a, b) => a.atMs - b.atMs);
}
