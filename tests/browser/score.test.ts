/** Does the score of a site read one moment in all rows, by mouse and by keyboard, and lead to a row's page there? */
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";

/** Ten hours; the shed is unreachable from 70/120 on, 868.3 MHz is loud from 40/96 to 60/96. */
const FIXED = "from=2026-03-14T08:00:00.000Z&to=2026-03-14T18:00:00.000Z";

if (chromiumIsHere("the score"))
  describe("the score of a site", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    beforeEach(() => dashboard.calm());

    test("names its rows: gateways, loud channels, nodes to check", async () => {
      const { page, errors } = await dashboard.open(`#/site?${FIXED}`);
      const names = page.locator(".site-score-names a");
      await names.first().waitFor();
      expect(await names.allInnerTexts()).toEqual([
        "Packing shed",
        "Water tower",
        "868.3\u202FMHz",
        "Frost probe row 12",
        "Pond pump",
      ]);
      expect(errors).toEqual([]);
    });

    test("reads the moment under the pointer in every row, and takes it back", async () => {
      const { page } = await dashboard.open(`#/site?${FIXED}`);
      const score = page.getByRole("slider", { name: /^Moment/ });
      await score.waitFor();
      const box = (await score.boundingBox())!;
      const notes = page.locator(".site-score-note");
      const before = await notes.allInnerTexts();
      await page.mouse.move(box.x + box.width * 0.45, box.y + 100);
      await page.locator(".site-score-time").waitFor();
      const [shed, tower, noise, probe] = await notes.allInnerTexts();
      expect(shed).toMatch(/^\d+ receptions|^1 reception/);
      expect(tower).toMatch(/reception/);
      expect(noise).toMatch(/^−10[0-2]\u202FdBm|^no weak frame/);
      expect(probe).toMatch(/heard|missed|nothing/);
      await page.mouse.move(box.x + box.width / 2, box.y - 40);
      await expect.poll(() => notes.allInnerTexts()).toEqual(before);
    });

    test("is walked with the arrow keys, and a name then opens its page at that moment", async () => {
      const { page } = await dashboard.open(`#/site?${FIXED}`);
      const score = page.getByRole("slider", { name: /^Moment/ });
      await score.focus();
      await page.keyboard.press("Home");
      for (let step = 0; step < 12; step += 1) await page.keyboard.press("PageDown");
      // Half of ten hours from 08:00 UTC.
      await page.getByText("14 Mar 2026, 14:00:00 is held").waitFor();
      expect(await score.getAttribute("aria-valuetext")).toMatch(
        /^14 Mar 2026, 14:00:00\. Packing shed: .*; Pond pump: /,
      );
      expect(await axeFindings(page)).toEqual([]);
      await page.getByRole("link", { name: "Pond pump" }).first().click();
      // A sixth of the window about the moment.
      await page.waitForURL(/#\/nodes\/01A2B3D0\/1\?from=2026-03-14T12%3A10%3A00.000Z&to=2026-03-14T13%3A50/);
    });

    test("fits a phone and is accessible there, in light and dark", async () => {
      const { page, errors } = await dashboard.open(`#/site?${FIXED}`, { width: 390 });
      await page.getByRole("slider", { name: /^Moment/ }).tap();
      await page.getByRole("button", { name: "let go" }).waitFor();
      expect(await overflowPx(page)).toBe(0);
      expect(await axeFindings(page)).toEqual([]);
      await page.emulateMedia({ colorScheme: "dark" });
      expect(await axeFindings(page)).toEqual([]);
      expect(errors).toEqual([]);
    });
  });
