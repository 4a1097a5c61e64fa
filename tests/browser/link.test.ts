/** Does the plan show on a phone and a laptop, in both schemes, and can a place be given by keyboard? */
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { PositionsView } from "../../src/contract/index.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, sharedDashboard } from "./dashboard.ts";
import { MORNING, PUMP } from "./sample-store.ts";

if (chromiumIsHere("link"))
  describe("the plan", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await sharedDashboard();
    });
    afterAll(() => dashboard.close());

    // The links of a node are part of its page, which views.test.ts and every-page.test.ts look at.
    test("the plan stands on a phone in dark and on a laptop in light without a fault that axe finds", async () => {
      for (const [width, dark] of [
        [390, true],
        [1280, false],
      ] as const) {
        const { page, errors } = await dashboard.open(`#/plan?${MORNING}`, { width, dark });
        await page.locator(".plan-drawing").first().waitFor();
        expect(await axeFindings(page)).toEqual([]);
        expect(await overflowPx(page)).toBe(0);
        expect(errors).toEqual([]);
      }
    });

    test("a place is given beneath its row, and stands in the row and in the store", async () => {
      const { page } = await dashboard.open(`#/plan?${MORNING}`);
      await page.getByRole("button", { name: "give it a place of Pond pump" }).press("Enter");
      await page.getByLabel("East m of Pond pump").fill("\u2212120");
      await page.getByLabel("North m of Pond pump").fill("40,5");
      await page.getByRole("button", { name: "keep" }).press("Enter");
      await page.getByLabel("East m of Pond pump").waitFor({ state: "detached" });
      const { positions } = await dashboard.service.json<PositionsView>("/api/positions");
      expect(positions.find(({ id }) => id === PUMP)).toMatchObject({ eastM: -120, northM: 40.5 });
      await page
        .getByRole("row", { name: /^node Pond pump −120.m east, 41.m north|^node Pond pump/ })
        .waitFor();
      // Now there are two nodes with a place.
      await page.getByRole("heading", { level: 1, name: /^3 gateways and 2 nodes have a place/ }).waitFor();
      await dashboard.change("DELETE", `/api/positions/node/${PUMP}`);
    });
  });
