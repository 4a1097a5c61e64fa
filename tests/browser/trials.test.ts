/** Does the page of trials say which place is better, and let a person say where gateways stand? */
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { PNG_DOT } from "../wire/picture/pictures.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";

const FIXED = "from=2026-04-14T06:00:00.000Z&to=2026-04-14T10:00:00.000Z";

if (chromiumIsHere("trials"))
  describe("trials", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    beforeEach(() => dashboard.calm());
    const sent = () => JSON.parse(dashboard.service.received.at(-1)?.body ?? "null") as unknown;

    test.each([
      [1280, false],
      [390, true],
    ])("the answer, the forest and the placements stand at %i px and pass axe", async (width, dark) => {
      const { page, errors } = await dashboard.open(`#/trials?${FIXED}`, { width, dark });
      await page.getByRole("heading", { name: /^Tower mast hears 2.9/ }).waitFor();
      await page.getByText("Tower mast is better").waitFor();
      await page.getByRole("figure", { name: /^level: Tower mast at 3 of 3 nodes; delivery: / }).waitFor();
      await page.getByText("the place alone makes").waitFor();
      expect(await axeFindings(page)).toEqual([]);
      expect(await overflowPx(page)).toBe(0);
      expect(errors).toEqual([]);
    });

    test("an undecided trial shows how far it is and what would settle it", async () => {
      dashboard.service.mood.trialEnough = false;
      const { page } = await dashboard.open(`#/trials?${FIXED}`);
      await page.getByText(/72\u202F% of the frames that it takes are there/).waitFor();
      await page.getByText(/About 40 more frames/).waitFor();
      await page.getByText(/^○ not enough to say$/).waitFor();
      expect(await axeFindings(page)).toEqual([]);
    });

    test("choosing the other way round asks for the other pair", async () => {
      const { page } = await dashboard.open(`#/trials?${FIXED}`);
      await page.getByLabel("Compare").selectOption("p1");
      await expect.poll(() => dashboard.service.asked.at(-1)).toMatch(/\/api\/trials\?a=p1&b=p2&from=/);
      expect(page.url()).toContain("a=p1&b=p2");
    });

    test("a placement is named by keyboard, changed and removed", async () => {
      const { page, errors } = await dashboard.open(`#/trials?${FIXED}`);
      await page.getByRole("button", { name: "Name a placement" }).press("Enter");
      await page.keyboard.type("<i>East gable</i>");
      await page.getByLabel("Stands there from").fill("9:15");
      await page.getByLabel("Height, m").fill("7,5");
      await page.getByLabel("Cable loss, dB").fill("lots");
      await page.keyboard.press("Enter");
      await page.getByText("Height, gain and loss are figures, or empty.").waitFor();
      await page.getByLabel("Cable loss, dB").fill("0.8");
      expect(await axeFindings(page)).toEqual([]);
      await page.keyboard.press("Enter");
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      expect(sent()).toMatchObject({
        name: "<i>East gable</i>",
        gatewayEui: "02005E1000000002",
        antenna: null,
        heightM: 7.5,
        antennaGainDbi: null,
        cableLossDb: 0.8,
      });
      await page.getByRole("button", { name: "edit Tower mast" }).click();
      await page.getByLabel("Note").fill("");
      await page.getByRole("button", { name: "Keep" }).click();
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      expect(dashboard.service.received.at(-1)?.path).toContain("/api/placements/2");
      expect(sent()).toMatchObject({ name: "Tower mast", note: null, from: "2026-04-14T08:00:00.000Z" });
      await page.getByRole("button", { name: "North parapet" }).first().click();
      await page.keyboard.press("Escape");
      await page.getByRole("button", { name: "edit North parapet" }).click();
      await page.getByRole("button", { name: "remove it" }).click();
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      expect(errors).toEqual([]);
    });

    test("a mark becomes the begin of a placement, at its exact moment, and another mark may move it", async () => {
      const { page, errors } = await dashboard.open(`#/trials?${FIXED}`);
      await page.getByRole("button", { name: /^a placement from here.*Turned the tower antenna$/ }).click();
      await page.getByLabel("Name of the place").fill("Mast, turned");
      expect(await page.getByLabel("Note").last().inputValue()).toBe("Turned the tower antenna");
      expect(await axeFindings(page)).toEqual([]);
      await page.getByRole("button", { name: "Save the placement" }).click();
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      expect(sent()).toMatchObject({
        name: "Mast, turned",
        gatewayEui: "02005E1000000002",
        from: "2026-04-14T07:12:00.000Z",
      });
      await page.getByRole("button", { name: "edit Tower mast" }).click();
      await page.getByLabel("or from a mark").selectOption({ index: 1 });
      await page.getByRole("button", { name: "Keep" }).click();
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      expect(sent()).toMatchObject({ name: "Tower mast", from: "2026-04-14T08:48:00.000Z" });
      expect(errors).toEqual([]);
    });

    test("a photo of the place is shown, made small, kept as JPEG and taken away", async () => {
      const { page, errors } = await dashboard.open(`#/trials?${FIXED}`);
      await page.getByRole("button", { name: "edit Tower mast" }).click();
      const field = page.getByLabel("Photo, if you like");
      await field.setInputFiles({ name: "a.png", mimeType: "image/png", buffer: Buffer.from("no picture") });
      await page.getByRole("alert").getByText("cannot read that picture").waitFor();
      await field.setInputFiles({ name: "b.png", mimeType: "image/png", buffer: PNG_DOT });
      await page.getByRole("img", { name: "The photo chosen" }).waitFor();
      expect(await axeFindings(page)).toEqual([]);
      await page.getByRole("button", { name: "Keep" }).click();
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      const put = dashboard.service.received.at(-1);
      expect(put?.path).toBe("/api/placements/2/photo");
      // JFIF, as the browser writes it, whatever was chosen.
      expect(put?.body).toContain("JFIF");
      expect(errors).toEqual([]);
    });

    test("with nothing to compare it says so and asks for placements", async () => {
      dashboard.service.mood.empty = true;
      const { page } = await dashboard.open(`#/trials?${FIXED}`);
      await page.getByRole("heading", { name: /nothing to compare/ }).waitFor();
      await page.getByText(/No placement entered yet/).waitFor();
      expect(await axeFindings(page)).toEqual([]);
    });
  });
