/** Can a person read what the link went through, whose the lives are, what keys say, and what a frame holds in clear? */
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { GatewayRow, NodePage, SiteView } from "../../src/contract/index.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, changing, type Dashboard, overflowPx, sharedDashboard } from "./dashboard.ts";
import { ANSWERED_TIME, KEYED, MORNING, TOWER } from "./sample-store.ts";

/** The probe whose keys are available, and one without. */
const WITH_KEYS = `#/nodes/${KEYED}/1?${MORNING}`;
const WITHOUT = `#/nodes/01F2A102/1?${MORNING}`;

if (chromiumIsHere("story"))
  describe("story", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await sharedDashboard();
    });
    afterAll(() => dashboard.close());

    test("the link story tells every moment with its certainty", async () => {
      const { page } = await dashboard.open(WITH_KEYS);
      const moments = page.getByRole("region", { name: "Link story" }).getByRole("listitem");
      await moments.first().waitFor();
      const told = await moments.allTextContents();
      expect(told).toHaveLength(3);
      // What the scenario of the capture says: a battery of 88 of 254 at 06:30 UTC, another data rate at 07:30.
      expect(told[0]).toMatch(/08:30.*battery at 34.%.*3.dB SNR \(DevStatusAns\).*proved by keys · FCnt 37$/);
      expect(told[2]).toMatch(/09:30.*SF8BW125 to SF10BW125.*as read from the frame · FCnt 52$/);
    });

    test("of a story that is long the newest moments are shown, and the earlier ones when asked", async () => {
      const { page } = await dashboard.open(WITH_KEYS, {
        before: (opened) =>
          changing<NodePage>(opened, `/api/nodes/${KEYED}/1`, (node) => ({
            ...node,
            story: Array.from({ length: 27 }, () => node.story[0]),
            storyCut: true,
          })),
      });
      const story = page.getByRole("region", { name: "Link story" });
      await story
        .getByText("Only the newest part of this window's story is shown", { exact: false })
        .waitFor();
      expect(await story.getByRole("listitem").count()).toBe(12);
      await story.getByRole("button", { name: "show 15 earlier moments" }).click();
      expect(await story.getByRole("listitem").count()).toBe(27);
    });

    test("a link without a story says so, and a node without keys has one quiet line", async () => {
      const { page } = await dashboard.open(WITHOUT);
      await page.getByText("Nothing about the link changed", { exact: false }).waitFor();
      await page
        .getByText("no keys available: identity is the address with the evidence of its counters")
        .waitFor();
    });

    test("a change of data rate stands on the ladder, and its head reads it by keyboard", async () => {
      const { page } = await dashboard.open(WITH_KEYS);
      const head = page.getByRole("button", { name: /14 Apr 09:30:21 · The data rate went from SF8BW125/ });
      await head.focus();
      await page.locator(".signal-reading", { hasText: "as the network asked" }).waitFor();
      // 3 h 30 min 21 s of 6 h.
      const share = 12_621.361 / 21_600;
      const offPx = async () => {
        const plot = (await page.locator(".u-over").first().boundingBox())!;
        const box = (await head.boundingBox())!;
        return Math.abs(box.x + box.width / 2 - plot.x - share * plot.width);
      };
      expect(await offPx()).toBeLessThan(5);
      await page.setViewportSize({ width: 800, height: 900 });
      await expect.poll(offPx).toBeLessThan(5);
    });

    test("a life tells how it began in local time and what its keys prove", async () => {
      const { page } = await dashboard.open(WITH_KEYS);
      const lives = page.getByRole("region", { name: "Counter lives" });
      await lives.getByText("its keys proved its frames").waitFor();
      await page.getByText("81 frames proved by keys").waitFor();
      await dashboard.open(`#/nodes/01F2A303/2?${MORNING}`);
      await lives
        .getByText("new life on 14 Apr at 06:52: counter fell from 4\u202F129 to 0, no join heard")
        .waitFor();
      expect(await page.getByRole("region", { name: /^Lives of this device/ }).count()).toBe(0);
      expect(await lives.getByText("Device", { exact: true }).count()).toBe(0);
    });

    test("the device's other lives are linked, where keys tell them", async () => {
      const { page } = await dashboard.open(`#/nodes/01F2AA0F/1?${ANSWERED_TIME}`);
      const device = page.getByRole("region", { name: /^Lives of this device, 2 lives/ });
      await device.waitFor();
      expect(await device.getByText("01F2AA0F, life 1, shown").count()).toBe(1);
      expect(await device.getByRole("link").getAttribute("href")).toMatch(/^#\/nodes\/01F2AA02\/1\?from=/);
    });

    test("a frame says who signed it, its whole counter, its commands, and its payload in clear or encrypted", async () => {
      const { page } = await dashboard.open(`#/nodes/01F2A601/1?${MORNING}`);
      const facts = page.locator(".frame-opened dl");
      // The weather post reports its battery in the frame with the counter 65,519; it is heard from 65,511 on.
      await page.getByRole("slider", { name: /^Counters/ }).focus();
      await page.keyboard.press("Home");
      for (let step = 0; step < 8; step += 1) await page.keyboard.press("ArrowRight");
      await page.keyboard.press("Enter");
      await facts.getByText("encrypted, 20 octets; no key available opens it").waitFor();
      await facts.getByText("no key available could say").waitFor();
      await facts.getByText(/DevStatusAns: battery 201/, { exact: false }).waitFor();
      await facts.getByText("assumed 1.0 clear text").waitFor();
      expect(await axeFindings(page)).toEqual([]);
      await page.getByRole("button", { name: "close the frame" }).click();
      // After 65,535 the counter on the air begins at 0 again.
      const rows = page.locator(".table-dense tbody button");
      await rows.first().click();
      await facts.getByText("reconstructed from the 16 on air", { exact: false }).waitFor();
      await facts.getByText("65\u202F582", { exact: false }).waitFor();

      await dashboard.open(WITH_KEYS);
      await rows.first().click();
      await facts.getByText("proved by keys, counter 89").waitFor();
      expect(await facts.getByText("encrypted", { exact: false }).count()).toBe(0);
    });

    test("a gateway's fold tells plan, clock, protocol and what is unusual; of a doubtful plan the alternatives", async () => {
      const doubtful: GatewayRow["region"] = {
        name: "US915",
        confidence: 0.61,
        subBand: 2,
        alternatives: [{ name: "AU915", confidence: 0.39 }],
        contradictions: ["917.3\u202FMHz lies outside the uplink channels of US915."],
        reason: "US902-928, sub-band 2, from 1240 receptions.",
      };
      const { page } = await dashboard.open(`#/site?${MORNING}`, {
        before: (opened) =>
          changing<SiteView>(opened, "/api/site", (site) => ({
            ...site,
            gateways: site.gateways.map((row) => (row.eui === TOWER ? { ...row, region: doubtful } : row)),
          })),
      });
      const fold = (name: string) => page.locator("details", { hasText: `More of this gateway, ${name}` });
      await fold("Water tower").locator("summary").click();
      for (const words of [
        "US915, 61\u202F% sure: US902-928, sub-band 2, from 1240 receptions.",
        "It could also be AU915 (39\u202F%).",
        "917.3\u202FMHz lies outside the uplink channels of US915.",
        "version 2",
        "5 duplicate, 4 late",
      ])
        await fold("Water tower").getByText(words, { exact: false }).first().waitFor();
      await fold("Packing shed").locator("summary").focus();
      await page.keyboard.press("Enter");
      await fold("Packing shed")
        .getByText(/^\+1\.4\u202Fppm.* against the clock that stamped its datagrams/)
        .waitFor();
      await fold("Packing shed")
        .getByText(/EU868, more than 99.% sure: EU863-870, from 1.021 receptions/)
        .waitFor();
    });

    test("the filter of receptions names gateways by their names", async () => {
      const { page } = await dashboard.open(WITH_KEYS);
      const options = page.getByLabel("Heard by").locator("option");
      await expect
        .poll(() => options.allTextContents())
        .toEqual(["every gateway", "Packing shed", "Water tower"]);
    });

    test("an opened frame fits a phone", async () => {
      const { page } = await dashboard.open(WITH_KEYS, { width: 390 });
      await page.locator("summary", { hasText: "Receptions" }).click();
      await page.locator(".table-dense tbody button").first().click();
      await page.locator(".frame-opened dl").waitFor();
      expect(await overflowPx(page)).toBe(0);
    });
  });
