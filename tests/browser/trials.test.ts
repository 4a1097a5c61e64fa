/** Does the page of trials say which place is better, and let a person say where gateways stand? */
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { PlacementsView } from "../../src/contract/index.ts";
import { PNG_DOT } from "../wire/picture/pictures.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, sharedDashboard } from "./dashboard.ts";
import { ANTENNAS, ANTENNAS_TIME } from "./sample-store.ts";

if (chromiumIsHere("trials"))
  describe("trials", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await sharedDashboard();
    });
    afterAll(() => dashboard.close());
    const placed = async (name: string) => {
      const { placements } = await dashboard.service.json<PlacementsView>("/api/placements");
      return placements.find((one) => one.name === name);
    };

    test.each([
      [1280, false],
      [390, true],
    ])("the answer, the forest and the placements stand at %i px and pass axe", async (width, dark) => {
      const { page, errors } = await dashboard.open(`#/trials?${ANTENNAS_TIME}`, { width, dark });
      // The second antenna of the capture hears 3.5 dB less; so much is the difference of the gains entered, too.
      await page
        .getByRole("heading", { name: /^Tower mast hears 3\.6.dB better \(3\.3 to 3\.9\)/ })
        .waitFor();
      await page.getByText("Tower mast is better").waitFor();
      await page
        .getByRole("figure", { name: /^level: Tower mast at 7 of 7 nodes; delivery: Tower mast at 6 of 8/ })
        .waitFor();
      await page.getByText("the place alone makes").waitFor();
      expect(await axeFindings(page)).toEqual([]);
      expect(await overflowPx(page)).toBe(0);
      expect(errors).toEqual([]);
    });

    test("an undecided trial shows how far it is and what would settle it", async () => {
      const { page } = await dashboard.open(
        "#/trials?from=2026-04-21T12:00:00.000Z&to=2026-04-21T12:04:00.000Z",
      );
      await page.getByText(/17.% of the frames that it takes are there/).waitFor();
      await page.getByText(/^About 54 more frames/).waitFor();
      await page.getByText(/^○ not enough to say$/).waitFor();
      expect(await axeFindings(page)).toEqual([]);
    });

    test("choosing the other way round asks for the other pair", async () => {
      const { page } = await dashboard.open(`#/trials?${ANTENNAS_TIME}`);
      const [mast, parapet] = [await placed("Tower mast"), await placed("North parapet")];
      await page.getByLabel("Compare").selectOption({ label: "North parapet" });
      await expect
        .poll(() => dashboard.asked.at(-1))
        .toMatch(new RegExp(`/api/trials\\?a=p${parapet?.id}&b=p${mast?.id}&from=`));
      expect(page.url()).toContain(`a=p${parapet?.id}&b=p${mast?.id}`);
    });

    test("a placement is named by keyboard, changed and removed", async () => {
      const { page, errors } = await dashboard.open(`#/trials?${ANTENNAS_TIME}`);
      await page.getByRole("button", { name: "Name a placement" }).press("Enter");
      await page.keyboard.type("<i>East gable</i>");
      await page.getByLabel("Stands there from").fill("15:15");
      await page.getByLabel("Height, m").fill("7,5");
      await page.getByLabel("Cable loss, dB").fill("lots");
      await page.keyboard.press("Enter");
      await page.getByText("Height, gain and loss are figures, or empty.").waitFor();
      await page.getByLabel("Cable loss, dB").fill("0.8");
      expect(await axeFindings(page)).toEqual([]);
      await page.keyboard.press("Enter");
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      expect(await placed("<i>East gable</i>")).toMatchObject({
        from: "2026-04-21T13:15:00.000Z",
        antenna: null,
        heightM: 7.5,
        antennaGainDbi: null,
        cableLossDb: 0.8,
      });
      await page.getByRole("button", { name: "edit <i>East gable</i>" }).click();
      await page.getByLabel("Note").fill("above the door");
      await page.getByRole("button", { name: "Keep" }).click();
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      expect(await placed("<i>East gable</i>")).toMatchObject({ note: "above the door", heightM: 7.5 });
      await page.getByRole("button", { name: "edit <i>East gable</i>" }).click();
      await page.keyboard.press("Escape");
      await page.getByRole("button", { name: "edit <i>East gable</i>" }).click();
      await page.getByRole("button", { name: "remove it" }).click();
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      expect(await placed("<i>East gable</i>")).toBeUndefined();
      expect(errors).toEqual([]);
    });

    test("a mark becomes the begin of a placement, at its exact moment, and another mark may move it", async () => {
      for (const [at, text] of [
        ["2026-04-21T12:48:20.000Z", "Turned the tower antenna"],
        ["2026-04-21T13:12:40.000Z", "New cable"],
      ])
        await dashboard.change("POST", "/api/marks", { at, text, gatewayEui: ANTENNAS });
      const { page, errors } = await dashboard.open(`#/trials?${ANTENNAS_TIME}`);
      await page.getByRole("button", { name: /^a placement from here.*Turned the tower antenna$/ }).click();
      await page.getByLabel("Name of the place").fill("Mast, turned");
      expect(await page.getByLabel("Note").last().inputValue()).toBe("Turned the tower antenna");
      expect(await axeFindings(page)).toEqual([]);
      await page.getByRole("button", { name: "Save the placement" }).click();
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      expect(await placed("Mast, turned")).toMatchObject({
        gatewayEui: ANTENNAS,
        from: "2026-04-21T12:48:20.000Z",
      });
      await page.getByRole("button", { name: "edit Mast, turned" }).click();
      const mark = page.getByLabel("or from a mark").locator("option", { hasText: "New cable" });
      await page.getByLabel("or from a mark").selectOption((await mark.getAttribute("value")) ?? "");
      await page.getByRole("button", { name: "Keep" }).click();
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      expect(await placed("Mast, turned")).toMatchObject({ from: "2026-04-21T13:12:40.000Z" });
      expect(errors).toEqual([]);
    });

    test("a photo of the place is shown, made small, kept as JPEG", async () => {
      const { page, errors } = await dashboard.open(`#/trials?${ANTENNAS_TIME}`);
      await page.getByRole("button", { name: "edit Tower mast" }).click();
      const field = page.getByLabel("Photo, if you like");
      await field.setInputFiles({ name: "a.png", mimeType: "image/png", buffer: Buffer.from("no picture") });
      await page.getByRole("alert").getByText("cannot read that picture").waitFor();
      await field.setInputFiles({ name: "b.png", mimeType: "image/png", buffer: PNG_DOT });
      await page.getByRole("img", { name: "The photo chosen" }).waitFor();
      expect(await axeFindings(page)).toEqual([]);
      await page.getByRole("button", { name: "Keep" }).click();
      await page.getByRole("button", { name: "Name a placement" }).waitFor();
      const mast = await placed("Tower mast");
      const photo = await fetch(
        `http://127.0.0.1:${dashboard.service.webPort}/api/placements/${mast?.id}/photo`,
      );
      // As the browser writes it, whatever was chosen.
      expect([photo.status, photo.headers.get("content-type")]).toEqual([200, "image/jpeg"]);
      expect([...new Uint8Array(await photo.arrayBuffer()).slice(0, 2)]).toEqual([0xff, 0xd8]);
      expect(errors).toEqual([]);
    });
  });
