/**
 * How does a browser test get a dashboard? Builds the page and starts Chromium once for all files of a worker, starts a
 * fake service for each file, and opens pages that fail the test when the page logs an error or breaks the content policy.
 */
import { rmSync } from "node:fs";
import { mkdtemp } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import axe from "axe-core";
import type { Browser, BrowserContext, Page } from "playwright-core";
import { build } from "vite";
import { launchChromium } from "./chromium.ts";
import { calmMood, type FakeService, startFakeService } from "./fake-service.ts";

export interface Dashboard {
  readonly service: FakeService;
  /** A place of the dashboard, loaded anew. Tabs are kept and used again: the one opened before is gone. */
  open(hash: string, options?: PageOptions): Promise<Opened>;
  /** The service's mood as at the start, its notes empty: before each test. */
  calm(): void;
  close(): Promise<void>;
}

export interface PageOptions {
  /** CSS pixels; below 700 the page is under a finger, above under a mouse. */
  readonly width?: number;
  readonly height?: number;
  readonly dark?: boolean;
  readonly permissions?: string[];
  /** Whose time stands still until the test moves it by `page.clock`. */
  readonly ownClock?: boolean;
}

export interface Opened {
  readonly page: Page;
  /** Errors that the page logged, policy violations among them. */
  readonly errors: string[];
}

/** The folder of the built page: what MASTLOG_PAGE names (`npm test` has just built it), else built anew. */
async function buildPage(): Promise<string> {
  const built = process.env.MASTLOG_PAGE;
  if (built !== undefined && built !== "") return built;
  const folder = await mkdtemp(join(tmpdir(), "dashboard-"));
  process.once("exit", () => rmSync(folder, { recursive: true, force: true }));
  await build({
    configFile: new URL("../../web/vite.config.ts", import.meta.url).pathname,
    logLevel: "error",
    build: { outDir: folder, emptyOutDir: true },
  });
  return folder;
}

let built: Promise<string> | null = null;
let launched: Promise<Browser> | null = null;

/** Builds and launches where nothing is there yet, and starts the fake service; close it when done. */
export async function startDashboard(): Promise<Dashboard> {
  built ??= buildPage();
  // Ends with the process that launched it.
  launched ??= launchChromium();
  const [folder, browser] = await Promise.all([built, launched]);
  const service = await startFakeService(folder);
  const contexts: BrowserContext[] = [];
  const tabs = new Map<string, Opened>();

  const tabFor = async ({ width = 1280, permissions = [], ownClock = false }: PageOptions) => {
    const hasTouch = width < 700;
    const kind = JSON.stringify([hasTouch, permissions, ownClock]);
    const kept = tabs.get(kind);
    if (kept !== undefined) return kept;
    const context = await browser.newContext({ timezoneId: "Europe/Berlin", hasTouch, permissions });
    contexts.push(context);
    if (ownClock) await context.clock.install();
    const page = await context.newPage();
    page.setDefaultTimeout(8000);
    const errors: string[] = [];
    page.on("console", (message) => {
      // Chromium logs every answer that is no success and every line that was cut; tests cause those on purpose.
      if (message.type() === "error" && !/Failed to load resource|WebSocket connection/.test(message.text()))
        errors.push(message.text());
    });
    page.on("pageerror", (error) => errors.push(String(error)));
    const tab = { page, errors };
    tabs.set(kind, tab);
    return tab;
  };

  return {
    service,
    async open(hash, options = {}) {
      const tab = await tabFor(options);
      const { page, errors } = tab;
      // Between two places of one address a browser does not load anew.
      await page.goto("about:blank");
      errors.length = 0;
      await page.setViewportSize({ width: options.width ?? 1280, height: options.height ?? 900 });
      await page.emulateMedia({ colorScheme: options.dark === true ? "dark" : "light", media: "screen" });
      await page.goto(`${service.url}/${hash}`);
      return tab;
    },
    calm() {
      Object.assign(service.mood, calmMood());
      for (const notes of [service.asked, service.received, service.heard]) notes.length = 0;
    },
    async close() {
      await Promise.all(contexts.map((context) => context.close()));
      await service.close();
    },
  };
}

/**
 * What axe finds on the page, a line a violation. Handed to the page by the debugger, which the content policy does
 * not bind, once a load; the wrapper for Playwright opens a tab of its own for every question.
 */
export async function axeFindings(page: Page): Promise<string[]> {
  if (!(await page.evaluate(() => "axe" in window))) await page.evaluate(axe.source);
  return page.evaluate(async () => {
    const { axe } = window as unknown as { axe: typeof import("axe-core") };
    const { violations } = await axe.run(document, { resultTypes: ["violations"] });
    return violations.map(
      (violation) => `${violation.id}: ${violation.nodes.map((node) => node.html.slice(0, 160)).join(" | ")}`,
    );
  });
}

/** How far the page is wider than its window, pixels: 0 means no horizontal scroll. */
export function overflowPx(page: Page): Promise<number> {
  return page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
}
