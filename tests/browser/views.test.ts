/** Does every view stand in each of its states: with data, empty, loading, failed, stale, and where the data are old? */
import type { Page } from "playwright-core";
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";
import { capturesView } from "./orchard.ts";

const VIEWS: readonly [string, string, RegExp][] = [
  ["Site", "#/site?last=3600", /2 of 8 nodes lost more than/],
  ["Nodes", "#/nodes?last=3600", /2 of 8 nodes lost more than/],
  ["a node", "#/nodes/01A2B3C4/1?last=21600", /Frost probe row 12 delivered/],
  ["Air", "#/air?last=3600", /The busiest channel was/],
  ["Gaps", "#/gaps?last=3600&gap=gap-steady", /4 of 8 nodes have gaps/],
  ["a walk test", "#/walk/01A2B3C9?last=3600", /1 of 4 stops is good/],
  ["Captures", "#/captures", /3 captures with/],
  ["the service", "#/service", /The service works/],
];

/** The view stands, and what is drawn came with the first frame after the data. */
async function drawn(page: Page, sentence: RegExp): Promise<void> {
  await page.getByRole("heading", { level: 1, name: sentence }).waitFor();
  await page.waitForFunction(() =>
    [...document.querySelectorAll("canvas")].every((canvas) => canvas.width > 0),
  );
}

function unfold(page: Page): Promise<void> {
  return page.evaluate(() => {
    for (const fold of document.querySelectorAll("details")) fold.open = true;
  });
}

if (chromiumIsHere("views"))
  describe("views", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    beforeEach(() => dashboard.calm());

    for (const [name, hash, sentence] of VIEWS) {
      test(`${name} opens with its sentence and is accessible in light and dark, without error or sideways scroll`, async () => {
        const { page, errors } = await dashboard.open(hash);
        await drawn(page, sentence);
        expect(await overflowPx(page)).toBe(0);
        await unfold(page);
        expect(await axeFindings(page)).toEqual([]);
        await page.emulateMedia({ colorScheme: "dark" });
        expect(await axeFindings(page)).toEqual([]);
        expect(errors).toEqual([]);
      });

      test(`${name} fits a phone of 390 px with everything folded open, without error`, async () => {
        const { page, errors } = await dashboard.open(hash, { width: 390, dark: true });
        await drawn(page, sentence);
        expect(await overflowPx(page)).toBe(0);
        await unfold(page);
        expect(await overflowPx(page)).toBe(0);
        expect(errors).toEqual([]);
      });
    }

    test("the page's letters come from the service, at most 70 kB of them, and nothing moves while it loads", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      await page.addInitScript(() => {
        const shifts: number[] = [];
        Object.assign(window, { shifts });
        new PerformanceObserver((list) => {
          for (const entry of list.getEntries()) shifts.push((entry as unknown as { value: number }).value);
        }).observe({ type: "layout-shift", buffered: true });
      });
      await page.reload();
      await drawn(page, /2 of 8 nodes lost more than/);
      const letters = await page.evaluate(async () => {
        await Promise.all([...document.fonts].map((face) => face.load().catch(() => null)));
        return performance
          .getEntriesByType("resource")
          .filter(({ name }) => name.endsWith(".woff2"))
          .map((entry) => (entry as PerformanceResourceTiming).decodedBodySize);
      });
      expect(letters).toHaveLength(5);
      expect(letters.reduce((sum, bytes) => sum + bytes, 0)).toBeLessThan(70_000);
      const shifts = await page.evaluate(() => (window as unknown as { shifts: number[] }).shifts);
      expect(shifts.reduce((sum, shift) => sum + shift, 0)).toBeLessThan(0.05);
    });

    test("an empty store is a page of help: addresses, port, whether anything arrived, and the sample site", async () => {
      dashboard.service.mood.empty = true;
      const { page } = await dashboard.open("#/site");
      await page.getByRole("heading", { level: 1, name: /Nothing is stored yet/ }).waitFor();
      await page.getByText("192.0.2.20", { exact: true }).waitFor();
      await page.getByText('"server_address": "192.0.2.20"').waitFor();
      await page.getByLabel("2001:db8::20").check();
      await page.getByLabel(/^Identifier of the gateway/).fill("02:00:5E:10:00:00:00:01");
      await page.getByText('"gateway_ID": "02005E1000000001"').waitFor();
      await page.getByText('"server_address": "2001:db8::20"').waitFor();
      await page.getByRole("img", { name: /^Code to scan/ }).waitFor();
      await page.getByText("1700", { exact: true }).waitFor();
      await page.getByText(/Nothing has arrived on the port/).waitFor();
      expect(await axeFindings(page)).toEqual([]);
      const now = Date.now();
      const arrived = { datagrams: 5, lastAt: new Date(now).toISOString(), lastFrom: "192.0.2.10:41022" };
      dashboard.service.push("status", { set: { arrived } });
      await page.getByText(/5 datagrams arrived/).waitFor();
      await page.getByRole("button", { name: /^open/ }).click();
      await page.waitForURL(/#\/site\?from=2026-03-14T08/);
      expect(dashboard.service.received.at(-1)?.path).toBe("/api/samples/orchard-morning.pcapng.gz");
    });

    test("while a capture that fills the window is read, its progress stands in place of half-read figures", async () => {
      const { page } = await dashboard.open(
        "#/nodes?from=2026-03-14T08:00:00.000Z&to=2026-03-14T10:00:00.000Z",
      );
      await page.getByRole("heading", { level: 1, name: /2 of 8 nodes/ }).waitFor();
      const [reading] = capturesView(Date.now()).captures;
      const capture = { ...reading, from: null, to: null, progress: 0.87 };
      dashboard.service.push("captures", { set: { captures: [capture] } });
      await page.getByRole("heading", { level: 1, name: /^Reading tower-afternoon.pcapng: 87.%/ }).waitFor();
      expect(await page.getByRole("table").count()).toBe(0);
      expect(await axeFindings(page)).toEqual([]);
      await page.getByRole("button", { name: "show what is read so far" }).click();
      await page.getByText(/these figures are not final/).waitFor();
      dashboard.service.push("captures", { set: { captures: [{ ...capture, state: "done" }] } });
      await page.getByText(/these figures are not final/).waitFor({ state: "detached" });
    });

    for (const [name, hash, words] of [
      ["Nodes", "#/nodes", /No node was heard in this window/],
      ["Air", "#/air", /Nothing was heard on any channel/],
      ["Gaps", "#/gaps", /No gap lies in this window/],
      ["Captures", "#/captures", /No capture was read yet/],
    ] as const)
      test(`${name}, empty, says what to do next`, async () => {
        dashboard.service.mood.empty = true;
        const { page, errors } = await dashboard.open(hash, { width: 390 });
        await page.getByText(words).first().waitFor();
        expect(await overflowPx(page)).toBe(0);
        expect(await axeFindings(page)).toEqual([]);
        expect(errors).toEqual([]);
      });

    test("loading keeps the shape of what comes and is accessible", async () => {
      dashboard.service.mood.silent = ["/api/nodes", "live:nodes"];
      const { page } = await dashboard.open("#/nodes");
      await page.locator(".skeleton-row").first().waitFor();
      expect(await axeFindings(page)).toEqual([]);
    });

    test("failed says what failed, what to do, and asks again", async () => {
      const problem = {
        code: "storage-failed",
        sentence: "The store could not be read.",
        remedy: "Free some space.",
      };
      dashboard.service.mood.silent = ["live:air"];
      dashboard.service.mood.fail = { "/api/air": { status: 503, body: problem } };
      const { page } = await dashboard.open(
        "#/air?from=2026-03-14T08:00:00.000Z&to=2026-03-14T10:00:00.000Z",
      );
      await page.getByRole("heading", { name: "✕ The store could not be read." }).waitFor();
      await page.getByText("Free some space.").waitFor();
      expect(await axeFindings(page)).toEqual([]);
      dashboard.service.mood.fail = {};
      await page.getByRole("button", { name: "ask again" }).click();
      await page.getByRole("heading", { name: /The busiest channel was/ }).waitFor();
    });

    test("a lost line dims the figures, says since when, and mends itself", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      await page.getByText(/○ reading a capture, 42\u202F%/).waitFor();
      await page.getByRole("heading", { name: /2 of 8 nodes/ }).waitFor();
      dashboard.service.cutLine();
      await page.getByText(/These figures are from \d\d:\d\d:\d\d/).waitFor();
      await page.getByText(/✕ connection lost \d\d:\d\d:\d\d/).waitFor();
      expect(await page.title()).toBe("✕ connection lost · Site · Fennick Orchard");
      expect(await page.locator('link[rel="icon"]').getAttribute("href")).toContain("mark-bad");
      await page.getByRole("heading", { name: /2 of 8 nodes/ }).waitFor();
      expect(await page.locator(".stale").count()).toBe(1);
      expect(await axeFindings(page)).toEqual([]);
      dashboard.service.mood.line = true;
      await page.getByText(/○ reading a capture/).waitFor({ timeout: 10_000 });
      dashboard.service.push("captures", { set: { captures: [] } });
      await page.getByText(/✓ receiving, \d+\u202Fs ago/).waitFor({ timeout: 10_000 });
      await page.locator(".stale").waitFor({ state: "detached" });
      expect(await page.title()).toBe("Site · Fennick Orchard");
    });

    test("without a live line at all the view is asked for the plain way", async () => {
      dashboard.service.mood.line = false;
      const { page } = await dashboard.open("#/nodes?last=3600");
      await page.getByRole("heading", { name: /2 of 8 nodes/ }).waitFor();
      expect(dashboard.service.asked).toContain("GET /api/nodes?last=3600");
    });

    test("when what is stored is old, the page says where it lies and leads there", async () => {
      dashboard.service.mood.storedUntil = Date.parse("2026-03-14T10:00:00Z");
      const { page } = await dashboard.open("#/nodes?last=3600");
      await page.getByText(/What is stored lies in 14 Mar 2026, 09:00–11:00/).waitFor();
      await page.getByRole("button", { name: "show what is stored" }).click();
      await page.waitForURL(/#\/nodes\?from=2026-03-14T08%3A00%3A00.000Z&to=2026-03-14T10%3A01/);
      await page.getByRole("button", { name: "14 Mar 2026, 09:00–11:01" }).waitFor();
      expect(await page.getByText(/What is stored lies in/).count()).toBe(0);
    });

    test("prints without rail and buttons, in ink on white", async () => {
      const { page } = await dashboard.open("#/nodes/01A2B3C4/1?last=21600");
      await page.getByRole("heading", { name: /Frost probe row 12/ }).waitFor();
      await page.emulateMedia({ media: "print" });
      expect(await page.getByRole("navigation").isVisible()).toBe(false);
      expect(await page.getByRole("button", { name: "show as table" }).first().isVisible()).toBe(false);
      expect(await page.evaluate(() => getComputedStyle(document.body).backgroundColor)).toBe(
        "rgb(255, 255, 255)",
      );
    });
  });
