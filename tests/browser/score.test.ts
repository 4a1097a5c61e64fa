/** Does the score of a site read one moment in all rows, by mouse and by keyboard, and lead to a row's page there? */
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, sharedDashboard } from "./dashboard.ts";
import { MORNING } from "./sample-store.ts";

/** Six hours; the shed is unreachable from 05:30 to 05:48 UTC, 868.3 MHz is loud from 07:15 to 08:30. */
if (chromiumIsHere("the score"))
  describe("the score of a site", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await sharedDashboard();
    });
    afterAll(() => dashboard.close());

    test("names its rows: gateways, loud channels, nodes to check", async () => {
      const { page, errors } = await dashboard.open(`#/site?${MORNING}`);
      const names = page.locator(".site-score-names a");
      await names.first().waitFor();
      expect(await names.allInnerTexts()).toEqual([
        "Packing shed",
        "Water tower",
        "868.3\u202FMHz",
        "Soil probe row 21",
        "Frost probe row 17",
        "Cold store 1 door",
      ]);
      expect(errors).toEqual([]);
    });

    test("reads the moment under the pointer in every row, and takes it back", async () => {
      const { page } = await dashboard.open(`#/site?${MORNING}`);
      const score = page.getByRole("slider", { name: /^Moment/ });
      await score.waitFor();
      const box = (await score.boundingBox())!;
      const notes = page.locator(".site-score-note");
      const before = await notes.allInnerTexts();
      // 07:36 UTC: noise on 868.3 MHz.
      await page.mouse.move(box.x + box.width * 0.6, box.y + 100);
      await page.locator(".site-score-time").waitFor();
      const [shed, tower, noise, probe] = await notes.allInnerTexts();
      expect(shed).toMatch(/^\d+ receptions|^1 reception/);
      expect(tower).toMatch(/reception/);
      expect(noise).toMatch(/^−10\d\u202FdBm|^no weak frame/);
      expect(probe).toMatch(/heard|missed|nothing/);
      // 05:39 UTC: nothing comes from the shed.
      await page.mouse.move(box.x + box.width * 0.275, box.y + 100);
      await expect.poll(async () => (await notes.allInnerTexts())[0]).toMatch(/unreachable|nothing/);
      await page.mouse.move(box.x + box.width / 2, box.y - 40);
      await expect.poll(() => notes.allInnerTexts()).toEqual(before);
    });

    test("is walked with the arrow keys, and a name then opens its page at that moment", async () => {
      const { page } = await dashboard.open(`#/site?${MORNING}`);
      const score = page.getByRole("slider", { name: /^Moment/ });
      await score.focus();
      await page.keyboard.press("Home");
      for (let step = 0; step < 12; step += 1) await page.keyboard.press("PageDown");
      // Half of six hours from 04:00 UTC.
      await page.getByText("14 Apr 2026, 09:00:00 is held").waitFor();
      expect(await score.getAttribute("aria-valuetext")).toMatch(
        /^14 Apr 2026, 09:00:00\. Packing shed: .*; Cold store 1 door: /,
      );
      expect(await axeFindings(page)).toEqual([]);
      await page.getByRole("link", { name: "Soil probe row 21" }).first().click();
      // A sixth of the window about the moment.
      await page.waitForURL(/#\/nodes\/01F2A221\/1\?from=2026-04-14T06%3A30%3A00.000Z&to=2026-04-14T07%3A30/);
    });

    test("fits a phone and is accessible there", async () => {
      const { page, errors } = await dashboard.open(`#/site?${MORNING}`, { width: 390, dark: true });
      await page.getByRole("slider", { name: /^Moment/ }).tap();
      await page.getByRole("button", { name: "clear" }).waitFor();
      expect(await overflowPx(page)).toBe(0);
      expect(await axeFindings(page)).toEqual([]);
      expect(errors).toEqual([]);
    });
  });
