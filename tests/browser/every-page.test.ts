/** Every page on the real service, with everything named: what each must bear, whoever reads it and however. */
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { temporaryFolder } from "../process/program.ts";
import { chromiumIsHere, theChromium } from "./chromium.ts";
import { axeFindings, overflowPx } from "./dashboard.ts";
import { eightyLetters, type NamedSite, openWhole, SHED, startNamedSite } from "./named-site.ts";

const WIDTHS_PX = [390, 1280];

/** What was seen of one page; each page is loaded once for all tests. */
interface Seen {
  readonly place: string;
  /** Whether a long name stood there. */
  readonly named: boolean;
  /** "390: 12 px" for every width at which the page is wider than its window. */
  readonly tooWide: readonly string[];
  /** The levels of its headings, in order: "1223". */
  readonly headings: string;
  /** Controls, drawings and regions that a screen reader would read without a name, and tables without heads. */
  readonly unnamed: readonly string[];
  /** What a screen reader says of its drawings. */
  readonly drawings: readonly string[];
}

const NAMED_ROLES = new Set(
  "button link textbox searchbox combobox checkbox radio spinbutton slider image figure region navigation dialog".split(
    " ",
  ),
);

/** What the browser tells a screen reader of the page, folds open. */
async function toldByEar(page: Page): Promise<Pick<Seen, "headings" | "unnamed" | "drawings">> {
  const session = await page.context().newCDPSession(page);
  const { nodes } = await session.send("Accessibility.getFullAXTree");
  await session.detach();
  const told = nodes
    .filter(({ ignored }) => !ignored)
    .map(({ role, name, properties }) => ({
      role: String(role?.value ?? ""),
      name: String(name?.value ?? "").trim(),
      level: properties?.find((one) => one.name === "level")?.value.value,
    }));
  const headless = await page
    .locator("table:not(:has(thead th[scope=col])):not(:has(th[scope=row]))")
    .evaluateAll((tables) => tables.map((table) => `table: ${table.textContent?.slice(0, 60)}`));
  return {
    headings: told.flatMap(({ role, level }) => (role === "heading" ? [String(level)] : [])).join(""),
    unnamed: [
      ...told.flatMap(({ role, name }) => (NAMED_ROLES.has(role) && name === "" ? [role] : [])),
      ...headless,
    ],
    drawings: told.flatMap(({ role, name }) => (role === "image" ? [name] : [])),
  };
}

/**
 * Presses Tab until what has the focus is called so. Rejects when it never is, and when the focus cannot be seen on
 * its way: no outline, no size, or outside of the window.
 */
async function tabTo(page: Page, name: RegExp): Promise<void> {
  for (let presses = 0; presses < 120; presses += 1) {
    await page.keyboard.press("Tab");
    const at = await page.evaluate(() => {
      const here = document.activeElement;
      if (here === null || here === document.body) return null;
      const { top, bottom, width } = here.getBoundingClientRect();
      return {
        name: (here.getAttribute("aria-label") ?? here.textContent ?? "").trim(),
        visible:
          getComputedStyle(here).outlineStyle !== "none" && width > 0 && bottom > 0 && top < innerHeight,
      };
    });
    if (at === null) continue;
    if (!at.visible) throw new Error(`The focus cannot be seen on "${at.name}".`);
    if (name.test(at.name)) return;
  }
  throw new Error(`120 presses of Tab do not lead to ${name}.`);
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
  await page.waitForFunction(() => document.querySelector(".skeleton") === null);
  const named = (await page.locator("main").getByText("abcdefghijklmnopqrstuvwxyz").count()) > 0;
  return { place, named, tooWide, ...(await toldByEar(page)) };
}

if (chromiumIsHere("every page"))
  describe("every page, where all names have 80 letters without a place to break", () => {
    let browser: Browser;
    let site: NamedSite;
    const seen: Seen[] = [];
    beforeAll(async () => {
      const folder = temporaryFolder();
      [browser, site] = await Promise.all([theChromium(), startNamedSite(folder, eightyLetters)]);
      const page = await browser.newPage({ hasTouch: true });
      for (const place of site.places) seen.push(await see(page, site, place));
      await page.close();
    }, 120_000);
    afterAll(() => site?.service.end("SIGTERM"));

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

    test("begins with its one first heading and skips no level after it", () => {
      for (const { place, headings } of seen) {
        expect(headings, place).toMatch(/^1[2-6]*$/);
        for (const [at, level] of [...headings].entries())
          if (at > 0)
            expect(Number(level) - Number(headings[at - 1]), `${place}: ${headings}`).toBeLessThan(2);
      }
    });

    test("has a name for every control, drawing and region, and heads for every table", () => {
      expect(seen.filter(({ unnamed }) => unnamed.length > 0).map((one) => [one.place, one.unnamed])).toEqual(
        [],
      );
    });

    test("tells in words the figure of every drawing", () => {
      const drawings = seen.flatMap((one) => one.drawings);
      expect(drawings.length).toBeGreaterThan(20);
      expect([...new Set(drawings.filter((words) => !/\d/.test(words)))]).toEqual([]);
    });

    test.each([1280, 390])(
      "in forced colours at %i px shows which view it is, every bar and every button",
      async (width) => {
        const context = await browser.newContext({
          viewport: { width, height: 900 },
          forcedColors: "active",
          colorScheme: "dark",
        });
        const page = await context.newPage();
        const place = site.places.find((one) => one.startsWith("#/trials?a="))!;
        await openWhole(page, site.service, place);
        const { current, invisible, bare } = await page.evaluate(() => {
          const ground = getComputedStyle(document.body).backgroundColor;
          const shown = (selector: string) =>
            [...document.querySelectorAll(selector)].filter((one) => one.checkVisibility());
          return {
            current: shown(".rail a, .rail button")
              .filter((one) => {
                const { borderLeftColor, borderLeftWidth, borderTopColor, borderTopWidth } =
                  getComputedStyle(one);
                return (
                  (borderLeftWidth !== "0px" && borderLeftColor !== ground) ||
                  (borderTopWidth !== "0px" && borderTopColor !== ground)
                );
              })
              .map((one) => one.textContent),
            invisible: shown(".forest-line").filter((one) => getComputedStyle(one).backgroundColor === ground)
              .length,
            bare: shown("button.plain, .button, select").filter((one) => {
              const { borderTopWidth, borderTopColor } = getComputedStyle(one);
              return borderTopWidth === "0px" || borderTopColor === ground;
            }).length,
          };
        });
        expect({ current, invisible, bare }).toEqual({
          current: [width < 700 ? "more" : "Trials"],
          invisible: 0,
          bare: 0,
        });
        expect(await page.locator(".forest-line").count()).toBeGreaterThan(5);
        expect(await axeFindings(page)).toEqual([]);
        await context.close();
      },
    );

    describe("by keyboard alone", () => {
      let page: Page;
      beforeAll(async () => {
        page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
        page.setDefaultTimeout(8_000);
      });
      afterAll(() => page.close());
      const press = (key: string) => page.keyboard.press(key);
      const atSite = () => openWhole(page, site.service, site.places[0]!);

      test("a gateway is brought up: its check list, what passed, a reference beside it", async () => {
        await atSite();
        await tabTo(page, /^Bench$/);
        await press("Enter");
        await page.getByRole("region", { name: "Gateways on the bench" }).waitFor();
        await tabTo(page, /^Tower/);
        await press("Enter");
        await page.getByRole("heading", { level: 1, name: /^Towerabc.* checks? / }).waitFor();
        await tabTo(page, /^show them$/);
        await press("Enter");
        await page.getByRole("button", { name: "hide them" }).waitFor();
        await tabTo(page, /^Choose a reference$/);
        await press("Enter");
        await tabTo(page, /^Measure against it$/);
        await press("Enter");
        await page.getByRole("button", { name: "Measure against it" }).waitFor({ state: "detached" });
        const said = await site.service.json<{ reference: { eui: string } | null }>("/api/bench-reference");
        expect(said.reference?.eui).toBe(SHED);
      });

      test("a dropout is followed from the site to the octets that it rests on", async () => {
        await atSite();
        await tabTo(page, /^Moment read in all rows/);
        await press("Home");
        await press("PageDown");
        await page
          .getByRole("slider", { name: /^Moment/ })
          .and(page.locator("[aria-valuenow='10']"))
          .waitFor();
        await tabTo(page, /^evidence/);
        await press("Enter");
        await page.locator(".gap-line").first().waitFor();
        await tabTo(page, /^14 Apr \d\d:\d\d(Probe|\d+ nodes)/);
        await press("Enter");
        await page.getByRole("heading", { name: "Speaks for it" }).first().waitFor();
        await tabTo(page, /^its receptions for/);
        await press("Enter");
        await page
          .getByRole("button", { name: /^hide the receptions/ })
          .first()
          .waitFor();
        await tabTo(page, /\d\d:\d\d:\d\d\.\d/);
        await press("Enter");
        await page.getByText("DevAddr").first().waitFor();
      });

      test("a word opens its explanation beside itself, and has the focus again after Escape", async () => {
        await openWhole(page, site.service, site.places.find((one) => one.startsWith("#/nodes?"))!);
        await tabTo(page, /^What is Margin\?$/);
        await press("Enter");
        const explanation = page.getByRole("dialog", { name: "Margin" });
        await explanation.getByText("Source: SX1276 data sheet").waitFor();
        const [word, box] = await page.evaluate(() =>
          [".explain-mark[data-term=margin]", ".explanation"].map((one) => {
            const { top, bottom, left, right } = document.querySelector(one)!.getBoundingClientRect();
            return { top, bottom, left, right };
          }),
        );
        expect(box!.top - word!.bottom).toBeGreaterThanOrEqual(0);
        expect(box!.top - word!.bottom).toBeLessThan(12);
        expect(box!.right).toBeLessThanOrEqual(1280);
        expect(await axeFindings(page)).toEqual([]);
        await press("Escape");
        await explanation.waitFor({ state: "detached" });
        expect(await page.evaluate(() => document.activeElement?.getAttribute("aria-label"))).toBe(
          "What is Margin?",
        );
      });

      test("two placements are compared: chosen, read as a table, and one named anew", async () => {
        await atSite();
        await tabTo(page, /^Trials$/);
        await press("Enter");
        await page.getByRole("heading", { level: 1, name: /points fewer frames/ }).waitFor();
        await tabTo(page, /^show as table$/);
        await press("Enter");
        await page.getByRole("button", { name: "show as drawing" }).waitFor();
        await tabTo(page, /^edit Gable/);
        await press("Enter");
        await press("Control+A");
        await page.keyboard.type("Parapet");
        await press("Enter");
        await page.getByRole("button", { name: "edit Parapet" }).waitFor();
      });
    });
  });
