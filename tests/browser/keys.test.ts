/** Do keys go in and never come out: taken in from a file or its text, listed by name, removed, left nowhere on the page? */
import type { Page } from "playwright-core";
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";

const SECRET = "00112233445566778899AABBCCDDEEFF";
const FILE = JSON.stringify({ nodes: [{ devAddr: "01A2B3C9", nwkSKey: SECRET, note: "tractor" }] });
const CAUTION =
  "Keys stay on this machine, in the store file; they appear in no export, report, log or answer.";

/** Where on the page the secret could have stayed. */
function whereSecretStays(page: Page): Promise<string[]> {
  return page.evaluate(async (secret) => {
    const found: string[] = [];
    const look = (name: string, text: string) => {
      if (text.includes(secret)) found.push(name);
    };
    look("page", document.documentElement.outerHTML);
    look("address", location.href);
    for (const field of document.querySelectorAll<HTMLInputElement>("input, textarea"))
      look("field", field.value);
    for (const [name, storage] of Object.entries({ localStorage, sessionStorage }))
      look(name, JSON.stringify(storage));
    look("history", JSON.stringify(history.state));
    look("databases", JSON.stringify(await indexedDB.databases()));
    return found;
  }, SECRET);
}

if (chromiumIsHere("keys"))
  describe("keys", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    beforeEach(() => dashboard.calm());

    test("keys at hand are listed by name, with the caution", async () => {
      const { page } = await dashboard.open("#/captures");
      await page.getByText(CAUTION).waitFor();
      const rows = page.getByRole("region", { name: "Keys at hand of 2 nodes" }).locator("tbody tr");
      await rows.first().waitFor();
      expect(await rows.nth(0).textContent()).toMatch(
        /^01A2B3C402005E10000000A1nwkSKey, appSKeya join that was followed/,
      );
      expect(await rows.nth(1).textContent()).toMatch(/^02005E10000000B2soil probe, row 7appKeya key file/);
    });

    test("pasted text is taken in and cleared from the page at once", async () => {
      const { page, errors } = await dashboard.open("#/captures");
      const logged: string[] = [];
      page.on("console", (message) => logged.push(message.text()));
      await page.getByLabel(/^or paste its text/).fill(FILE);
      expect(await whereSecretStays(page)).toEqual(["field"]);
      await page.getByRole("button", { name: "add the keys" }).click();
      await page.getByText("✓ Keys of 1 node were taken in.").waitFor();
      await page.getByRole("region", { name: "Keys at hand of 3 nodes" }).getByText("tractor").waitFor();
      expect(dashboard.service.received).toMatchObject([
        { path: "/api/keys", body: JSON.stringify({ file: FILE }) },
      ]);
      expect(await whereSecretStays(page)).toEqual([]);
      expect(logged.join()).not.toContain(SECRET);
      expect(dashboard.service.asked.join()).not.toContain(SECRET);
      expect(errors).toEqual([]);
    });

    test("a key file is taken in by its octets and stays nowhere", async () => {
      const { page } = await dashboard.open("#/captures");
      await page
        .getByLabel("Key file")
        .setInputFiles({ name: "keys.json", mimeType: "application/json", buffer: Buffer.from(FILE) });
      await page.getByText("✓ Keys of 1 node were taken in.").waitFor();
      expect(dashboard.service.received.at(-1)?.body).toBe(JSON.stringify({ file: FILE }));
      expect(await whereSecretStays(page)).toEqual([]);
    });

    test("what is refused is said as the service says it, and cleared all the same", async () => {
      dashboard.service.mood.fail = {
        "/api/keys": {
          status: 422,
          body: {
            code: "key-file-unreadable",
            sentence: "Node 1 of the key file: its nwkSKey must be 32 hex digits.",
            remedy: "Mend the file and take it in again.",
          },
        },
      };
      const { page } = await dashboard.open("#/captures");
      await page.getByLabel(/^or paste its text/).fill(FILE);
      await page.getByRole("button", { name: "add the keys" }).click();
      const said = page
        .getByRole("status")
        .getByText("✕ Node 1 of the key file: its nwkSKey must be 32 hex digits. Mend the file", {
          exact: false,
        });
      await said.waitFor();
      expect(await whereSecretStays(page)).toEqual([]);
      expect(await axeFindings(page)).toEqual([]);
    });

    test("a file that can be no key file is not sent, nor is an empty field", async () => {
      const { page } = await dashboard.open("#/captures");
      await page.getByLabel("Key file").setInputFiles({
        name: "shed.pcap",
        mimeType: "application/octet-stream",
        buffer: Buffer.alloc(1_000_001),
      });
      await page.getByText("✕ This file is larger than a key file may be.", { exact: false }).waitFor();
      await page.getByRole("button", { name: "add the keys" }).click();
      await page.getByText("✕ The field is empty.", { exact: false }).waitFor();
      expect(dashboard.service.received).toEqual([]);
    });

    test("keys are removed when it was asked twice, by keyboard", async () => {
      const { page } = await dashboard.open("#/captures");
      const remove = page.getByRole("button", { name: "remove the keys of 01A2B3C4", exact: true });
      const focused = () => page.evaluate(() => document.activeElement?.textContent);
      await remove.press("Enter");
      await expect.poll(focused).toBe("yes, remove the keys of 01A2B3C4");
      await page.keyboard.press("Tab");
      await page.keyboard.press("Enter");
      await expect.poll(focused).toBe("remove the keys of 01A2B3C4");
      expect(dashboard.service.received).toEqual([]);
      await page.keyboard.press("Enter");
      await expect.poll(focused).toBe("yes, remove the keys of 01A2B3C4");
      await page.keyboard.press("Enter");
      await page.getByText("✓ The keys of 01A2B3C4 were removed.").waitFor();
      await page.getByRole("region", { name: "Keys at hand of 1 node" }).waitFor();
      expect(dashboard.service.asked).toContain("DELETE /api/keys/01A2B3C4");
      expect(await focused()).toBe("Keys");
      expect(await overflowPx(page)).toBe(0);
    });

    test("without any key the section says so", async () => {
      dashboard.service.mood.empty = true;
      const { page } = await dashboard.open("#/captures");
      await page.getByText("No keys are at hand.").waitFor();
    });
  });
