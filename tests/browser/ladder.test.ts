/** Does the margin ladder stay smooth with 100,000 points? Measured in the browser: redraws, and frames while the mouse moves. */
import type { Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { NodePage } from "../../src/contract/index.ts";
import { chromiumIsHere } from "./chromium.ts";
import { changing, type Dashboard, sharedDashboard } from "./dashboard.ts";
import { KEYED, MORNING } from "./sample-store.ts";

const POINTS_A_GATEWAY = 50_000;
/** Chosen: a change of width draws both plots and lays the whole page out anew, in software, on a machine that does other work too. */
const REDRAW_MS = 150;
/** Two frames at 60 Hz: what a move may take of the main thread, so that the reading keeps up with the mouse. */
const MOVE_MS = 34;

/** A series with so many points in the same time, its values over and over. */
function repeated(series: NodePage["series"][number], points: number): NodePage["series"][number] {
  const { atMs } = series;
  const [first = 0, last = 0] = [atMs[0], atMs.at(-1)];
  const all = <T>(values: readonly T[]): T[] =>
    Array.from({ length: points }, (_, i) => values[i % values.length] as T);
  return {
    ...series,
    atMs: Array.from({ length: points }, (_, i) => Math.round(first + ((last - first) * i) / (points - 1))),
    rssiDbm: all(series.rssiDbm),
    snrDb: all(series.snrDb),
    spreadingFactor: all(series.spreadingFactor),
    marginDb: all(series.marginDb),
    receptions: all(series.receptions),
  };
}

/** What a change set off has been laid out and drawn: three frames on. */
function settled(page: Page): Promise<void> {
  return page.evaluate(async () => {
    for (let frame = 0; frame < 3; frame += 1) await new Promise(requestAnimationFrame);
  });
}

if (chromiumIsHere("ladder"))
  describe("the margin ladder", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await sharedDashboard();
    });
    afterAll(() => dashboard.close());

    test("draws 100,000 points within a few frames, and follows the mouse", async () => {
      // The real node, its frames repeated over the window until there are so many.
      const { page, errors } = await dashboard.open(`#/nodes/${KEYED}/1?${MORNING}`, {
        before: (opened) =>
          changing<NodePage>(opened, `/api/nodes/${KEYED}/1`, (node) => ({
            ...node,
            series: node.series.map((series) => repeated(series, POINTS_A_GATEWAY)),
          })),
      });
      await page.locator(".u-over").first().waitFor();
      await settled(page);

      // Every change of the page's width draws both plots anew: what it costs is the main thread's time.
      const session = await page.context().newCDPSession(page);
      // Of the processor, so that other programs of the machine do not count.
      await session.send("Performance.enable", { timeDomain: "threadTicks" });
      const busyMs = async () => {
        const { metrics } = await session.send("Performance.getMetrics");
        return 1000 * (metrics.find((metric) => metric.name === "TaskDuration")?.value ?? Number.NaN);
      };
      const redraws: number[] = [];
      for (const width of [1270, 1240, 1260, 1230, 1250, 1280]) {
        const before = await busyMs();
        await page.setViewportSize({ width, height: 900 });
        await settled(page);
        redraws.push((await busyMs()) - before);
      }

      await page.locator(".signal-plot").first().scrollIntoViewIfNeeded();
      const box = (await page.locator(".u-over").first().boundingBox())!;
      await page.evaluate(() => {
        const state = window as unknown as { frames: number[]; stop: boolean };
        state.frames = [];
        state.stop = false;
        let before = performance.now();
        const step = (at: number) => {
          state.frames.push(at - before);
          before = at;
          if (!state.stop) requestAnimationFrame(step);
        };
        requestAnimationFrame(step);
      });
      const beforeMoves = await busyMs();
      for (let step = 0; step < 60; step += 1)
        await page.mouse.move(box.x + (box.width * (step + 0.5)) / 60, box.y + 80 + (step % 7) * 10);
      const busyAMove = ((await busyMs()) - beforeMoves) / 60;
      const frames = await page.evaluate(() => {
        const state = window as unknown as { frames: number[]; stop: boolean };
        state.stop = true;
        return state.frames.slice(1).sort((a, b) => a - b);
      });
      const median = frames[Math.floor(frames.length / 2)]!;
      const late = frames[Math.floor(frames.length * 0.95)]!;
      console.info(
        `ladder, ${2 * POINTS_A_GATEWAY} points: main thread busy a redraw of both plots ${redraws.map((ms) => Math.round(ms)).join(", ")} ms, a move of the mouse ${busyAMove.toFixed(1)} ms; frames under the mouse ${median.toFixed(1)} ms in the median, ${late.toFixed(1)} ms at 95 %`,
      );
      expect(await page.locator(".signal-reading").first().textContent()).toMatch(/SNR .* margin .* RSSI/);
      expect([...redraws].sort((a, b) => a - b)[3]).toBeLessThan(REDRAW_MS);
      expect(busyAMove).toBeGreaterThan(0);
      expect(busyAMove).toBeLessThan(MOVE_MS);
      expect(errors).toEqual([]);
    });

    test("a stretch drawn over with the mouse becomes the window of the whole dashboard", async () => {
      const { page } = await dashboard.open(`#/nodes/${KEYED}/1?${MORNING}`);
      await page.locator(".u-over").first().waitFor();
      await page.locator(".u-over").first().scrollIntoViewIfNeeded();
      const box = (await page.locator(".u-over").first().boundingBox())!;
      await page.mouse.move(box.x + box.width * 0.25, box.y + 50);
      await page.mouse.down();
      await page.mouse.move(box.x + box.width * 0.5, box.y + 60, { steps: 5 });
      await page.mouse.up();
      // From a quarter to a half of the six hours from 04:00 UTC.
      await page.waitForURL(/from=2026-04-14T05%3A(29|30)/);
      expect(decodeURIComponent(page.url())).toMatch(/to=2026-04-14T(06:59|07:00)/);
    });
  });
