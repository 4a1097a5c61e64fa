/**
 * How does a browser test get a dashboard? The real service over a copy of the sample captures (sample-store.ts), one
 * for all files that leave the copy as it was and one for each of the others, one Chromium for all files of a worker,
 * and pages that fail the test when they log an error or break the content policy. What the service cannot be brought
 * into is changed on the way between it and the page.
 */
import axe from "axe-core";
import type { Page } from "playwright-core";
import type { Problem } from "../../src/contract/index.ts";
import { temporaryFolder } from "../process/program.ts";
import { type Service, startService } from "../process/service.ts";
import { theChromium } from "./chromium.ts";
import { LiveLine } from "./live-line.ts";
import { sampleStore } from "./sample-store.ts";

export interface Dashboard {
  readonly service: Service;
  /** What the page asked of the API since it was opened: "GET /api/site?from=…". */
  readonly asked: readonly string[];
  /** What the page changed since it was opened. */
  readonly sent: readonly Sent[];
  /** Between page and service where a page was opened `onLine`; calm whenever a page is opened. */
  readonly line: LiveLine;
  /** A place of the dashboard, loaded anew. Tabs are kept and used again: the one opened before is gone. */
  open(hash: string, options?: PageOptions): Promise<Opened>;
  /** Changes something by the API, as another page would; gives the answer. */
  change(method: "PUT" | "POST" | "DELETE", path: string, body?: object): Promise<unknown>;
  close(): Promise<void>;
}

export interface Sent {
  readonly method: string;
  readonly path: string;
  readonly body: string;
}

export interface PageOptions {
  /** CSS pixels; below 700 the page is under a finger, above under a mouse. */
  readonly width?: number;
  readonly height?: number;
  readonly dark?: boolean;
  readonly permissions?: string[];
  /** Whose time stands still until the test moves it by `page.clock`. */
  readonly ownClock?: boolean;
  /** With the live line through `line`, set so before the page is loaded. */
  readonly onLine?: (line: LiveLine) => void;
  /** Runs before the page is loaded. */
  readonly before?: (page: Page) => Promise<void>;
}

export interface Opened {
  readonly page: Page;
  /** Errors that the page logged, policy violations among them. */
  readonly errors: string[];
}

export interface DashboardOptions {
  /** Nothing was ever stored. */
  readonly empty?: boolean;
  /** Further words of `listen`. */
  readonly words?: readonly string[];
}

let shared: Promise<Dashboard> | null = null;

/**
 * The dashboard that all files share which leave what is stored as they found it, but for what no other looks at: a
 * service that has just started takes seconds of a processor for its first answers. It ends with the process.
 */
export async function sharedDashboard(): Promise<Dashboard> {
  shared ??= startDashboard();
  const dashboard = await shared;
  return { ...dashboard, close: () => leaveTabs(dashboard.service) };
}

/**
 * The tabs of all dashboards, one a kind: a window and its process, made anew for each file or each page, cost as much
 * of a processor as what the page does. What the page that is open now asked and sent stands beside.
 */
const tabs = new Map<string, Opened>();
const asked: string[] = [];
const sent: Sent[] = [];
const line = new LiveLine();

async function tabFor({ width = 1280, permissions = [], ownClock = false, onLine }: PageOptions) {
  const hasTouch = width < 700;
  const kind = JSON.stringify([hasTouch, permissions, ownClock, onLine !== undefined]);
  const kept = tabs.get(kind);
  if (kept !== undefined) return kept;
  const browser = await theChromium();
  const context = await browser.newContext({ timezoneId: "Europe/Berlin", hasTouch, permissions });
  if (ownClock) await context.clock.install();
  if (onLine !== undefined) await context.routeWebSocket("**/live", (opened) => line.attach(opened));
  const page = await context.newPage();
  page.setDefaultTimeout(20_000);
  const errors: string[] = [];
  page.on("console", (message) => {
    // Chromium logs every answer that is no success and every line that was cut; tests cause those on purpose.
    if (message.type() === "error" && !/Failed to load resource|WebSocket connection/.test(message.text()))
      errors.push(message.text());
  });
  page.on("pageerror", (error) => errors.push(String(error)));
  page.on("request", (request) => {
    const { pathname, search } = new URL(request.url());
    if (!pathname.startsWith("/api/")) return;
    asked.push(`${request.method()} ${pathname}${search}`);
    if (request.method() !== "GET")
      sent.push({ method: request.method(), path: `${pathname}${search}`, body: request.postData() ?? "" });
  });
  const tab = { page, errors };
  tabs.set(kind, tab);
  return tab;
}

/** Ends what the tabs hold open, and takes away what pages kept in the browser: the next file begins as the first. */
async function leaveTabs(service: Service): Promise<void> {
  for (const [kind, { page }] of [...tabs])
    try {
      await leavePage(page, service);
      await page.evaluate(() => localStorage.clear());
    } catch {
      // The test has ended this service. A tab may still be on its way to Chromium's own error page, which breaks what follows.
      tabs.delete(kind);
      await page.context().close();
    }
}

/**
 * Leaves the page, so that the next place is loaded anew: between two places of one address a browser does not load.
 * By a bare answer of the same service, where the browser keeps the page's process and what it compiled; by
 * about:blank it starts another.
 */
export async function leavePage(page: Page, service: Service): Promise<void> {
  await page.goto(`http://127.0.0.1:${service.webPort}/healthz`);
}

/** Starts a service of a file's own, and the browser where there is none yet; close it when done. */
export async function startDashboard({
  empty = false,
  words = [],
}: DashboardOptions = {}): Promise<Dashboard> {
  const store = empty ? {} : { db: await sampleStore(temporaryFolder()) };
  const [, service] = await Promise.all([theChromium(), startService({ ...store, words })]);
  const url = `http://127.0.0.1:${service.webPort}`;

  return {
    service,
    asked,
    sent,
    line,
    async open(hash, options = {}) {
      const tab = await tabFor(options);
      const { page, errors } = tab;
      await leavePage(page, service);
      await page.unrouteAll({ behavior: "ignoreErrors" });
      line.calm();
      for (const notes of [errors, asked, sent]) notes.length = 0;
      options.onLine?.(line);
      await options.before?.(page);
      await page.setViewportSize({ width: options.width ?? 1280, height: options.height ?? 900 });
      await page.emulateMedia({ colorScheme: options.dark === true ? "dark" : "light", media: "screen" });
      await page.goto(`${url}/${hash}`);
      return tab;
    },
    async change(method, path, body) {
      const answer = await fetch(`${url}${path}`, {
        method,
        ...(body === undefined
          ? {}
          : { headers: { "content-type": "application/json" }, body: JSON.stringify(body) }),
      });
      const text = await answer.text();
      if (!answer.ok) throw new Error(`${method} ${path}: ${answer.status} ${text}`);
      return text === "" ? null : (JSON.parse(text) as unknown);
    },
    async close() {
      await leaveTabs(service);
      await service.end("SIGTERM");
    },
  };
}

/** From now on a path of the API (what follows it too) answers with this problem. */
export async function failing(page: Page, path: string, status: number, problem: Problem): Promise<void> {
  await page.route(
    ({ pathname }) => pathname.startsWith(path),
    (route) => route.fulfill({ status, json: problem }),
  );
}

/** From now on what the service answers on a path of the API is changed on its way to the page. */
export async function changing<Answer>(
  page: Page,
  path: string,
  change: (answer: Answer) => object,
): Promise<void> {
  await page.route(
    ({ pathname }) => pathname === path,
    async (route) => {
      const response = await route.fetch();
      await route.fulfill({ response, json: change((await response.json()) as Answer) });
    },
  );
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
