/** Do keys go in and never come out: taken in from a file or its text, listed by name, removed, left nowhere on the page? */
import type { Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { KeysView } from "../../src/contract/index.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";
import { KEYED, LOCK_EUI, TRACKER } from "./sample-store.ts";

const SECRET = "00112233445566778899AABBCCDDEEFF";
const FILE = JSON.stringify({ nodes: [{ devAddr: TRACKER, nwkSKey: SECRET, note: "tractor" }] });
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
    const held = async () =>
      (await dashboard.service.json<KeysView>("/api/keys")).keys.map(({ id, note }) => ({ id, note }));
    const taken = { id: TRACKER, note: "tractor" };

    test("keys available are listed by name, with the caution, those of a followed join too", async () => {
      const { page } = await dashboard.open("#/captures");
      await page.getByText(CAUTION).waitFor();
      const rows = page.getByRole("region", { name: "Keys stored for 4 nodes" }).locator("tbody tr");
      await rows.first().waitFor();
      const told = await rows.allTextContents();
      expect(told.find((row) => row.startsWith(`${KEYED}row 17`))).toMatch(/nwkSKey, appSKeya key file/);
      expect(told.find((row) => row.startsWith(LOCK_EUI))).toMatch(/appKeya key file/);
      expect(told.find((row) => row.startsWith("01F2AA0F"))).toMatch(
        /^01F2AA0F02005E10000000A2.*nwkSKey, appSKeya join that was followed/,
      );
    });

    test("pasted text is taken in and cleared from the page at once", async () => {
      const { page, errors } = await dashboard.open("#/captures");
      const logged: string[] = [];
      page.on("console", (message) => logged.push(message.text()));
      await page.getByLabel(/^or paste its text/).fill(FILE);
      expect(await whereSecretStays(page)).toEqual(["field"]);
      await page.getByRole("button", { name: "add the keys" }).click();
      await page.getByText("✓ Keys of 1 node were added.").waitFor();
      await page.getByRole("region", { name: "Keys stored for 5 nodes" }).getByText("tractor").waitFor();
      expect(await held()).toContainEqual(taken);
      expect(await whereSecretStays(page)).toEqual([]);
      expect(logged.join()).not.toContain(SECRET);
      expect(dashboard.asked.join()).not.toContain(SECRET);
      expect(errors).toEqual([]);
      await dashboard.change("DELETE", `/api/keys/${TRACKER}`);
    });

    test("a key file is taken in by its octets and stays nowhere", async () => {
      const { page } = await dashboard.open("#/captures");
      await page
        .getByLabel("Key file")
        .setInputFiles({ name: "keys.json", mimeType: "application/json", buffer: Buffer.from(FILE) });
      await page.getByText("✓ Keys of 1 node were added.").waitFor();
      expect(await held()).toContainEqual(taken);
      expect(await whereSecretStays(page)).toEqual([]);
      await dashboard.change("DELETE", `/api/keys/${TRACKER}`);
    });

    test("what is refused is said as the service says it, and cleared all the same", async () => {
      const { page } = await dashboard.open("#/captures");
      const wrong = { nodes: [{ devAddr: TRACKER, nwkSKey: `${SECRET}00` }] };
      await page.getByLabel(/^or paste its text/).fill(JSON.stringify(wrong));
      await page.getByRole("button", { name: "add the keys" }).click();
      const said = page.getByRole("status").getByText(/^✕ .*nwkSKey must be 32 hex digits/);
      await said.waitFor();
      expect(await whereSecretStays(page)).toEqual([]);
      expect(await axeFindings(page)).toEqual([]);
      expect(await held()).not.toContainEqual(expect.objectContaining({ id: TRACKER }));
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
      expect(dashboard.sent).toEqual([]);
    });

    test("keys are removed when it was asked twice, by keyboard", async () => {
      const { page } = await dashboard.open("#/captures");
      const remove = page.getByRole("button", { name: `remove the keys of ${KEYED}`, exact: true });
      const focused = () => page.evaluate(() => document.activeElement?.textContent);
      await remove.press("Enter");
      await expect.poll(focused).toBe(`yes, remove the keys of ${KEYED}`);
      await page.keyboard.press("Tab");
      await page.keyboard.press("Enter");
      await expect.poll(focused).toBe(`remove the keys of ${KEYED}`);
      expect(dashboard.sent).toEqual([]);
      await page.keyboard.press("Enter");
      await expect.poll(focused).toBe(`yes, remove the keys of ${KEYED}`);
      await page.keyboard.press("Enter");
      await page.getByText(`✓ The keys of ${KEYED} were removed.`).waitFor();
      await page.getByRole("region", { name: "Keys stored for 3 nodes" }).waitFor();
      expect(await held()).not.toContainEqual(expect.objectContaining({ id: KEYED }));
      expect(await focused()).toBe("Keys");
      expect(await overflowPx(page)).toBe(0);
    });
  });
