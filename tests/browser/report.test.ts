import type { Browser } from "playwright-core";
import { beforeAll, describe, expect, it } from "vitest";
import { chromiumIsHere, theChromium } from "./chromium.ts";
import { axeFindings, overflowPx, sharedDashboard } from "./dashboard.ts";
import { MORNING } from "./sample-store.ts";

/** Width between the margins, CSS pixels at 96 a inch: paper less twice 14 mm. */
const PAPERS = [
  { format: "A4", widthPx: Math.floor(((210 - 28) / 25.4) * 96) },
  { format: "Letter", widthPx: Math.floor(((215.9 - 28) / 25.4) * 96) },
];

if (chromiumIsHere("the printed report")) {
  describe("the printed report", () => {
    let browser: Browser;
    let report = "";
    beforeAll(async () => {
      const dashboard = await sharedDashboard();
      [browser, report] = await Promise.all([
        theChromium(),
        dashboard.service.text(`/api/report?${MORNING}&zone=Europe/Berlin`),
      ]);
    });

    it.each(PAPERS)("fits on $format and prints to several pages", async ({ format, widthPx }) => {
      const page = await browser.newPage({ viewport: { width: widthPx, height: 1000 } });
      const fetched: string[] = [];
      page.on("request", (request) => fetched.push(request.url()));
      await page.emulateMedia({ media: "print" });
      await page.setContent(report);
      expect(await overflowPx(page)).toBe(0);
      const pdf = await page.pdf({ format, printBackground: true });
      const pages = pdf.toString("latin1").match(/\/Type\s*\/Page\b/g)?.length ?? 0;
      expect(pages).toBeGreaterThanOrEqual(5);
      expect(pages).toBeLessThan(30);
      expect(fetched).toEqual([]);
      await page.close();
    });

    it("can be read by everyone on a screen, a phone's too", async () => {
      const page = await browser.newPage({ viewport: { width: 390, height: 800 } });
      await page.setContent(report);
      expect(await page.locator("h2").allTextContents()).toEqual([
        "What to do",
        "What happened when",
        "Gaps",
        "Gateways",
        "Nodes",
        "Bench lists",
        "Marks",
        "Air",
        "Trials",
        "Walk test",
        "Method and sources",
        "Cautions",
      ]);
      expect(await axeFindings(page)).toEqual([]);
      await page.close();
    });
  });
}
