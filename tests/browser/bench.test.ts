/** Does the bench judge a gateway, measure it against another, take notes, and print? */
import { writeFileSync } from "node:fs";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { BenchReference, BenchView } from "../../src/contract/index.ts";
import { temporaryFolder } from "../process/program.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";
import { BENCH, MORNING, SHED, TOWER, WEAK, WEAK_TIME } from "./sample-store.ts";

/** A channel plan of one's own, for the choice of plans. */
const OWN_PLAN = {
  plans: [
    {
      name: "Fennick test plan",
      channels: [{ frequencyHz: 863_100_000 }, { frequencyHz: 863_900_000 }],
      dataRates: ["SF9BW125"],
    },
  ],
};

if (chromiumIsHere("bench"))
  describe("the bench", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      const plans = join(temporaryFolder(), "plans.json");
      writeFileSync(plans, JSON.stringify(OWN_PLAN));
      dashboard = await startDashboard({ words: ["--plans", plans] });
    });
    afterAll(() => dashboard.close());
    const record = async (eui: string) => {
      const { serial, signedOff } = await dashboard.service.json<BenchView>(`/api/bench/${eui}?${MORNING}`);
      return { serial, signedOff };
    };

    test("gives verdict, list and last datagrams, accessible on a laptop in light and a phone in dark", async () => {
      for (const width of [1280, 390]) {
        const { page, errors } = await dashboard.open(`#/bench/${SHED}?${MORNING}`, { width });
        await page
          .getByRole("heading", { level: 1, name: /^Packing shed works, with 1 warning \(keepalives\)/ })
          .waitFor();
        await page.getByText("▲ warn").first().waitFor();
        const open = page.getByRole("list", { name: "Faults and warnings" }).getByRole("listitem");
        const passed = page.getByRole("list", { name: "Checks that passed" }).getByRole("listitem");
        // Unreachable twice; without GPS and without a downlink two checks wait; 22 of 25 are folded.
        expect(await open.first().getByRole("heading").textContent()).toBe("Keepalives");
        expect(await open.count()).toBe(3);
        expect(await passed.count()).toBe(0);
        await page.getByRole("button", { name: "show them" }).click();
        expect(await passed.count()).toBe(22);
        await page.getByText("keepalive", { exact: true }).first().waitFor();
        await page.getByText("Where the limits come from").click();
        expect(await overflowPx(page)).toBe(0);
        // Light on the laptop, dark on the phone.
        await page.emulateMedia({ colorScheme: width < 700 ? "dark" : "light" });
        expect(await axeFindings(page)).toEqual([]);
        expect(errors).toEqual([]);
      }
    });

    test("measures against a reference that is chosen on the page, channel by channel, and prints it", async () => {
      for (const width of [1280, 390]) {
        const { page, errors } = await dashboard.open(`#/bench/${SHED}?${MORNING}`, { width });
        await page.getByRole("button", { name: "Choose a reference" }).click();
        await page.getByLabel("Level may differ by, dB").fill("0");
        await page.getByRole("button", { name: "Measure against it" }).click();
        await page.getByRole("alert").getByText("above 0 to 60 dB").waitFor();
        await page.getByLabel("Level may differ by, dB").fill("2,5");
        await page.getByRole("button", { name: "Measure against it" }).click();
        await page.getByText(/Measured against Water tower: it may differ by 2.5.dB/).waitFor();
        const { reference } = await dashboard.service.json<{ reference: BenchReference | null }>(
          "/api/bench-reference",
        );
        expect(reference).toMatchObject({ eui: TOWER, maxOffsetDb: 2.5, maxLossPoints: 2 });
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
        const { page, errors } = await dashboard.open(`#/bench/${WEAK}?${WEAK_TIME}`, { width });
        const section = page.getByRole("region", { name: "The receiver, measured" });
        await section.getByText(/demodulates as its data sheet says/).waitFor();
        await section.getByText("✓ pass").waitFor();
        const drawing = section.getByRole("img", { name: /^Demodulates SF9 down to / });
        await drawing.getByText("data sheet \u221212.5").waitFor();
        await drawing.getByText(/^measured \u221212\.\d$/).waitFor();
        // The hand's width: no label leaves its drawing.
        const box = await drawing.boundingBox();
        for (const label of await drawing.locator("text").all()) {
          const own = await label.boundingBox();
          expect(own?.x ?? 0).toBeGreaterThanOrEqual((box?.x ?? 0) - 1);
          expect((own?.x ?? 0) + (own?.width ?? 0)).toBeLessThanOrEqual(
            (box?.x ?? 0) + (box?.width ?? 0) + 8,
          );
        }
        await section.getByRole("button", { name: "show as table" }).last().click();
        const table = section.getByRole("region", { name: "Delivery by SNR at SF9" });
        await table.waitFor();
        expect(await table.getByRole("row").count()).toBeGreaterThan(5);
        await section.getByRole("button", { name: "show as drawing" }).click();
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
        const { page, errors } = await dashboard.open(`#/bench/${SHED}?${MORNING}`, { width });
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
      const { page } = await dashboard.open(`#/bench/${SHED}?expect=us915/2&${MORNING}`);
      const choice = page.getByLabel("Channel plan that it must listen to");
      await choice.waitFor();
      expect(await choice.inputValue()).toBe("US915/2");
    });

    test("leaves a choice among several, reached from the gateways of the site", async () => {
      const { page } = await dashboard.open(`#/site?${MORNING}`);
      await page.getByRole("link", { name: /^check list of Water tower/ }).click();
      await page.getByRole("heading", { level: 1, name: /^Water tower works, with \d warning/ }).waitFor();
      await page.getByRole("link", { name: "Another gateway" }).click();
      await page.getByRole("heading", { level: 1, name: /^2 gateways sent something/ }).waitFor();
      await page.getByRole("link", { name: /Packing shed/ }).click();
      await page.getByRole("heading", { level: 1, name: /^Packing shed works/ }).waitFor();
    });

    test("several gateways stand in one table, which prints a line each; one signed off and gone is counted", async () => {
      for (const width of [1280, 390]) {
        const { page, errors } = await dashboard.open(`#/bench?${MORNING}`, { width, dark: width < 700 });
        const table = page.getByRole("region", { name: "Gateways on the bench" });
        await table.waitFor();
        // The one of five days ago sends nothing any more, until a person is done with it.
        if (width === 1280) {
          await table.getByText("✕ fail").waitFor();
          await dashboard.change("PUT", `/api/bench/${BENCH}/record`, { signedOff: "now" });
        } else {
          await page.getByText("1 gateway signed off and gone from the bench.").waitFor();
          expect(await table.getByText("✕ fail").count()).toBe(0);
        }
        await table.getByText("Keepalives").first().waitFor();
        expect(await axeFindings(page)).toEqual([]);
        expect(await overflowPx(page)).toBe(0);
        await page.emulateMedia({ media: "print" });
        expect(
          await table
            .getByText(/silences? of more than three/)
            .first()
            .isVisible(),
        ).toBe(false);
        expect(await page.getByRole("heading", { name: "Another gateway" }).isVisible()).toBe(false);
        expect(errors).toEqual([]);
      }
    });

    test("a gateway gets its work order, is signed off, and the signing off is taken back", async () => {
      const { page, errors } = await dashboard.open(`#/bench/${SHED}?${MORNING}`);
      await page.getByRole("button", { name: /^note it the serial number or order/ }).click();
      await page.keyboard.type("FO-1207");
      await page.keyboard.press("Enter");
      await page.getByText("serial or order FO-1207").waitFor();
      await page.getByRole("button", { name: "Sign off with warnings" }).click();
      await page.getByText(/^signed off .*20\d\d/).waitFor();
      expect(await axeFindings(page)).toEqual([]);
      await page.emulateMedia({ media: "print" });
      expect(await page.getByText("serial or order FO-1207").isVisible()).toBe(true);
      expect(await page.getByText(/^signed off .*20\d\d/).isVisible()).toBe(true);
      await page.emulateMedia({ media: "screen" });
      expect((await record(SHED)).signedOff).toMatch(/^20\d\d-/);
      await page.getByRole("button", { name: "take the signing off back" }).click();
      await page.getByRole("button", { name: "Sign off with warnings" }).waitFor();
      expect(await record(SHED)).toEqual({ serial: "FO-1207", signedOff: null });
      expect(errors).toEqual([]);
    });

    test("gives the lines that point a gateway back at the server that a person names", async () => {
      const { page } = await dashboard.open(`#/bench/${SHED}?${MORNING}`);
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

    test("offers no downlink test unless transmitting was allowed, and says how to allow it", async () => {
      const { page } = await dashboard.open(`#/bench/${SHED}?${MORNING}`);
      await page.getByText("Transmitting is off", { exact: false }).waitFor();
      expect(await page.getByRole("button", { name: "transmit one frame" }).count()).toBe(0);
    });

    test("prints the list on its own, with room for who checked it", async () => {
      const { page } = await dashboard.open(`#/bench/${SHED}?${MORNING}`);
      await page.getByRole("button", { name: "Print" }).waitFor();
      await page.emulateMedia({ media: "print" });
      expect(await page.getByRole("button", { name: "Print" }).isVisible()).toBe(false);
      expect(await page.getByRole("heading", { name: "Last datagrams" }).isVisible()).toBe(false);
      expect(await page.getByText(/Checked by:/).isVisible()).toBe(true);
      expect(await page.getByRole("list", { name: "Faults and warnings" }).isVisible()).toBe(true);
      expect(await page.getByRole("list", { name: "Checks that passed" }).isVisible()).toBe(true);
    });
  });
