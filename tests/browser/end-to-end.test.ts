/** The real service, a site played at it over UDP, and a person looking at the page: what must happen by itself. */

import type { Browser, Page } from "playwright-core";
import { beforeAll, describe, expect, it } from "vitest";
import { endOf, spawnProgram, temporaryFolder } from "../process/program.ts";
import { type Service, startService } from "../process/service.ts";
import { chromiumIsHere, theChromium } from "./chromium.ts";

if (chromiumIsHere("the dashboard on the real service")) {
  let browser: Browser;
  let service: Service;
  const troubles: string[] = [];

  async function open(path: string): Promise<Page> {
    const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
    page.on("console", (message) => {
      if (message.type() === "error") troubles.push(message.text());
    });
    page.on("pageerror", (error) => troubles.push(error.message));
    await page.goto(`http://127.0.0.1:${service.webPort}/#${path}`);
    return page;
  }

  beforeAll(async () => {
    browser = await theChromium();
  });

  describe("the dashboard on the real service", () => {
    it("shows nodes within five seconds of a site's first datagram, without a reload", async () => {
      service = await startService();
      const page = await open("/site");
      await page.getByText("Point a gateway here").waitFor();
      const site = spawnProgram(
        ["simulate", "--seed", "5", "--to", `127.0.0.1:${service.udpPort}`],
        temporaryFolder(),
      );
      await new Promise<void>((resolve) => site.stdout?.once("data", () => resolve()));
      await page
        .getByText(/\d+ nodes/)
        .first()
        .waitFor({ timeout: 5_000 });
      await page.goto(`http://127.0.0.1:${service.webPort}/#/nodes`);
      await page.getByRole("link", { name: "01F2A501" }).first().waitFor({ timeout: 10_000 });
      site.kill("SIGINT");
      await endOf(site);
      await page.close();
      await service.end("SIGTERM");
      expect(troubles).toEqual([]);
    });

    it("opens the sample site with a click, by its names, down to the octets of a frame", async () => {
      service = await startService();
      const page = await open("/site");
      await page.getByRole("button", { name: /open/ }).first().click();
      await page.getByText("Packing shed").first().waitFor({ timeout: 20_000 });
      await page
        .getByText(/unreachable for/)
        .first()
        .waitFor({ timeout: 20_000 });
      await page.getByRole("link", { name: "Nodes", exact: true }).click();
      await page.getByRole("link", { name: "Frost probe row 17" }).first().click();
      await page
        .getByText(/delivered \d+/)
        .first()
        .waitFor();
      await page
        .locator("table")
        .getByRole("button", { name: /\d\d:\d\d:\d\d/ })
        .first()
        .click();
      await page.getByText("DevAddr").first().waitFor();
      await page.close();
      await service.end("SIGTERM");
      expect(troubles).toEqual([]);
    });

    it("works on an address of the network with its token, without a console or policy error", async () => {
      service = await startService({ words: ["--host", "0.0.0.0"] });
      const page = await browser.newPage();
      page.on("console", (message) => {
        if (message.type() === "error") troubles.push(message.text());
      });
      await page.goto(`http://127.0.0.1:${service.webPort}/?token=${service.token}`);
      await page.getByText("Point a gateway here").waitFor();
      await page.close();
      await service.end("SIGTERM");
      expect(troubles).toEqual([]);
    });
  });
}
