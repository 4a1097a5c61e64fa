/** Can a person pin a mark, at now or at a moment pointed at, change it, and remove it? */
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { MarkEffect, MarksView } from "../../src/contract/index.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, sharedDashboard } from "./dashboard.ts";
import { HEDGE, MORNING, TOWER } from "./sample-store.ts";

if (chromiumIsHere("marks"))
  describe("marks", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await sharedDashboard();
    });
    const stored = async () => (await dashboard.service.json<MarksView>(`/api/marks?${MORNING}`)).marks;
    afterAll(async () => {
      for (const { id, text } of await stored())
        if (["<b>Hail</b>", "Other"].includes(text)) await dashboard.change("DELETE", `/api/marks/${id}`);
      await dashboard.close();
    });

    test.each([
      [1280, false],
      [390, true],
    ])("a mark opens the comparison of before and after at %i px, which passes axe", async (width, dark) => {
      const id = (await stored()).find(({ text }) => text === HEDGE)?.id;
      const { sentence } = await dashboard.service.json<MarkEffect>(`/api/marks/${id}/effect`);
      const { page, errors } = await dashboard.open(`#/site?${MORNING}`, { width, dark });
      await page.getByRole("link", { name: `before and after the mark ${HEDGE}` }).click();
      await page.getByRole("heading", { level: 1, name: sentence[0]?.text.slice(0, 40) ?? "" }).waitFor();
      // Cutting the hedge changed nothing that three hours could show.
      await page.getByText("○ not enough to say").waitFor();
      await page.getByRole("figure", { name: /^level: Before at \d of \d nodes/ }).waitFor();
      expect(await axeFindings(page)).toEqual([]);
      expect(await overflowPx(page)).toBe(0);
      await page.getByLabel("Before and after, at most").selectOption("3");
      await expect.poll(() => dashboard.asked.at(-1)).toBe(`GET /api/marks/${id}/effect?days=3`);
      await page.getByLabel("Heard by").selectOption({ label: "Water tower" });
      await expect
        .poll(() => dashboard.asked.at(-1))
        .toBe(`GET /api/marks/${id}/effect?gateway=${TOWER}&days=3`);
      expect(errors).toEqual([]);
    });

    test("one is pinned to a moment from the site, by keyboard, and stands in the list as plain text", async () => {
      const { page, errors } = await dashboard.open(`#/site?${MORNING}`);
      await page.getByRole("button", { name: "add a mark" }).press("Enter");
      await page.keyboard.type("<b>Hail</b>");
      await page.getByLabel("When").fill("9:15");
      await page.getByLabel("About").selectOption({ label: "Water tower" });
      expect(await axeFindings(page)).toEqual([]);
      expect(await overflowPx(page)).toBe(0);
      await page.keyboard.press("Enter");
      await page.getByText("<b>Hail</b> about").waitFor();
      expect((await stored()).find(({ text }) => text === "<b>Hail</b>")).toMatchObject({
        at: "2026-04-14T07:15:00.000Z",
        kind: "note",
        gatewayEui: TOWER,
        devAddr: null,
      });
      expect(errors).toEqual([]);
    });

    test("a moment that is no moment is said to be none, and nothing is sent", async () => {
      const { page } = await dashboard.open(`#/site?${MORNING}`);
      await page.getByRole("button", { name: "add a mark" }).click();
      await page.getByLabel("What happened").fill("Hail");
      await page.getByLabel("When").fill("soon");
      await page.getByRole("button", { name: "add it" }).click();
      await page.getByText(/“soon” is not a time/).waitFor();
      expect(dashboard.sent).toEqual([]);
      await page.keyboard.press("Escape");
      await page.getByRole("button", { name: "add a mark" }).waitFor();
    });

    test("a moment held on the score is where a mark is added", async () => {
      const { page } = await dashboard.open(`#/site?${MORNING}`);
      const score = page.getByRole("slider", { name: /^Moment/ });
      await score.waitFor();
      const { width } = (await score.boundingBox())!;
      await score.click({ position: { x: width / 2, y: 60 } });
      await page.getByRole("button", { name: "add a mark here" }).click();
      // Half of the six hours from 04:00 UTC.
      expect(await page.getByLabel("When").inputValue()).toMatch(/^14 Apr 2026, (08:59|09:00):/);
    });

    test("one is changed and removed on the page of a node, which does not show other nodes' marks", async () => {
      for (const [text, devAddr] of [
        ["New battery", "01F2A102"],
        ["Other", "01F2A109"],
      ])
        await dashboard.change("POST", "/api/marks", { at: "2026-04-14T06:00:00.000Z", text, devAddr });
      const { page } = await dashboard.open(`#/nodes/01F2A102/1?${MORNING}`);
      const list = page.getByRole("list", { name: "Marks, newest first" });
      await list.waitFor();
      // The site's own marks concern every node.
      expect((await list.getByRole("listitem").allTextContents()).join()).not.toContain("Other");
      await page.getByRole("button", { name: "change the mark New battery" }).click();
      await page.getByLabel("What happened").fill("New battery, north row");
      await page.getByRole("button", { name: "keep", exact: true }).click();
      await page.getByText("New battery, north row about").waitFor();
      const ofNode = async () => (await stored()).filter(({ devAddr }) => devAddr === "01F2A102");
      expect(await ofNode()).toMatchObject([
        { text: "New battery, north row", at: "2026-04-14T06:00:00.000Z", kind: "note" },
      ]);
      await page.getByRole("button", { name: "remove the mark New battery, north row" }).click();
      await page.getByRole("button", { name: "remove it for good" }).click();
      await page.getByText("New battery, north row about").waitFor({ state: "detached" });
      expect(await ofNode()).toEqual([]);
    });
  });
