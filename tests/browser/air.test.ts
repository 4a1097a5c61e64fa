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

    test("says where noise comes from and what strangers cost, each with its figures unfolded", async () => {
      const { page, errors } = await dashboard.open("#/air?last=3600", { width: 390 });
      await page.getByText(/Strongest at Water tower, 9\.5/).waitFor();
      await page.getByText("Gateway by gateway").click();
      const noise = page.getByRole("region", { name: "The noise at each gateway" });
      expect(await noise.getByRole("row").nth(1).textContent()).toContain("Water tower");
      const strangers = page.getByRole("region", { name: "What strangers cost you", exact: true });
      await strangers.getByText(/^Strangers of 2 networks took/).waitFor();
      await strangers.getByText("Week by week").click();
      expect(await page.getByRole("region", { name: "Strangers by week" }).getByRole("row").count()).toBe(6);
      expect(await overflowPx(page)).toBe(0);
      expect(errors).toEqual([]);
    });

    test("gives every drawing as a table too, on a phone, accessible in light and dark", async () => {
      const { page, errors } = await dashboard.open("#/air?last=3600", { width: 390 });
      await page.getByText(/^Packing shed: at its busiest/).waitFor();
      const switches = page.getByRole("button", { name: "show as table" });
      await page.getByText(/^Delivery as nodes are added/).waitFor();
      expect(await switches.count()).toBe(5);
      while ((await switches.count()) > 0) await switches.first().press("Enter");
      for (const name of [
        /^Air map of/,
        /^Data rates/,
        /^Networks/,
        /^Airtime against limits/,
        /^Delivery as nodes/,
      ]) {
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

    test("says how many more nodes fit, for the share in the address bar, and what frees airtime", async () => {
      const { page, errors } = await dashboard.open("#/air?last=3600");
      const room = page.getByRole("region", { name: "Room for more nodes" });
      await room.getByText(/^Room for about 140 more nodes like these \(84 to 232\)/).waitFor();
      await room.getByText(/^Frost probe 1 would free most airtime: SF12 to SF9/).waitFor();
      expect(await room.getByRole("link", { name: "Frost probe 1" }).first().getAttribute("href")).toMatch(
        /^#\/nodes\/01F2B110\/1/,
      );
      await room.getByRole("link", { name: "99\u202F%" }).press("Enter");
      await room.getByText(/before delivery falls below 99\.0/).waitFor();
      expect(page.url()).toContain("share=0.99");
      expect(errors).toEqual([]);
    });

    test("says what a node's battery pays, by a power table kept in the address bar", async () => {
      const { page, errors } = await dashboard.open("#/nodes/01A2B3C4/1?last=3600", { width: 390 });
      const charge = page.getByRole("region", { name: "Airtime and charge" });
      await charge.getByText(/on the air a day costs the radio .* a full battery lasts/).waitFor();
      await charge.getByText("The power table").click();
      await charge.getByLabel(/^Current asleep/).fill("25");
      await charge.getByRole("button", { name: "Calculate" }).press("Enter");
      await charge.getByText("entered").waitFor();
      expect(page.url()).toContain("sleepUa=25");
      expect(page.url()).not.toContain("receiveMa");
      expect(await overflowPx(page)).toBe(0);
      expect(await axeFindings(page)).toEqual([]);
      expect(errors).toEqual([]);
    });
  });
