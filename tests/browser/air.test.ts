/** Does the air view show one gateway at a time, its drawings as tables, and who spends too much? */
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";

if (chromiumIsHere("the air"))
  describe("the air", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    beforeEach(() => dashboard.calm());

    test("shows one gateway at a time and keeps the choice in the address bar", async () => {
      const { page, errors } = await dashboard.open("#/air?last=3600");
      await page.getByText(/^Packing shed: at its busiest/).waitFor();
      await page.getByText(/^Deaf for 14\.2/).waitFor();
      await page
        .getByRole("navigation", { name: "Gateway" })
        .getByRole("link", { name: "Water tower" })
        .press("Enter");
      await page.getByText(/^Water tower: at its busiest/).waitFor();
      await page.getByText(/^Not visible here/).waitFor();
      expect(page.url()).toContain("gateway=");
      expect(await page.getByRole("region", { name: "Channels" }).getByRole("row").count()).toBe(9);
      expect(errors).toEqual([]);
    });

    test("gives every drawing as a table too, on a phone, accessible in light and dark", async () => {
      const { page, errors } = await dashboard.open("#/air?last=3600", { width: 390 });
      await page.getByText(/^Packing shed: at its busiest/).waitFor();
      const switches = page.getByRole("button", { name: "show as table" });
      expect(await switches.count()).toBe(4);
      while ((await switches.count()) > 0) await switches.first().press("Enter");
      for (const name of [/^Air map of/, /^Data rates/, /^Networks/, /^Airtime against limits/]) {
        await page.getByRole("region", { name }).waitFor();
      }
      expect(await overflowPx(page)).toBe(0);
      expect(await axeFindings(page)).toEqual([]);
      await page.emulateMedia({ colorScheme: "dark" });
      expect(await axeFindings(page)).toEqual([]);
      expect(errors).toEqual([]);
    });

    test("says who is over a limit, with the caution beside it", async () => {
      const { page } = await dashboard.open("#/air?last=3600");
      await page.getByText(/Pond pump: over 1\.0.% by what was heard alone/).waitFor();
      await page.getByText(/the local regulator's text prevails/).waitFor();
    });
  });
