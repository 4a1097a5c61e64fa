/** Can a person pin a mark, at now or at a moment pointed at, change it, and remove it? */
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";

const FIXED = "from=2026-03-14T08:00:00.000Z&to=2026-03-14T10:00:00.000Z";

if (chromiumIsHere("marks"))
  describe("marks", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    beforeEach(() => dashboard.calm());
    const sent = () => JSON.parse(dashboard.service.received.at(-1)?.body ?? "null") as unknown;

    test("one is pinned to now from the site, by keyboard, and stands in the list as plain text", async () => {
      const { page, errors } = await dashboard.open(`#/site?${FIXED}`);
      await page.getByRole("button", { name: "add a mark" }).press("Enter");
      await page.keyboard.type("<b>Hail</b>");
      await page.getByLabel("When").fill("9:15");
      await page.getByLabel("About").selectOption({ label: "Water tower" });
      expect(await axeFindings(page)).toEqual([]);
      expect(await overflowPx(page)).toBe(0);
      await page.keyboard.press("Enter");
      await page.getByText("<b>Hail</b> about").waitFor();
      expect(sent()).toEqual({
        text: "<b>Hail</b>",
        at: "2026-03-14T08:15:00.000Z",
        gatewayEui: "02005E1000000002",
        devAddr: null,
      });
      expect(errors).toEqual([]);
    });

    test.each([
      [1280, false],
      [390, true],
    ])("a mark opens the comparison of before and after at %i px, which passes axe", async (width, dark) => {
      const { page, errors } = await dashboard.open(`#/site?${FIXED}`, { width, dark });
      await page.getByRole("link", { name: "before and after the mark Cut the hedge by row 12" }).click();
      await page
        .getByRole("heading", { name: /^Since “Cut the hedge by row 12” the site hears 2.9/ })
        .waitFor();
      await page.getByText("better since the mark").waitFor();
      await page.getByRole("figure", { name: /^level: After at 3 of 3 nodes/ }).waitFor();
      expect(await axeFindings(page)).toEqual([]);
      expect(await overflowPx(page)).toBe(0);
      await page.getByLabel("Before and after, at most").selectOption("3");
      await expect.poll(() => dashboard.service.asked.at(-1)).toBe("GET /api/marks/2/effect?days=3");
      await page.getByLabel("Heard by").selectOption({ label: "Water tower" });
      await expect
        .poll(() => dashboard.service.asked.at(-1))
        .toBe("GET /api/marks/2/effect?gateway=02005E1000000002&days=3");
      expect(errors).toEqual([]);
    });

    test("a moment that is no moment is said to be none, and nothing is sent", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      await page.getByRole("button", { name: "add a mark" }).click();
      await page.getByLabel("What happened").fill("Hail");
      await page.getByLabel("When").fill("soon");
      await page.getByRole("button", { name: "add it" }).click();
      await page.getByText(/“soon” is no moment/).waitFor();
      expect(dashboard.service.received).toEqual([]);
      await page.keyboard.press("Escape");
      await page.getByRole("button", { name: "add a mark" }).waitFor();
    });

    test("a moment held on the score is where a mark is added", async () => {
      const { page } = await dashboard.open(`#/site?${FIXED}`);
      const score = page.getByRole("slider", { name: /^Moment/ });
      await score.waitFor();
      const { width } = (await score.boundingBox())!;
      await score.click({ position: { x: width / 2, y: 60 } });
      await page.getByRole("button", { name: "add a mark here" }).click();
      expect(await page.getByLabel("When").inputValue()).toMatch(/^14 Mar 2026, (09:59|10:00):/);
    });

    test("one is changed and removed on the page of a node, which does not show other nodes' marks", async () => {
      const mark = {
        until: null,
        kind: "note" as const,
        gatewayEui: null,
        gatewayName: null,
        position: null,
      };
      dashboard.service.mood.marks = [
        {
          ...mark,
          id: 4,
          at: "2026-03-14T09:00:00.000Z",
          text: "New battery",
          devAddr: "01A2B3C4",
          nodeName: null,
        },
        {
          ...mark,
          id: 5,
          at: "2026-03-14T09:10:00.000Z",
          text: "Other",
          devAddr: "01A2B3D0",
          nodeName: null,
        },
      ];
      const { page } = await dashboard.open(`#/nodes/01A2B3C4/1?${FIXED}`);
      const list = page.getByRole("list", { name: "Marks, newest first" });
      await list.waitFor();
      expect(await list.getByRole("listitem").count()).toBe(1);
      await page.getByRole("button", { name: "change the mark New battery" }).click();
      await page.getByLabel("What happened").fill("New battery, north row");
      await page.getByRole("button", { name: "keep", exact: true }).click();
      await page.getByText("New battery, north row about").waitFor();
      expect(sent()).toMatchObject({ at: "2026-03-14T09:00:00.000Z", devAddr: "01A2B3C4" });
      await page.getByRole("button", { name: "remove the mark New battery, north row" }).click();
      await page.getByRole("button", { name: "remove it for good" }).click();
      await page.getByText("New battery, north row about").waitFor({ state: "detached" });
      expect(dashboard.service.asked).toContain("DELETE /api/marks/4");
    });
  });
