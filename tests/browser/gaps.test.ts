/** Can a person walk the dropouts, open one, see why, and get from a sentence to the receptions beneath it? */
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, startDashboard } from "./dashboard.ts";

const FIXED = "from=2026-03-14T08:00:00.000Z&to=2026-03-14T09:00:00.000Z";

if (chromiumIsHere("gaps"))
  describe("the gaps view", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    beforeEach(() => dashboard.calm());

    test("is walked with arrows and opened with Enter; what is opened stands in the address bar", async () => {
      const { page, errors } = await dashboard.open(`#/gaps?${FIXED}`);
      const lines = page.locator(".gap-line");
      await lines.first().focus();
      await page.keyboard.press("ArrowDown");
      await page.keyboard.press("Enter");
      await page.getByRole("img", { name: /^Evidence: against it: the margin/ }).waitFor();
      expect(page.url()).toContain("gap=gap-unexplained");
      await page.getByText("begins at the mark “Cut the hedge by row 12”").waitFor();
      await page.keyboard.press("End");
      expect(await lines.last().evaluate((line) => line === document.activeElement)).toBe(true);
      await page.keyboard.press("Home");
      expect(await lines.first().textContent()).toMatch(/Tractor tracker.*open.*so far/);
      expect(errors).toEqual([]);
    });

    test("leads from a sentence to the receptions that it rests on, and to their bytes", async () => {
      const { page, errors } = await dashboard.open(`#/gaps?${FIXED}&gap=outage-1`);
      await page.getByRole("button", { name: /^its receptions for: 42 keepalives/ }).click();
      const table = page.getByRole("region", { name: "Receptions, newest first" });
      await table.locator("tbody").getByRole("button").first().click();
      await page
        .getByRole("heading", { name: /^Frame/ })
        .first()
        .waitFor();
      expect(dashboard.service.asked.find((one) => one.startsWith("GET /api/receptions"))).toMatch(
        /gateway=02005E1000000001&from=2026-03-14T08%3A24/,
      );
      expect(await axeFindings(page)).toEqual([]);
      expect(errors).toEqual([]);
    });

    test("shows an outage as one line that opens to the gaps it made, and each to its score or table", async () => {
      const { page } = await dashboard.open(`#/gaps?${FIXED}`);
      await page.getByRole("button", { name: /3 nodes at Packing shed/ }).click();
      await page.getByRole("button", { name: /Frost probe row 3/ }).click();
      const figure = page.getByRole("figure", {
        name: /^Evidence: for the finding: its neighbours, the heartbeat of Packing shed; against it: the noise/,
      });
      await figure.getByRole("button", { name: "show as table" }).click();
      await page.getByRole("region", { name: "Evidence over time, oldest first" }).waitFor();
      expect(page.url()).toContain("gap=gap-shed-3");
    });

    test("is filtered from the address bar, and says how much is shown", async () => {
      const { page } = await dashboard.open(`#/gaps?${FIXED}&cause=weak-link`);
      await page.getByText("1 of 4 shown").waitFor();
      await page.getByRole("combobox", { name: /^Node/ }).selectOption({ label: "Tractor tracker" });
      await page.getByText("No gap of this window fits the filter.").waitFor();
      expect(page.url()).toContain("node=01A2B3C9");
      await page.getByRole("button", { name: "show all" }).click();
      expect(await page.locator(".gap-line").count()).toBe(4);
    });

    test("says of a score that cannot be had what failed, and keeps the finding", async () => {
      const body = { code: "no-such-gap", sentence: "No gap has this name.", remedy: "See /api/gaps." };
      dashboard.service.mood.fail = { "/api/gaps/": { status: 404, body } };
      const { page } = await dashboard.open(`#/gaps?${FIXED}&gap=gap-steady`);
      await page.getByText("✕ No gap has this name.").waitFor();
      expect(await page.getByText(/Its margin fell from 7.9 dB/).isVisible()).toBe(true);
    });
  });
