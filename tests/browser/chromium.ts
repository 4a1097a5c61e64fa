/**
 * Which browser do these tests drive? A real Chromium: the one that MASTLOG_CHROMIUM names, else one at a usual
 * place. Where there is none the tests say that they did not run, and on a build machine (CI=true) that is a failure.
 */
import { existsSync } from "node:fs";
import { type Browser, chromium } from "playwright-core";
import { expect, test } from "vitest";

const USUAL = [
  "/usr/bin/chromium",
  "/usr/bin/chromium-browser",
  "/usr/bin/google-chrome",
  "/usr/bin/google-chrome-stable",
  "/Applications/Chromium.app/Contents/MacOS/Chromium",
  "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
];

/** Path of a Chromium, or null where there is none. */
export function chromiumPath(): string | null {
  const named = process.env.MASTLOG_CHROMIUM;
  if (named !== undefined && named !== "") return existsSync(named) ? named : null;
  return USUAL.find((path) => existsSync(path)) ?? null;
}

let launched: Promise<Browser> | null = null;

/**
 * The browser of all files of a worker; it speaks to nothing but the pages that a test opens, and ends with the
 * process.
 */
export function theChromium(): Promise<Browser> {
  launched ??= launch();
  return launched;
}

/** Playwright's own list, which a second one would replace, and the pages that Chromium draws its own windows with. */
const WITHOUT = [
  ..."AvoidCorsURLLoaderRestartOnRedirect AvoidUnnecessaryBeforeUnloadCheckSync".split(" "),
  ..."HttpsFirstBalancedModeAutoEnable HttpsUpgrades PaintHolding ThirdPartyStoragePartitioning".split(" "),
  ..."AimEnabled LensOverlay MediaRouter NetworkTimeServiceQuerying OptimizationHints PreconnectToSearch".split(
    " ",
  ),
  // Each window of a context loads these two in a process of their own: as much of a processor as a page of ours.
  ..."WebUIOmniboxPopup WebUIOmniboxAimPopup WebUIOmniboxFullPopup".split(" "),
];

function launch(): Promise<Browser> {
  const executablePath = chromiumPath();
  if (executablePath === null) throw new Error("no Chromium was found; name one in MASTLOG_CHROMIUM");
  return chromium.launch({
    executablePath,
    args: [
      "--headless",
      "--no-sandbox",
      "--disable-gpu",
      "--disable-quic",
      "--no-first-run",
      "--disable-background-networking",
      "--disable-component-update",
      "--disable-sync",
      `--disable-features=${WITHOUT.join(",")}`,
    ],
  });
}

/** Whether browser tests can run here; if not, leaves one named test in their place. */
export function chromiumIsHere(what: string): boolean {
  if (chromiumPath() !== null) return true;
  if (process.env.CI === "true")
    test(`${what}: not run, no Chromium was found`, () => {
      expect.fail("a build machine must have Chromium; name it in MASTLOG_CHROMIUM");
    });
  else test.skip(`${what}: not run, no Chromium was found`, () => {});
  return false;
}
