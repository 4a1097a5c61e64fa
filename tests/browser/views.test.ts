/** Does every view stand: with data, while it loads, when it failed, on paper, and where the data are old? */
import type { Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { CapturesView, GapsView, Sentence } from "../../src/contract/index.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, failing, sharedDashboard } from "./dashboard.ts";
import { KEYED, MORNING } from "./sample-store.ts";

/** Each with its place, and the answer whose sentence it opens with or that sentence. */
const VIEWS: readonly [string, string, string | RegExp][] = [
  ["Site", "#/site?", "/api/site"],
  ["Nodes", "#/nodes?", "/api/nodes"],
  ["a node", `#/nodes/${KEYED}/1?`, `/api/nodes/${KEYED}/1`],
  ["Air", "#/air?", "/api/air"],
  ["Gaps", "#/gaps?", "/api/gaps"],
  ["a walk test", `#/walk/${KEYED}?`, /^Frost probe row 17: \d of 4 stops/],
  ["Captures", "#/captures?", /^5 captures with \d.\d{3} receptions/],
  ["the service", "#/service?", /^The service works/],
];

/** What is drawn came with the first frame after the data. */
async function drawn(page: Page): Promise<void> {
  await page.waitForFunction(() =>
    [...document.querySelectorAll("canvas")].every((canvas) => canvas.width > 0),
  );
}

if (chromiumIsHere("views"))
  describe("views", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await sharedDashboard();
    });
    afterAll(() => dashboard.close());

    // That they fit 390 and 1280 px is seen in every-page.test.ts, with the longest names.
    for (const [name, place, opening] of VIEWS)
      test(`${name} opens with its sentence and is accessible in light and dark, without error`, async () => {
        const { page, errors } = await dashboard.open(`${place}${MORNING}`);
        const heading = page.getByRole("heading", { level: 1 });
        await heading.waitFor();
        if (typeof opening === "string") {
          const told = await dashboard.service.json<{ sentence: Sentence }>(`${opening}?${MORNING}`);
          const words = told.sentence.map(({ text }) => text).join("");
          await expect.poll(() => heading.textContent()).toBe(words);
        } else await expect.poll(() => heading.textContent()).toMatch(opening);
        await drawn(page);
        await page.evaluate(() => {
          for (const fold of document.querySelectorAll("details")) fold.open = true;
        });
        expect(await axeFindings(page)).toEqual([]);
        await page.emulateMedia({ colorScheme: "dark" });
        expect(await axeFindings(page)).toEqual([]);
        expect(errors).toEqual([]);
      });

    test("a gap opened by its address is accessible in light and dark", async () => {
      const { gaps } = await dashboard.service.json<GapsView>(`/api/gaps?${MORNING}`);
      const weak = gaps.find(({ devAddr, finding }) => devAddr === KEYED && finding.cause === "weak-link");
      const { page } = await dashboard.open(`#/gaps?${MORNING}&gap=${weak?.id}`);
      await page.getByRole("img", { name: /^Evidence: / }).waitFor();
      expect(await axeFindings(page)).toEqual([]);
      await page.emulateMedia({ colorScheme: "dark" });
      expect(await axeFindings(page)).toEqual([]);
    });

    test("the page's letters come from the service, at most 70 kB of them, and nothing moves while it loads", async () => {
      const { page } = await dashboard.open(`#/site?${MORNING}`);
      await page.addInitScript(() => {
        const shifts: number[] = [];
        Object.assign(window, { shifts });
        new PerformanceObserver((list) => {
          for (const entry of list.getEntries()) shifts.push((entry as unknown as { value: number }).value);
        }).observe({ type: "layout-shift", buffered: true });
      });
      await page.reload();
      await page.getByRole("heading", { level: 1, name: /2 of 14 nodes lost more than/ }).waitFor();
      await drawn(page);
      const letters = await page.evaluate(async () => {
        await Promise.all([...document.fonts].map((face) => face.load().catch(() => null)));
        return performance
          .getEntriesByType("resource")
          .filter(({ name }) => name.endsWith(".woff2"))
          .map((entry) => (entry as PerformanceResourceTiming).decodedBodySize);
      });
      expect(letters).toHaveLength(5);
      expect(letters.reduce((sum, bytes) => sum + bytes, 0)).toBeLessThan(70_000);
      const shifts = await page.evaluate(() => (window as unknown as { shifts: number[] }).shifts);
      expect(shifts.reduce((sum, shift) => sum + shift, 0)).toBeLessThan(0.05);
    });

    test("while a capture that fills the window is read, its progress stands in place of half-read figures", async () => {
      const { page } = await dashboard.open(`#/nodes?${MORNING}`, { onLine: () => {} });
      await page.getByRole("heading", { level: 1, name: /^14 nodes and 3 strangers/ }).waitFor();
      dashboard.line.change("captures", ({ captures }) => ({
        captures: (captures as CapturesView["captures"]).map((row) =>
          row.name === "answered.pcap"
            ? { ...row, state: "reading", from: null, to: null, progress: 0.87 }
            : row,
        ),
      }));
      await page.getByRole("heading", { level: 1, name: /^Reading answered\.pcap: 87.%/ }).waitFor();
      expect(await page.getByRole("table").count()).toBe(0);
      expect(await axeFindings(page)).toEqual([]);
      await page.getByRole("button", { name: "show what is read so far" }).click();
      await page.getByText(/these figures are not final/).waitFor();
      dashboard.line.change("captures", (view) => view);
      await page.getByText(/these figures are not final/).waitFor({ state: "detached" });
    });

    test("loading keeps the shape of what comes and is accessible", async () => {
      const { page } = await dashboard.open(`#/nodes?${MORNING}`, {
        // Never answered.
        before: async (opened) => {
          await opened.route("**/api/nodes?*", () => {});
        },
      });
      await page.locator(".skeleton-row").first().waitFor();
      expect(await axeFindings(page)).toEqual([]);
    });

    test("failed says what failed, what to do, and asks again", async () => {
      const problem = {
        code: "store-failed",
        sentence: "The store could not be read.",
        remedy: "Free some space.",
      };
      const { page } = await dashboard.open(`#/air?${MORNING}`, {
        before: (opened) => failing(opened, "/api/air", 503, problem),
      });
      await page.getByRole("heading", { name: "✕ The store could not be read." }).waitFor();
      await page.getByText("Free some space.").waitFor();
      expect(await axeFindings(page)).toEqual([]);
      await page.unrouteAll();
      await page.getByRole("button", { name: "ask again" }).click();
      await page.getByRole("heading", { name: /^868\.3.MHz was 16\.3.dB louder/ }).waitFor();
    });

    test("when what is stored is old, the page says where it lies and leads there", async () => {
      const { page } = await dashboard.open("#/nodes?last=3600");
      await page.getByText(/What is stored lies in 9 Apr 2026, 11:30 – 12 May 2026, 11:(29|30)/).waitFor();
      await page.getByRole("button", { name: "show what is stored" }).click();
      // At most 31 days of it.
      await page.waitForURL(/#\/nodes\?from=2026-04-11T09%3A3[01].*&to=2026-05-12T09%3A3[01]/);
      await page
        .getByRole("heading", { level: 1, name: /^\d+ nodes and \d+ strangers were heard/ })
        .waitFor();
      expect(await page.getByText(/What is stored lies in/).count()).toBe(0);
    });

    test("prints without rail and buttons, in ink on white", async () => {
      const { page } = await dashboard.open(`#/nodes/${KEYED}/1?${MORNING}`);
      await page.getByRole("heading", { name: /Frost probe row 17/ }).waitFor();
      await page.emulateMedia({ media: "print" });
      expect(await page.getByRole("navigation").isVisible()).toBe(false);
      expect(await page.getByRole("button", { name: "show as table" }).first().isVisible()).toBe(false);
      expect(await page.evaluate(() => getComputedStyle(document.body).backgroundColor)).toBe(
        "rgb(255, 255, 255)",
      );
    });
  });
