/** Does the bench open by itself when a gateway comes, fill live, and print? */
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import type { BenchView } from "../../src/contract/index.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";
import { siteView } from "./orchard.ts";
import { benchView } from "./orchard-bench.ts";

const SHED = "02005E1000000001";

if (chromiumIsHere("bench"))
  describe("the bench", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    beforeEach(() => dashboard.calm());

    test("gives verdict, list and last datagrams, accessible on a laptop in light and a phone in dark", async () => {
      for (const width of [1280, 390]) {
        const { page, errors } = await dashboard.open(`#/bench/${SHED}?last=3600`, { width });
        await page.getByRole("heading", { level: 1, name: /^Packing shed works, with 1 warning/ }).waitFor();
        await page.getByText("▲ warn").first().waitFor();
        const open = page.getByRole("list", { name: "Faults and warnings" }).getByRole("listitem");
        const passed = page.getByRole("list", { name: "Checks that passed" }).getByRole("listitem");
        // The shed's noise warns and stands first; its round trip is not known; 23 of 25 are folded.
        expect(await open.first().getByRole("heading").textContent()).toBe("Noise floor");
        expect(await open.count()).toBe(2);
        expect(await passed.count()).toBe(0);
        await page.getByRole("button", { name: "show them" }).click();
        expect(await passed.count()).toBe(23);
        await page.getByText("Loudest at 868.3").waitFor();
        await page.getByText("keepalive", { exact: true }).first().waitFor();
        await page.getByText("Where the limits come from").click();
        expect(await overflowPx(page)).toBe(0);
        // Light on the laptop, dark on the phone.
        await page.emulateMedia({ colorScheme: width < 700 ? "dark" : "light" });
        expect(await axeFindings(page)).toEqual([]);
        expect(errors).toEqual([]);
      }
    });

    test("fills live while the gateway starts", async () => {
      const { page } = await dashboard.open(`#/bench/${SHED}?last=3600`);
      const check = page.getByRole("listitem").filter({ hasText: "Round trip" });
      await check.getByText("○ waiting").waitFor();
      const now = Date.now();
      const { items } = benchView(SHED, { fromMs: now - 3_600_000, toMs: now, live: true }) as BenchView;
      const place = items.findIndex(({ id }) => id === "round-trip");
      const told = {
        ...items[place],
        state: "pass",
        awaits: null,
        awaitsSeconds: null,
        figure: "12 ms",
        reason: "Median of 3 pairs.",
      };
      dashboard.service.push("bench", { edit: { items: { set: { [place]: told } } } });
      await check.waitFor({ state: "hidden" });
      await page.getByRole("button", { name: "show them" }).click();
      await check.getByText("✓ pass").waitFor();
      await check.getByText("Median of 3 pairs.").waitFor();
    });

    test("measures against a reference that is chosen on the page, channel by channel, and prints it", async () => {
      for (const width of [1280, 390]) {
        dashboard.calm();
        const { page, errors } = await dashboard.open(`#/bench/${SHED}?last=3600`, { width });
        await page.getByRole("button", { name: "Choose a reference" }).click();
        await page.getByLabel("Level may differ by, dB").fill("0");
        await page.getByRole("button", { name: "Measure against it" }).click();
        await page.getByRole("alert").getByText("above 0 to 60 dB").waitFor();
        await page.getByLabel("Level may differ by, dB").fill("2,5");
        await page.getByRole("button", { name: "Measure against it" }).click();
        await page.getByText(/Measured against Water tower: it may differ by 2.5.dB/).waitFor();
        const put = dashboard.service.received.find(({ path }) => path === "/api/bench-reference");
        expect(JSON.parse(put?.body ?? "")).toEqual({
          eui: "02005E1000000002",
          maxOffsetDb: 2.5,
          maxLossPoints: 2,
        });
        const whole = page.getByRole("list", { name: "Checks against the reference" });
        expect(await whole.getByRole("listitem").count()).toBe(2);
        const channels = page.getByRole("list", { name: "Each channel against the reference" });
        await channels.getByRole("heading", { name: "868.1" }).waitFor();
        expect(await overflowPx(page)).toBe(0);
        await page.emulateMedia({ colorScheme: width < 700 ? "dark" : "light" });
        expect(await axeFindings(page)).toEqual([]);
        await page.emulateMedia({ media: "print" });
        expect(await channels.isVisible()).toBe(true);
        await page.emulateMedia({ media: "screen" });
        await page.getByRole("button", { name: "measure against none" }).click();
        await page.getByRole("button", { name: "Choose a reference" }).waitFor();
        expect(errors).toEqual([]);
      }
    });

    test("draws the measured receiver, as drawing and as table, on screen and in print", async () => {
      for (const width of [1280, 390]) {
        const { page, errors } = await dashboard.open(`#/bench/${SHED}?last=3600`, { width });
        const section = page.getByRole("region", { name: "The receiver, measured" });
        await section.getByText(/^Packing shed demodulates as its data sheet says/).waitFor();
        await section.getByText("✓ pass").waitFor();
        const drawing = section.getByRole("img", { name: /^Demodulates SF9 down to .13\.1/ });
        await drawing.getByText("data sheet \u221212.5").waitFor();
        await drawing.getByText("measured \u221213.1").waitFor();
        expect(await section.getByRole("img").count()).toBe(2);
        await section.getByText(/^SF12: not enough yet/).waitFor();
        // The hand's width: no label leaves its drawing.
        const box = await drawing.boundingBox();
        for (const label of await drawing.locator("text").all()) {
          const own = await label.boundingBox();
          expect(own?.x ?? 0).toBeGreaterThanOrEqual((box?.x ?? 0) - 1);
          expect((own?.x ?? 0) + (own?.width ?? 0)).toBeLessThanOrEqual(
            (box?.x ?? 0) + (box?.width ?? 0) + 8,
          );
        }
        await section.getByRole("button", { name: "show as table" }).nth(1).click();
        const table = section.getByRole("region", { name: "Delivery by SNR at SF9" });
        await table.waitFor();
        expect(await table.getByRole("row").count()).toBe(13);
        await section.getByText("What this measure cannot tell").click();
        expect(await overflowPx(page)).toBe(0);
        await page.emulateMedia({ colorScheme: width < 700 ? "dark" : "light" });
        expect(await axeFindings(page)).toEqual([]);
        await page.emulateMedia({ media: "print" });
        expect(await section.getByRole("img").first().isVisible()).toBe(true);
        expect(await section.getByRole("button", { name: "measure again" }).isVisible()).toBe(false);
        expect(errors).toEqual([]);
      }
    });

    test("takes the channel plan that the gateway must listen to, in the address and in print", async () => {
      for (const width of [1280, 390]) {
        const { page, errors } = await dashboard.open(`#/bench/${SHED}?last=3600`, { width });
        const choice = page.getByLabel("Channel plan that it must listen to");
        await choice.waitFor();
        expect(await choice.inputValue()).toBe("");
        expect(await choice.locator("option").first().textContent()).toBe("recognise it");
        expect(await choice.locator("optgroup").first().getAttribute("label")).toBe("Your plans");
        expect(await choice.locator('optgroup[label="US902-928"] option').count()).toBe(9);
        await choice.focus();
        await choice.selectOption("US915/2");
        await page.waitForURL(/expect=US915%2F2/);
        await page.getByText("must listen to US915/2").waitFor({ state: "attached" });
        // The choice stays in the reader's hand while the list is asked for.
        expect(await choice.evaluate((element) => element === document.activeElement)).toBe(true);
        expect(await overflowPx(page)).toBe(0);
        await page.emulateMedia({ colorScheme: width < 700 ? "dark" : "light" });
        expect(await axeFindings(page)).toEqual([]);
        await page.emulateMedia({ media: "print" });
        expect(await page.getByText("must listen to US915/2").isVisible()).toBe(true);
        expect(await choice.isVisible()).toBe(false);
        await page.emulateMedia({ media: "screen" });
        await choice.selectOption({ label: "recognise it" });
        await page.getByText("must listen to US915/2").waitFor({ state: "detached" });
        expect(page.url()).not.toContain("expect");
        expect(errors).toEqual([]);
      }
      const { page } = await dashboard.open(`#/bench/${SHED}?expect=us915/2`);
      const choice = page.getByLabel("Channel plan that it must listen to");
      await choice.waitFor();
      expect(await choice.inputValue()).toBe("US915/2");
    });

    test("waits for a gateway with what to enter at it, and opens its list when it comes", async () => {
      dashboard.service.mood.empty = true;
      const { page } = await dashboard.open("#/bench?last=3600");
      await page.getByRole("heading", { level: 1, name: /^Waiting for a gateway/ }).waitFor();
      await page.getByText("192.0.2.20", { exact: true }).waitFor();
      expect(await axeFindings(page)).toEqual([]);
      dashboard.service.mood.empty = false;
      const now = Date.now();
      const { gateways } = siteView({ fromMs: now - 3_600_000, toMs: now, live: true });
      dashboard.service.push("site", { set: { empty: false, gateways: gateways.slice(0, 1) } });
      await page.waitForURL(new RegExp(`#/bench/${SHED}`));
      await page.getByRole("heading", { level: 1, name: /^Packing shed works/ }).waitFor();
    });

    test("leaves a choice among several, reached from the gateways of the site", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      await page.getByRole("link", { name: /^check list of Water tower/ }).click();
      await page.getByRole("heading", { level: 1, name: /fails 1 check \(gateway clock\)/ }).waitFor();
      await page.getByRole("link", { name: "Another gateway" }).click();
      await page.getByRole("heading", { level: 1, name: /^2 gateways sent something/ }).waitFor();
      await page.getByRole("link", { name: /Packing shed/ }).click();
      await page.getByRole("heading", { level: 1, name: /^Packing shed works/ }).waitFor();
    });

    test.each([
      [1280, false],
      [390, true],
    ])("several gateways stand in one table at %i px, which prints a line each", async (width, dark) => {
      const { page, errors } = await dashboard.open("#/bench?last=3600", { width, dark });
      const table = page.getByRole("region", { name: "Gateways on the bench" });
      await table.waitFor();
      await table.getByText("✕ fail").waitFor();
      await table.getByText("Noise floor").first().waitFor();
      await page.getByText("1 gateway signed off and gone from the bench.").waitFor();
      expect(await axeFindings(page)).toEqual([]);
      expect(await overflowPx(page)).toBe(0);
      await page.emulateMedia({ media: "print" });
      expect(await table.getByText("Loudest at").isVisible()).toBe(false);
      expect(await page.getByRole("heading", { name: "Another gateway" }).isVisible()).toBe(false);
      expect(errors).toEqual([]);
    });

    test("a gateway gets its work order, is signed off, and the signing off is taken back", async () => {
      const { page, errors } = await dashboard.open(`#/bench/${SHED}?last=3600`);
      await page.getByRole("button", { name: /^note it the serial number or order/ }).click();
      await page.keyboard.type("FO-1207");
      await page.keyboard.press("Enter");
      await page.getByText("serial or order FO-1207").waitFor();
      await page.getByRole("button", { name: "Sign off with warnings" }).click();
      await page.getByText(/^signed off .*2026/).waitFor();
      expect(await axeFindings(page)).toEqual([]);
      await page.emulateMedia({ media: "print" });
      expect(await page.getByText("serial or order FO-1207").isVisible()).toBe(true);
      expect(await page.getByText(/^signed off .*2026/).isVisible()).toBe(true);
      await page.emulateMedia({ media: "screen" });
      await page.getByRole("button", { name: "take the signing off back" }).click();
      await page.getByRole("button", { name: "Sign off with warnings" }).waitFor();
      expect(dashboard.service.received.map(({ body }) => JSON.parse(body) as unknown)).toEqual([
        { serial: "FO-1207" },
        { signedOff: "now" },
        { signedOff: null },
      ]);
      expect(errors).toEqual([]);
    });

    test("gives the lines that point a gateway back at the server that a person names", async () => {
      const { page } = await dashboard.open(`#/bench/${SHED}?last=3600`);
      const field = page.getByLabel("Server and port");
      await field.fill("ns example");
      await page
        .getByRole("alert")
        .getByText(/A server is a name or an address/)
        .waitFor();
      await field.fill("ns.example:1701");
      const lines = await page
        .getByLabel("Lines that point the gateway at its server")
        .locator("pre")
        .textContent();
      expect(JSON.parse(lines ?? "")).toEqual({
        gateway_conf: {
          gateway_ID: SHED,
          server_address: "ns.example",
          serv_port_up: 1701,
          serv_port_down: 1701,
        },
      });
      await page.reload();
      expect(await field.inputValue()).toBe("ns.example:1701");
      await field.fill("");
    });

    test("prints the list on its own, with room for who checked it", async () => {
      const { page } = await dashboard.open(`#/bench/${SHED}?last=3600`);
      await page.getByRole("button", { name: "Print" }).waitFor();
      await page.emulateMedia({ media: "print" });
      expect(await page.getByRole("button", { name: "Print" }).isVisible()).toBe(false);
      expect(await page.getByRole("heading", { name: "Last datagrams" }).isVisible()).toBe(false);
      expect(await page.getByText(/Checked by:/).isVisible()).toBe(true);
      expect(await page.getByRole("list", { name: "Faults and warnings" }).isVisible()).toBe(true);
      expect(await page.getByRole("list", { name: "Checks that passed" }).isVisible()).toBe(true);
    });
  });
