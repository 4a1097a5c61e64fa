/** Can a person read what the link went through, whose the lives are, what keys say, and what a frame holds in clear? */
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";

const FIXED = "from=2026-03-14T08:00:00.000Z&to=2026-03-14T10:00:00.000Z";
/** The probe whose keys are at hand, and one without. */
const KEYED = `#/nodes/01A2B3C4/1?${FIXED}`;
const PLAIN = `#/nodes/01A2B3C5/1?${FIXED}`;

if (chromiumIsHere("story"))
  describe("story", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    beforeEach(() => dashboard.calm());

    test("the link story tells the newest moments with their certainty, and the earlier ones when asked", async () => {
      const { page } = await dashboard.open(KEYED);
      const story = page.getByRole("region", { name: "Link story" });
      await story
        .getByText("Only the newest part of this window's story is shown", { exact: false })
        .waitFor();
      expect(await story.getByRole("listitem").count()).toBe(12);
      await story.getByRole("button", { name: "show 15 earlier moments" }).click();
      const moments = await story.getByRole("listitem").allTextContents();
      expect(moments).toHaveLength(27);
      expect(moments[0]).toMatch(/09:36.*SF9BW125 to SF10BW125.*as read from the frame · FCnt 1\u202F812$/);
      expect(moments[1]).toMatch(/\(assumed 1\.0 clear text\)\. FCnt .* · said 3 times in a row$/);
      expect(moments[2]).toMatch(/DevStatusAns.*proved by keys · FCnt 1\u202F830$/);
    });

    test("a link without a story says so", async () => {
      const { page } = await dashboard.open(PLAIN);
      await page.getByText("Nothing about the link changed", { exact: false }).waitFor();
    });

    test("a change of data rate stands on the ladder, and its head reads it by keyboard", async () => {
      const { page } = await dashboard.open(KEYED);
      const head = page.getByRole("button", { name: /14 Mar 09:36:00 · The data rate went from SF9BW125/ });
      await head.focus();
      await page.locator(".signal-reading", { hasText: "as the network asked (LinkADRReq heard)" }).waitFor();
      const plot = (await page.locator(".u-over").first().boundingBox())!;
      const box = (await head.boundingBox())!;
      expect(box.x + box.width / 2).toBeCloseTo(plot.x + 0.3 * plot.width, -1);
      await page.setViewportSize({ width: 800, height: 900 });
      await expect
        .poll(async () => {
          const narrow = (await page.locator(".u-over").first().boundingBox())!;
          const moved = (await head.boundingBox())!;
          return Math.abs(moved.x + moved.width / 2 - narrow.x - 0.3 * narrow.width);
        })
        .toBeLessThan(2);
    });

    test("key figures say what was proved and who else sent; without keys one quiet line", async () => {
      const { page } = await dashboard.open(KEYED);
      await page
        .getByText("142 frames proved by keys, 3 fit no key at hand (another sender), 1 replayed")
        .waitFor();
      await dashboard.open(PLAIN);
      await page
        .getByText("no keys at hand: identity is the address with the evidence of its counters")
        .waitFor();
    });

    test("a life tells how it began in local time, and the device's other lives are linked", async () => {
      const { page } = await dashboard.open(KEYED);
      const lives = page.getByRole("region", { name: "Counter lives" });
      await lives
        .getByText("new life on 14 Mar at 09:00: counter fell from 4\u202F212 to 0, no join heard")
        .waitFor();
      await lives.getByText("its keys proved its frames").waitFor();
      const device = page.getByRole("region", { name: /^Lives of this device, 2 lives/ });
      await device.getByText("its join-request was heard just before").waitFor();
      expect(await device.getByText("01A2B3C4, life 1, shown").count()).toBe(1);
      expect(await device.getByRole("link").getAttribute("href")).toMatch(/^#\/nodes\/01A2B3F0\/1\?from=/);
      await dashboard.open(PLAIN);
      await lives.waitFor();
      expect(await device.count()).toBe(0);
      expect(await lives.getByText("Device", { exact: true }).count()).toBe(0);
    });

    test("a frame says who signed it, its whole counter, its commands, and its payload in clear or encrypted", async () => {
      const { page } = await dashboard.open(PLAIN);
      const facts = page.locator(".frame-opened dl");
      const open = (index: number) => page.locator(".table-dense tbody button").nth(index).click();
      await open(1);
      await facts.getByText("encrypted, 11 octets; no key at hand opens it").waitFor();
      await facts.getByText("no key at hand could say").waitFor();
      await facts.getByText("reconstructed from the 16 on air", { exact: false }).waitFor();
      await facts.getByText("LinkADRAns: powerAck true", { exact: false }).waitFor();
      await facts.getByText("assumed 1.0 clear text").waitFor();
      expect(await axeFindings(page)).toEqual([]);
      await page.getByRole("button", { name: "close the frame" }).click();
      await open(0);
      await facts.getByText("“-4.2 C, dry”").waitFor();
      await facts.getByText("2D 34 2E 32 20 43 2C 20 64 72 79").waitFor();
      await facts.getByText("proved by keys, counter 67,426").waitFor();
      await facts.getByText("67\u202F426", { exact: false }).waitFor();
      expect(await facts.getByText("encrypted", { exact: false }).count()).toBe(0);
    });

    test("a gateway's fold tells plan, confidence, alternatives, contradictions, clock, protocol and refusals", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      const fold = (name: string) => page.locator("details", { hasText: `More of this gateway, ${name}` });
      await fold("Water tower").locator("summary").click();
      for (const words of [
        "US915, 61\u202F% sure: US902-928, sub-band 2, from 1240 receptions.",
        "It could also be AU915 (39\u202F%).",
        "917.3\u202FMHz lies outside the uplink channels of US915.",
        "not known yet: it takes more receptions",
        "version 2",
      ])
        await fold("Water tower").getByText(words, { exact: false }).first().waitFor();
      await fold("Packing shed").locator("summary").focus();
      await page.keyboard.press("Enter");
      await fold("Packing shed")
        .getByText(/^\+1\.8\u202Fppm.* against the clock that stamped its datagrams/)
        .waitFor();
      await fold("Packing shed").getByText("body-not-json").waitFor();
      await fold("Packing shed").getByText("time-unreadable").waitFor();
    });

    test("a window in the past lists moments, a live one ages", async () => {
      const { page } = await dashboard.open(`#/nodes?${FIXED}`);
      const heard = page.locator("section[aria-label='Your nodes'] tbody td:nth-child(2)").first();
      expect(await heard.textContent()).toMatch(/^1[34] Mar \d\d:\d\d/);
      await dashboard.open("#/nodes?last=3600");
      expect(await heard.textContent()).toMatch(/ ago/);
    });

    test("the filter of receptions names gateways by their names", async () => {
      const { page } = await dashboard.open(PLAIN);
      const options = page.getByLabel("Heard by").locator("option");
      await expect
        .poll(() => options.allTextContents())
        .toEqual(["every gateway", "Packing shed", "Water tower"]);
    });

    test("an opened frame and a whole story fit a phone", async () => {
      const { page } = await dashboard.open(KEYED, { width: 390 });
      for (const part of ["Link story", "Receptions"])
        await page.locator("summary", { hasText: part }).click();
      await page.getByRole("button", { name: "show 15 earlier moments" }).click();
      await page.locator(".table-dense tbody button").first().click();
      await page.locator(".frame-opened dl").waitFor();
      expect(await overflowPx(page)).toBe(0);
    });
  });
