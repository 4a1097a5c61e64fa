/** Do links and plan show on a phone and a laptop, in both schemes, and can a place be given by keyboard? */
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";

if (chromiumIsHere("link"))
  describe("links and the plan", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    beforeEach(() => dashboard.calm());
    afterAll(() => dashboard.close());

    test("stand on a phone and a laptop without a fault that axe finds", async () => {
      for (const [width, dark] of [
        [390, true],
        [1280, false],
      ] as const)
        for (const [hash, mark] of [
          ["#/nodes/01A2B3C4/1?last=7200", ".margin-bars"],
          ["#/plan?last=7200", ".plan-drawing"],
        ] as const) {
          const { page, errors } = await dashboard.open(hash, { width, dark });
          if (width === 390 && mark === ".margin-bars")
            await page.locator("summary", { hasText: /^Links$/ }).click();
          await page.locator(mark).first().waitFor();
          expect(await axeFindings(page)).toEqual([]);
          expect(await overflowPx(page)).toBe(0);
          expect(errors).toEqual([]);
        }
    });

    test("a place is given beneath its row, and sent whole", async () => {
      const { page } = await dashboard.open("#/plan?last=7200");
      await page.getByRole("button", { name: "give it a place of 01A2B3D0" }).press("Enter");
      await page.getByLabel("East m of 01A2B3D0").fill("\u2212120");
      await page.getByLabel("North m of 01A2B3D0").fill("40,5");
      await page.getByRole("button", { name: "keep" }).press("Enter");
      await page.getByLabel("East m of 01A2B3D0").waitFor({ state: "detached" });
      expect(dashboard.service.received.at(-1)).toMatchObject({
        path: "/api/positions/node/01A2B3D0",
        body: JSON.stringify({ eastM: -120, northM: 40.5 }),
      });
    });
  });
