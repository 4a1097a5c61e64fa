/**
 * How does a browser test get a dashboard? Builds the page once, starts the fake service and Chromium, and opens
 * pages that fail the test when the page logs an error or breaks the content policy.
 */
import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { AxeBuilder } from "@axe-core/playwright";
import type { Browser, BrowserContext, Page } from "playwright-core";
import { build } from "vite";
import { launchChromium } from "./chromium.ts";
import { calmMood, type FakeService, startFakeService } from "./fake-service.ts";

export interface Dashboard {
  readonly service: FakeService;
  readonly browser: Browser;
  /** A page at a place of the dashboard, in a context of its own. */
  open(hash: string, options?: PageOptions): Promise<Opened>;
  /** The service's mood as at the start, its notes empty: before each test. */
  calm(): void;
  close(): Promise<void>;
}

export interface PageOptions {
  readonly width?: number;
  readonly height?: number;
  readonly dark?: boolean;
  readonly timezoneId?: string;
  readonly permissions?: string[];
}

export interface Opened {
  readonly page: Page;
  readonly context: BrowserContext;
  /** Errors that the page logged, policy violations among them. */
  readonly errors: string[];
}

/** Builds, starts and launches; close it when done. */
export async function startDashboard(): Promise<Dashboard> {
  const folder = await mkdtemp(join(tmpdir(), "dashboard-"));
  await build({
    configFile: new URL("../../web/vite.config.ts", import.meta.url).pathname,
    logLevel: "error",
    build: { outDir: folder, emptyOutDir: true },
  });
  const service = await startFakeService(folder);
  const browser = await launchChromium();
  const contexts: BrowserContext[] = [];
  return {
    service,
    browser,
    async open(hash, options = {}) {
      const context = await browser.newContext({
        viewport: { width: options.width ?? 1280, height: options.height ?? 900 },
        colorScheme: options.dark === true ? "dark" : "light",
        timezoneId: options.timezoneId ?? "Europe/Berlin",
        hasTouch: (options.width ?? 1280) < 700,
        permissions: options.permissions ?? [],
      });
      contexts.push(context);
      const page = await context.newPage();
      page.setDefaultTimeout(8000);
      const errors: string[] = [];
      page.on("console", (message) => {
        // Chromium logs every answer that is no success and every line that was cut; tests cause those on purpose.
        if (
          message.type() === "error" &&
          !/Failed to load resource|WebSocket connection/.test(message.text())
        )
          errors.push(message.text());
      });
      page.on("pageerror", (error) => errors.push(String(error)));
      await page.goto(`${service.url}/${hash}`);
      return { page, context, errors };
    },
    calm() {
      Object.assign(service.mood, calmMood());
      for (const notes of [service.asked, service.received, service.heard]) notes.length = 0;
    },
    async close() {
      for (const context of contexts) await context.close();
      await browser.close();
      await service.close();
      await rm(folder, { recursive: true, force: true });
    },
  };
}

/** What axe finds on the page, a line a violation. */
export async function axeFindings(page: Page): Promise<string[]> {
  const found = await new AxeBuilder({ page }).analyze();
  return found.violations.map(
    (violation) => `${violation.id}: ${violation.nodes.map((node) => node.html.slice(0, 160)).join(" | ")}`,
  );
}

/** How far the page is wider than its window, pixels: 0 means no horizontal scroll. */
export function overflowPx(page: Page): Promise<number> {
  return page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
}
