/** Can a person with busy hands walk a site: pin where they stand, see what comes, and hear it? */
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { chromiumIsHere } from "./chromium.ts";
import { type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";
import { receptionPage } from "./orchard.ts";

const NODE = "01A2B3C9";

if (chromiumIsHere("walk"))
  describe("the walk test", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    beforeEach(() => dashboard.calm());

    test("shows the stops as a plan and a table, with the verdict in words", async () => {
      const { page, errors } = await dashboard.open(`#/walk/${NODE}?last=3600`, { width: 390 });
      await page.getByRole("img", { name: /^Stops: 1 of 4 stops good; 3 with a place/ }).waitFor();
      const row = page.getByRole("row", { name: /Cold store 1/ });
      expect(await row.textContent()).toMatch(/dead.*22\u202F% heard/);
      expect(await overflowPx(page)).toBe(0);
      expect(errors).toEqual([]);
    });

    test("pins where one stands, with a place in metres", async () => {
      const { page } = await dashboard.open(`#/walk/${NODE}?last=3600`);
      await page.getByLabel("I stand at").fill("North door");
      await page.getByLabel("Position, if you like").fill("somewhere");
      await page.getByRole("button", { name: "here, now" }).click();
      await page.getByText(/A place is “51.5001/).waitFor();
      await page.getByLabel("Position, if you like").fill("12 m, −40 m");
      await page.getByRole("button", { name: "here, now" }).click();
      await page.getByText(/North door is pinned/).waitFor();
      expect(JSON.parse(dashboard.service.received.at(-1)?.body ?? "")).toEqual({
        text: "North door",
        kind: "stop",
        devAddr: NODE,
        position: { eastMetres: 12, northMetres: -40 },
      });
    });

    test("is silent until switched on, then sounds each frame by its margin, and a missed counter otherwise", async () => {
      const { page, errors } = await dashboard.open(`#/walk/${NODE}?last=3600`);
      await page.locator(".walk-figure").getByText(/dB/).waitFor();
      await page.evaluate(() => {
        const heard: number[] = [];
        Object.assign(window, { heard });
        const Real = window.OscillatorNode;
        window.OscillatorNode = class extends Real {
          constructor(context: BaseAudioContext, options?: OscillatorOptions) {
            super(context, options);
            heard.push(Math.round(options?.frequency ?? 0));
          }
        };
      });
      const now = Date.now();
      const [newest] = receptionPage(
        NODE,
        { fromMs: now - 3_600_000, toMs: now, live: true },
        null,
        1,
      ).receptions;
      const send = (step: number, marginDb: number) => {
        const counter = (newest?.counter ?? 0) + step;
        const row = {
          ...newest,
          id: 900_000 + step,
          frameId: 900_000 + step,
          counter,
          marginDb,
          at: new Date(now + step * 1000).toISOString(),
        };
        dashboard.service.push("feed", { edit: { receptions: { list: [{ add: [row] }, [0, 1_000]] } } });
      };
      const heard = () => page.evaluate(() => (window as unknown as { heard: number[] }).heard);
      send(1, 10);
      await page.locator(".walk-figure").getByText("10.0").waitFor();
      expect(await heard()).toEqual([]);
      await page.getByRole("button", { name: "sound and vibrate at each frame" }).click();
      send(2, 20);
      await expect.poll(heard).toEqual([880]);
      send(5, 0);
      await expect.poll(heard).toEqual([880, 90, 90, 220]);
      await page.getByRole("button", { name: "sound and vibration are on: switch off" }).click();
      send(6, 12);
      await page.locator(".walk-figure").getByText("12.0").waitFor();
      expect(await heard()).toHaveLength(4);
      expect(errors).toEqual([]);
    });
  });
