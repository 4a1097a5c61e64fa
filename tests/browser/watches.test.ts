/** The real service: a person chooses what is watched, sends a test message, and reads it on another page. */
import type { Browser } from "playwright-core";
import { beforeAll, describe, expect, it } from "vitest";
import { startService } from "../process/service.ts";
import { chromiumIsHere, theChromium } from "./chromium.ts";
import { axeFindings, overflowPx } from "./dashboard.ts";

if (chromiumIsHere("watches on the real service"))
  describe("watches on the real service", () => {
    let browser: Browser;
    beforeAll(async () => {
      browser = await theChromium();
    });

    it("are chosen on the Service page, and a test message shows on every open page until it is read", async () => {
      // Nobody listens on that port: how publishing goes stands on the same page.
      const service = await startService({ words: ["--publish", "mqtt://127.0.0.1:1"] });
      const address = `http://127.0.0.1:${service.webPort}`;
      const page = await browser.newPage({ viewport: { width: 390, height: 900 } });
      const errors: string[] = [];
      page.on("pageerror", (error) => errors.push(error.message));
      await page.goto(`${address}/#/service`);
      await page.getByText("Nothing is watched yet.").waitFor();
      await page.getByText("mqtt://127.0.0.1:1 does not answer").waitFor();
      await page.getByText(/0 published, \d+ waiting, 0 dropped/).waitFor();
      const minutes = page.getByLabel("a gateway is silent for more than, min");
      await minutes.fill("none");
      await page.getByRole("button", { name: "Watch this" }).click();
      await page.getByText('"a gateway is silent for more than" takes 1 to 10080 min.').waitFor();
      await minutes.fill("5");
      await page.getByLabel("a node is overdue by its own rhythm").uncheck();
      await page.getByLabel("gateway radio deaf").check();
      expect([await overflowPx(page), await axeFindings(page)]).toEqual([0, []]);
      await page.getByRole("button", { name: "Watch this" }).click();
      await page.getByText(/^6 watches, nothing to tell now\./).waitFor();
      const { rules } = await service.json<{ rules: { watch: string; minutes?: number }[] }>("/api/watches");
      expect(rules.map(({ watch }) => watch)).toEqual([
        "gateway-silent",
        "node-loss",
        "not-recording",
        "disk-short",
        "clock-stepped",
        "finding",
      ]);
      expect(rules[0]?.minutes).toBe(5);

      const other = await browser.newPage();
      await other.goto(`${address}/#/air`);
      await page.getByRole("button", { name: "Send a test message" }).click();
      const message = other.getByRole("link", { name: "This site: test message of Mastlog" });
      await message.waitFor();
      await other.getByRole("button", { name: "Read" }).click();
      expect(await message.count()).toBe(0);
      await other.reload();
      await other.getByRole("link", { name: "Captures" }).waitFor();
      expect(await message.count()).toBe(0);
      expect(errors).toEqual([]);
      await other.close();
      await page.close();
      await service.end("SIGTERM");
    });
  });
