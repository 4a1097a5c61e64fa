/** Can a person walk the dropouts, open one, see why, and get from a sentence to the receptions beneath it? */
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { GapsView } from "../../src/contract/index.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, failing, sharedDashboard } from "./dashboard.ts";
import { MORNING } from "./sample-store.ts";

if (chromiumIsHere("gaps"))
  describe("the gaps view", () => {
    let dashboard: Dashboard;
    let shown: GapsView;
    beforeAll(async () => {
      dashboard = await sharedDashboard();
      shown = await dashboard.service.json<GapsView>(`/api/gaps?${MORNING}`);
    });
    afterAll(() => dashboard.close());
    const gapOf = (devAddr: string, cause: string) => {
      const gap = shown.gaps.find((one) => one.devAddr === devAddr && one.finding.cause === cause);
      if (gap === undefined) throw new Error(`${devAddr} has no gap by ${cause}`);
      return gap;
    };

    test("is walked with arrows and opened with Enter; what is opened stands in the address bar", async () => {
      const silent = gapOf("01F2A212", "node-silent");
      const mark = { at: silent.from, text: "Battery out" };
      const { id } = (await dashboard.change("POST", "/api/marks", mark)) as { id: number };
      const { page, errors } = await dashboard.open(`#/gaps?${MORNING}`);
      const lines = page.locator(".gap-line");
      await lines.first().focus();
      // Two open gaps, two troubles of many nodes, and the door that restarted stand before it.
      for (let line = 0; line < 5; line += 1) await page.keyboard.press("ArrowDown");
      await page.keyboard.press("Enter");
      await page.getByRole("img", { name: /^Evidence: for the finding: / }).waitFor();
      expect(page.url()).toContain(`gap=${silent.id}`);
      await page.getByText("begins at the mark “Battery out”").waitFor();
      await page.keyboard.press("End");
      expect(await lines.last().evaluate((line) => line === document.activeElement)).toBe(true);
      await page.keyboard.press("Home");
      expect(await lines.first().textContent()).toMatch(/Frost probe row 17.*open.*so far/);
      expect(errors).toEqual([]);
      await dashboard.change("DELETE", `/api/marks/${id}`);
    });

    test("leads from a sentence to the receptions that it rests on, and to their bytes", async () => {
      const { id } = gapOf("01F2A212", "node-silent");
      const { page, errors } = await dashboard.open(`#/gaps?${MORNING}&gap=${id}`);
      await page
        .getByRole("button", { name: /^its receptions for: The others were heard as usual: 301 frames/ })
        .click();
      const table = page.getByRole("region", { name: "Receptions, newest first" });
      await table.locator("tbody").getByRole("button").first().click();
      await page
        .getByRole("heading", { name: /^Frame/ })
        .first()
        .waitFor();
      expect(dashboard.asked.find((one) => one.startsWith("GET /api/receptions"))).toMatch(
        /gateway=02005E1000000002&from=2026-04-14T06%3A30%3A52\.194Z&to=2026-04-14T08%3A14%3A49/,
      );
      expect(await axeFindings(page)).toEqual([]);
      expect(errors).toEqual([]);
    });

    test("shows an outage as one line that opens to the gaps it made, and each to its score or table", async () => {
      const { page } = await dashboard.open(`#/gaps?${MORNING}`);
      await page.getByRole("button", { name: /4 nodes at Packing shed/ }).click();
      await page.getByRole("button", { name: /Frost probe row 2 / }).click();
      const figure = page.getByRole("figure", {
        name: /^Evidence: for the finding: .*the heartbeat of Packing shed/,
      });
      await figure.getByRole("button", { name: "show as table" }).click();
      await page.getByRole("region", { name: "Evidence over time, oldest first" }).waitFor();
      expect(page.url()).toContain(`gap=${gapOf("01F2A102", "gateway-unreachable").id}`);
    });

    test("is filtered from the address bar, and says how much is shown", async () => {
      const { page } = await dashboard.open(`#/gaps?${MORNING}&cause=weak-link`);
      await page.getByText("2 of 8 shown").waitFor();
      await page.getByRole("combobox", { name: /^Node/ }).selectOption({ label: "Pond pump" });
      await page.getByText("No gap of this window fits the filter.").waitFor();
      expect(page.url()).toContain("node=01F2A401");
      await page.getByRole("button", { name: "show all" }).click();
      expect(await page.locator(".gap-line").count()).toBe(8);
    });

    test("says of a score that cannot be had what failed, and keeps the finding", async () => {
      const problem = { code: "no-such-gap", sentence: "No gap has this name.", remedy: "See /api/gaps." };
      const { id } = gapOf("01F2A117", "weak-link");
      const { page } = await dashboard.open(`#/gaps?${MORNING}&gap=${id}`, {
        before: (opened) => failing(opened, "/api/gaps/", 404, problem),
      });
      await page.getByText("✕ No gap has this name.").waitFor();
      expect(await page.getByText(/^Lost 7 counters of 36 over 2/).isVisible()).toBe(true);
    });
  });
