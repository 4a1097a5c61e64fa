/** Every page on the real service, with everything named: what each must bear, whoever reads it and however. */
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { cleanUp, temporaryFolder } from "../process/program.ts";
import { chromiumIsHere, launchChromium } from "./chromium.ts";
import { overflowPx } from "./dashboard.ts";
import { eightyLetters, type NamedSite, openWhole, startNamedSite } from "./named-site.ts";

const WIDTHS_PX = [390, 1280];

/** What was seen of one page; each page is loaded once for all tests. */
interface Seen {
  readonly place: string;
  /** Whether a long name stood there. */
  readonly named: boolean;
  /** "390: 12 px" for every width at which the page is wider than its window. */
  readonly tooWide: readonly string[];
}

async function see(page: Page, site: NamedSite, place: string): Promise<Seen> {
  await openWhole(page, site.service, place);
  const tooWide: string[] = [];
  for (const width of WIDTHS_PX) {
    await page.setViewportSize({ width, height: 900 });
    await page.evaluate(async () => {
      for (let frame = 0; frame < 3; frame += 1) await new Promise(requestAnimationFrame);
    });
    const px = await overflowPx(page);
    if (px > 0) tooWide.push(`${width}: ${px} px`);
  }
  const named = (await page.locator("main").getByText("abcdefghijklmnopqrstuvwxyz").count()) > 0;
  return { place, named, tooWide };
}

if (chromiumIsHere("every page"))
  describe("every page, where all names have 80 letters without a place to break", () => {
    let browser: Browser;
    const seen: Seen[] = [];
    beforeAll(async () => {
      const folder = temporaryFolder();
      const [chromium, site] = await Promise.all([launchChromium(), startNamedSite(folder, eightyLetters)]);
      browser = chromium;
      const page = await browser.newPage({ hasTouch: true });
      for (const place of site.places) seen.push(await see(page, site, place));
      await page.close();
    }, 120_000);
    afterAll(async () => {
      await cleanUp();
      await browser.close();
    });

    test("fits a window of 390 and of 1280 px", () => {
      expect(
        seen.filter(({ tooWide }) => tooWide.length > 0).map(({ place, tooWide }) => [place, tooWide]),
      ).toEqual([]);
      expect(seen.filter(({ named }) => !named).map(({ place }) => place.split("?")[0])).toEqual([
        "#/captures",
        "#/service",
        "#/nowhere",
      ]);
    });
  });
