/** Does the air view show one gateway at a time, its drawings as tables, and who spends too much? */
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { CapacityView, StrangersView } from "../../src/contract/index.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, sharedDashboard } from "./dashboard.ts";
import { ANSWERED_TIME, MORNING, SHED, WEAK_TIME } from "./sample-store.ts";

if (chromiumIsHere("the air"))
  describe("the air", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await sharedDashboard();
    });
    afterAll(() => dashboard.close());

    test("shows one gateway at a time and keeps the choice in the address bar", async () => {
      const { page, errors } = await dashboard.open(`#/air?${MORNING}`);
      await page.getByText(/^Water tower: at its busiest, 867\.7/).waitFor();
      await page
        .getByRole("navigation", { name: "Gateway" })
        .getByRole("link", { name: "Packing shed" })
        .press("Enter");
      await page.getByText(/^Packing shed: at its busiest/).waitFor();
      expect(page.url()).toContain(`gateway=${SHED}`);
      // Eight channels and their head.
      expect(await page.getByRole("region", { name: "Channels" }).getByRole("row").count()).toBe(9);
      await page.getByText("Its status reports say that it sent nothing.").waitFor();
      expect(errors).toEqual([]);
    });

    test("says for how long a gateway that answers was deaf meanwhile", async () => {
      const { page } = await dashboard.open(`#/air?${ANSWERED_TIME}`);
      await page.getByText(/^Deaf for \d/).waitFor();
    });

    test("says where noise comes from and what strangers cost, each with its figures unfolded", async () => {
      const told = await dashboard.service.json<StrangersView>(`/api/strangers?${MORNING}`);
      const { page, errors } = await dashboard.open(`#/air?${MORNING}`, { width: 390 });
      // The noise of the capture begins at 07:15 and ends at 08:30 UTC.
      await page.getByText(/^868\.3.MHz: 16\.3.dB louder for 1.h 12.min at Water tower/).waitFor();
      await page.getByText("Gateway by gateway").click();
      const noise = page.getByRole("region", { name: "The noise at each gateway" });
      expect(await noise.getByRole("row").nth(1).textContent()).toContain("Water tower");
      const strangers = page.getByRole("region", { name: "What strangers cost you", exact: true });
      await strangers.getByText(/^Strangers of 3 networks took 1.min 7.s of airtime/).waitFor();
      const rows = strangers.getByRole("region", { name: "Neighbours' networks" }).locator("tbody tr");
      const shown = await rows.allTextContents();
      expect(told.networks).toHaveLength(3);
      for (const [at, { network }] of told.networks.entries()) expect(shown[at]).toContain(network);
      expect(await overflowPx(page)).toBe(0);
      expect(errors).toEqual([]);
    });

    test("gives every drawing as a table too, on a phone, accessible in light and dark", async () => {
      const { page, errors } = await dashboard.open(`#/air?${MORNING}`, { width: 390 });
      await page.getByText(/^Water tower: at its busiest/).waitFor();
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
      const { page } = await dashboard.open(`#/air?${WEAK_TIME}`);
      // SF9 with 37 octets every 20 s: 1.3 % of the time.
      await page
        .getByText(/01F2AC0\d: over 1\.0.% by what was heard alone/)
        .first()
        .waitFor();
      await page
        .getByText(/not a statement of conformity: local rules and newer editions prevail/)
        .first()
        .waitFor();
    });

    test("says how many more nodes fit, for the share in the address bar, and what frees airtime", async () => {
      const told = await dashboard.service.json<CapacityView>(`/api/capacity?${MORNING}`);
      const { page, errors } = await dashboard.open(`#/air?${MORNING}`);
      const room = page.getByRole("region", { name: "Room for more nodes" });
      await expect.poll(() => room.textContent()).toContain(told.sentence.map(({ text }) => text).join(""));
      await room.getByText(/^Soil probe row 4 would free most airtime: SF9 to SF7/).waitFor();
      expect(await room.getByRole("link", { name: "Soil probe row 4" }).first().getAttribute("href")).toMatch(
        /^#\/nodes\/01F2A204\/1/,
      );
      await room.getByRole("link", { name: "99\u202F%" }).press("Enter");
      const stricter = await dashboard.service.json<CapacityView>(`/api/capacity?share=0.99&${MORNING}`);
      expect(stricter.sentence[0]?.text).toContain("99.0");
      await expect.poll(() => room.textContent()).toContain(stricter.sentence[0]?.text);
      expect(page.url()).toContain("share=0.99");
      expect(errors).toEqual([]);
    });

    test("says what a node's battery pays, by a power table kept in the address bar", async () => {
      const { page, errors } = await dashboard.open(`#/nodes/01F2A117/1?${MORNING}`, { width: 390 });
      const charge = page.getByRole("region", { name: "Airtime and charge" });
      await charge.getByText(/on the air a day costs the radio .* a full battery lasts 5\.7/).waitFor();
      await charge.getByText("The power table").click();
      await charge.getByLabel(/^Current asleep/).fill("25");
      await charge.getByRole("button", { name: "Calculate" }).press("Enter");
      await charge.getByText("entered").waitFor();
      // 24 µA more for 24 h are 0.576 mAh a day more.
      await charge.getByText(/costs the radio 1\.8\d.mAh a day/).waitFor();
      expect(page.url()).toContain("sleepUa=25");
      expect(page.url()).not.toContain("receiveMa");
      expect(await overflowPx(page)).toBe(0);
      expect(await axeFindings(page)).toEqual([]);
      expect(errors).toEqual([]);
    });
  });
