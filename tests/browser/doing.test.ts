/** Can a person do what the dashboard is for, by keyboard and by hand: choose a time, walk counters, open frames, name things, send files? */
import { readFileSync } from "node:fs";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type {
  CapturesView,
  FrameView,
  GatewaysView,
  NodePage,
  NodesView,
  ReceptionPage,
  ServiceStatus,
} from "../../src/contract/index.ts";
import type { ExportsView } from "../../src/contract/service.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, changing, type Dashboard, failing, overflowPx, startDashboard } from "./dashboard.ts";
import { KEYED, MORNING, PUMP, SHED, TOWER } from "./sample-store.ts";

/** A probe near the shed, without keys. */
const PROBE = "01F2A102";

/** The first capture as it was while it was read. */
/** A capture of after the morning is being read: it does not stand in the morning's place. */
const reading = ({ captures }: Record<string, unknown>) => ({
  captures: (captures as CapturesView["captures"]).map((row) =>
    row.name === "weak.pcap" ? { ...row, state: "reading", progress: 0.4 } : row,
  ),
});

if (chromiumIsHere("doing"))
  describe("doing", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    const label = (kind: "node" | "gateway", id: string, change: object) =>
      dashboard.change("PUT", `/api/labels/${kind}/${id}`, change);
    const json = <T>(path: string) => dashboard.service.json<T>(path);
    /** The newest frame of the probe. */
    const newestFrame = async () => {
      const { receptions } = await json<ReceptionPage>(
        `/api/receptions?devAddr=${PROBE}&life=1&limit=1&${MORNING}`,
      );
      return json<FrameView>(`/api/frames/${receptions[0]?.frameId}`);
    };

    test("a time is typed in words, refused in words, and carried to every view", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      await page.getByRole("button", { name: /last hour/ }).click();
      const field = page.getByLabel("A time, in words");
      await field.fill("03/04/2026");
      await page.keyboard.press("Enter");
      await page.getByText(/can be read in two ways/).waitFor();
      await field.fill("2026-04-14 09:00 – 11:00");
      await page.keyboard.press("Enter");
      await page.waitForURL(/from=2026-04-14T07%3A00%3A00\.000Z&to=2026-04-14T09%3A00%3A00\.000Z/);
      expect(await field.count()).toBe(0);
      await page.getByRole("link", { name: "Air" }).click();
      await page.waitForURL(/#\/air\?from=2026-04-14T07/);
      await page.getByRole("button", { name: "One window later" }).click();
      await page.waitForURL(/#\/air\?from=2026-04-14T09%3A00/);
      await page.getByRole("button", { name: "14 Apr 2026, 11:00–13:00" }).waitFor();
      await page.goBack();
      await page.getByRole("button", { name: "14 Apr 2026, 09:00–11:00" }).waitFor();
    });

    test("Escape closes the time panel and gives the focus back", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      const opener = page.locator(".window-words");
      await opener.focus();
      await page.keyboard.press("Enter");
      await page.getByLabel("A time, in words").waitFor();
      await page.keyboard.press("Escape");
      expect(await page.getByLabel("A time, in words").count()).toBe(0);
      expect(await opener.evaluate((element) => element === document.activeElement)).toBe(true);
    });

    test("arrow keys move the counter strip and Enter opens the frame in place", async () => {
      // The weather post counts over 65,535, where the 16 bits on the air begin at 0 again.
      const { ticks } = await json<NodePage>(`/api/nodes/01F2A601/1?${MORNING}`);
      const { page, errors } = await dashboard.open(`#/nodes/01F2A601/1?${MORNING}`);
      const strip = page.getByRole("slider", { name: /^Counters/ });
      await strip.focus();
      await page.keyboard.press("Home");
      expect(await strip.getAttribute("aria-valuetext")).toMatch(/^FCnt 65.?511: heard/);
      await page.keyboard.press("ArrowRight");
      await page.keyboard.press("ArrowRight");
      expect(await strip.getAttribute("aria-valuetext")).toMatch(/^FCnt 65.?513/);
      await page.keyboard.press("Enter");
      await page.getByRole("heading", { name: /^Frame of .*33 octets/ }).waitFor();
      expect(dashboard.asked.at(-1)).toBe(`GET /api/frames/${ticks[2]?.frameId}`);
      expect(errors).toEqual([]);
    });

    test("octets and fields light each other, by mouse and by keyboard", async () => {
      const { page } = await dashboard.open(`#/nodes/${PROBE}/1?${MORNING}`);
      await page.locator(".table-dense tbody button").first().click();
      const lit = () => page.locator(".octet.lit").allTextContents();
      // Counter 71, least significant octet first (LoRaWAN 1.0.4, section 4); the MIC is the last four octets.
      await page.locator(".field-row", { hasText: "FCnt" }).hover();
      expect(await lit()).toEqual(["47", "00"]);
      await page.mouse.move(0, 0);
      await page.locator(".field-row", { hasText: "MIC" }).focus();
      expect(await lit()).toEqual((await newestFrame()).hex.slice(-8).match(/../g));
      await page.locator(".octet").nth(2).hover();
      expect(await page.locator(".field-row.lit").allTextContents()).toEqual([
        expect.stringMatching(/^DevAddr01F2A102/),
      ]);
      await page.getByRole("slider", { name: /^Octets/ }).focus();
      await page.keyboard.press("ArrowDown");
      await page.keyboard.press("ArrowRight");
      expect(await page.getByRole("slider", { name: /^Octets/ }).getAttribute("aria-valuetext")).toMatch(
        new RegExp(`^octet 17: ${(await newestFrame()).hex.slice(34, 36)}, MIC `),
      );
    });

    test("a frame is copied as hex, base64 and JSON", async () => {
      const { page } = await dashboard.open(`#/nodes/${PROBE}/1?${MORNING}`, {
        permissions: ["clipboard-read", "clipboard-write"],
      });
      await page.locator(".table-dense tbody button").first().click();
      const clipboard = () => page.evaluate(() => navigator.clipboard.readText());
      const { hex } = await newestFrame();
      await page.getByRole("button", { name: "copy hex" }).click();
      await page.getByText("copied").first().waitFor();
      expect(await clipboard()).toBe(hex);
      await page.getByRole("button", { name: "copy base64" }).click();
      await expect.poll(clipboard).toBe(Buffer.from(hex, "hex").toString("base64"));
      await page.getByRole("button", { name: "copy JSON" }).click();
      await expect.poll(async () => (await clipboard()).startsWith("{")).toBe(true);
      expect(JSON.parse(await clipboard())).toMatchObject({ hex });
    });

    test("receptions are paged, newest first, and can be narrowed to one gateway", async () => {
      const { page } = await dashboard.open(`#/nodes/${KEYED}/1?${MORNING}`);
      const older = page.getByRole("button", { name: /^show \d+ older/ });
      // 46 receptions of the shed and 80 of the tower.
      await page.getByText("50 receptions shown of 126", { exact: false }).waitFor();
      await older.click();
      await page.getByText("100 receptions shown of 126", { exact: false }).waitFor();
      await older.click();
      await page.getByText("126 receptions shown", { exact: false }).waitFor();
      expect(await older.count()).toBe(0);
      await page.getByLabel("Heard by").selectOption(SHED);
      await page.getByText("46 receptions shown", { exact: false }).waitFor();
      expect(page.url()).toContain(`gateway=${SHED}`);
    });

    test("a site is chosen beside the window, stays in every link, and is asked for; one alone is no choice", async () => {
      const whole = await json<NodesView>(`/api/nodes?${MORNING}`);
      await label("gateway", TOWER, { site: "Fennick Orchard" });
      const alone = await dashboard.open(`#/nodes?${MORNING}`);
      await alone.page.getByRole("heading", { level: 1, name: /^14 nodes/ }).waitFor();
      expect(await alone.page.getByLabel("Site", { exact: true }).count()).toBe(0);
      await label("gateway", SHED, { site: "Hollow Quarry" });
      const { page, errors } = await dashboard.open(`#/nodes?${MORNING}`);
      const place = () => decodeURIComponent(new URL(page.url()).hash);
      const choice = page.getByLabel("Site", { exact: true });
      await choice.selectOption("Hollow Quarry");
      const { sentence } = await json<NodesView>(`/api/nodes?${MORNING}&site=Hollow+Quarry`);
      await expect
        .poll(() => page.getByRole("heading", { level: 1 }).textContent())
        .toBe(sentence.map(({ text }) => text).join(""));
      expect(sentence[0]?.text).not.toBe(whole.sentence[0]?.text);
      expect(place()).toBe(`#/nodes?${MORNING}&site=Hollow+Quarry`);
      await page.getByRole("link", { name: "Gaps", exact: true }).click();
      await expect.poll(place).toBe(`#/gaps?${MORNING}&site=Hollow+Quarry`);
      await choice.selectOption("all sites");
      await expect.poll(place).toBe(`#/gaps?${MORNING}`);
      // One gateway may be of another site.
      await page.goto(page.url().replace("#/gaps", `#/bench/${SHED}`));
      await choice.selectOption("Fennick Orchard");
      await expect.poll(place).toBe(`#/bench?${MORNING}&site=Fennick+Orchard`);
      expect(errors).toEqual([]);
      for (const eui of [SHED, TOWER]) await label("gateway", eui, { site: null });
    });

    test("the list of nodes is sorted and filtered, and the address keeps both", async () => {
      const { page } = await dashboard.open(`#/nodes?${MORNING}`);
      const names = () => page.locator("section[aria-label='Your nodes'] .node-name > a").allTextContents();
      await page.getByRole("button", { name: "Delivery", exact: true }).click();
      // 36 of 43, 81 of 90, 25 of 26: the three that lost most.
      expect((await names()).slice(0, 3)).toEqual([
        "Soil probe row 21",
        "Frost probe row 17",
        "Cold store 1 door",
      ]);
      await page.getByRole("button", { name: "Delivery", exact: true }).click();
      expect((await names()).at(-1)).toBe("Soil probe row 21");
      await page.getByLabel(/^Filter by/).fill("soil");
      expect((await names()).sort()).toEqual(["Soil probe row 12", "Soil probe row 21", "Soil probe row 4"]);
      expect(page.url()).toMatch(/sort=-delivery/);
      expect(page.url()).toMatch(/q=soil/);
      await page.reload();
      await page.getByText(/^3 nodes of 1\d shown/).waitFor();
    });

    test("nodes are shown by standing, and the address keeps it", async () => {
      const { page } = await dashboard.open(`#/nodes?${MORNING}`);
      const standings = page.getByRole("group", { name: "Nodes by standing" });
      await standings.getByRole("button", { name: /\d+ to check/ }).click();
      const marks = page.locator("section[aria-label='Your nodes'] .standing");
      expect(new Set(await marks.allTextContents())).not.toContain("✓ good");
      expect(page.url()).toContain("show=check");
      await page.reload();
      await standings.getByRole("button", { name: /\d+ to check/, pressed: true }).click();
      await page.locator("section[aria-label='Your nodes'] .standing-good").first().waitFor();
    });

    test("a slash finds a node by its last digits, and a question mark shows keys and words", async () => {
      for (const width of [1280, 390]) {
        const { page, errors } = await dashboard.open(`#/air?${MORNING}`, { width });
        await page.getByRole("heading", { level: 1, name: /^868\.3/ }).waitFor();
        await page.keyboard.press("/");
        const field = page.getByRole("dialog", { name: "Find" }).getByRole("searchbox");
        await field.fill("A117");
        await page.getByRole("link", { name: /^node Frost probe row 17/ }).waitFor();
        expect(await axeFindings(page)).toEqual([]);
        expect(await overflowPx(page)).toBe(0);
        await page.keyboard.press("Enter");
        await page.waitForURL(/#\/nodes\/01F2A117\/1\?from=2026-04-14/);
        await page.getByRole("dialog").waitFor({ state: "detached" });
        await page.getByRole("heading", { level: 1, name: /Frost probe row 17/ }).waitFor();
        await page.keyboard.press("?");
        await page.getByRole("button", { name: "what the words and figures mean" }).click();
        await page.getByText(/^The frame counter: a node adds one/).waitFor();
        expect(await axeFindings(page)).toEqual([]);
        await page.keyboard.press("Escape");
        expect(await page.getByRole("dialog").count()).toBe(0);
        expect(errors).toEqual([]);
      }
    });

    test("many names are looked at, then kept", async () => {
      const { page } = await dashboard.open(`#/nodes?${MORNING}`);
      await page.getByText("Name many at once").click();
      await page.getByLabel(/^Lines, such as/).fill(`address,name\n${PUMP},Pump one\n${SHED},Shed\nx,y`);
      await page
        .getByRole("alert")
        .getByText(/Line 4/)
        .waitFor();
      await page.getByRole("button", { name: "keep 2 names" }).click();
      await page.getByText("✓ 2 names kept.").waitFor();
      await page.getByRole("link", { name: "Pump one" }).first().waitFor();
      const { gateways } = await json<GatewaysView>(`/api/gateways?${MORNING}`);
      expect(gateways.find(({ eui }) => eui === SHED)?.name).toBe("Shed");
      await label("node", PUMP, { name: "Pond pump" });
      await label("gateway", SHED, { name: "Packing shed" });
    });

    test("strangers are folded beneath by network and open to their nodes", async () => {
      const { page } = await dashboard.open(`#/nodes?${MORNING}`);
      const stranger = page.getByRole("link", { name: "5BFFFFFF" });
      await page.getByText("NetID 00002D: 1 node").waitFor();
      expect(await stranger.isVisible()).toBe(false);
      await page.getByText("NetID 00002D: 1 node").click();
      expect(await stranger.isVisible()).toBe(true);
    });

    test("a name from the air or from a person stays text, whatever it looks like", async () => {
      const { page, errors } = await dashboard.open(`#/nodes/01F2A221/1?${MORNING}`);
      const evil = "<img src=x onerror=\"document.title='struck'\"><script>document.title='struck'</script>";
      await page.getByRole("button", { name: /^rename/ }).click();
      await page.getByLabel(/^Name of node/).fill(evil.slice(0, 80));
      await page.keyboard.press("Enter");
      await page.locator(".node-head strong", { hasText: "<img src=x" }).waitFor();
      const { row } = await json<NodePage>(`/api/nodes/01F2A221/1?${MORNING}`);
      expect(row.name).toBe(evil.slice(0, 80));
      // One of the nodes to check.
      await page.getByRole("link", { name: "Site", exact: true }).click();
      await page.getByText("<img src=x", { exact: false }).first().waitFor();
      expect(await page.locator("img").count()).toBe(0);
      expect(await page.title()).not.toContain("struck");
      expect(errors).toEqual([]);
      expect(await overflowPx(page)).toBe(0);
      await label("node", "01F2A221", { name: "Soil probe row 21" });
    });

    test("a name that was begun is left as it was on Escape, and a refusal is said", async () => {
      const { page } = await dashboard.open(`#/nodes/${PROBE}/1?${MORNING}`);
      await page.getByRole("button", { name: /^rename/ }).click();
      await page.keyboard.type("Nobody");
      await page.keyboard.press("Escape");
      await page.locator(".node-head strong", { hasText: "Frost probe row 2" }).waitFor();
      expect(dashboard.sent).toEqual([]);
      const problem = { code: "store-busy", sentence: "The store is busy.", remedy: "Try again." };
      await failing(page, "/api/labels", 503, problem);
      await page.getByRole("button", { name: /^rename/ }).click();
      await page.keyboard.press("Enter");
      await page.getByText("✕ The store is busy. Try again.").waitFor();
    });

    test("on a phone the bar has five words, and the others behind one more", async () => {
      const { page } = await dashboard.open(`#/site?${MORNING}`, { width: 390 });
      const views = page.getByRole("navigation", { name: "Views" });
      await views.getByRole("link", { name: "Site" }).waitFor();
      expect(await views.getByRole("link").count()).toBe(5);
      await views.getByRole("button", { name: "more" }).click();
      expect(await axeFindings(page)).toEqual([]);
      expect(await overflowPx(page)).toBe(0);
      await views.getByRole("link", { name: "Captures" }).click();
      await page.getByRole("heading", { level: 1, name: /captures/ }).waitFor();
      expect(await views.getByRole("link").count()).toBe(5);
    });

    test("what was said of whose a node is can be taken back", async () => {
      const { page } = await dashboard.open(`#/nodes/${PROBE}/1?${MORNING}`);
      const said = async () => (await json<NodePage>(`/api/nodes/${PROBE}/1?${MORNING}`)).ownSaid;
      for (const [button, own] of [
        ["a stranger's", false],
        ["mine", true],
      ] as const) {
        await page.getByRole("button", { name: button, exact: true }).click();
        await page.getByText(/taken for yours by its network/).waitFor({ state: "detached" });
        await expect.poll(said).toBe(own);
      }
      await page.getByRole("button", { name: "not set" }).click();
      await page.getByText(/taken for yours by its network/).waitFor();
      expect(await said()).toBeNull();
    });

    test("the site is given a name in place", async () => {
      const { page } = await dashboard.open(`#/site?${MORNING}`);
      await page.getByRole("button", { name: "rename the site" }).click();
      await page.keyboard.press("Control+A");
      await page.keyboard.type("North parapet");
      await page.keyboard.press("Enter");
      await expect.poll(() => page.title()).toBe("Site · North parapet");
      expect((await json<ServiceStatus>("/api/status")).siteName).toBe("North parapet");
      await dashboard.change("PUT", "/api/site/name", { name: "Fennick Orchard" });
    });

    test("a capture is sent whole, as octets, and says that it was", async () => {
      const { page } = await dashboard.open("#/captures");
      const path = new URL("../../sample-captures/orchard-bench.pcap", import.meta.url).pathname;
      const whole = readFileSync(path);
      // Its first hundred packets: another file, whose datagrams are all stored already.
      let end = 24;
      for (let at = 0; at < 100; at += 1) end += 16 + whole.readUInt32LE(end + 8);
      const buffer = whole.subarray(0, end);
      await page
        .getByLabel("Capture files")
        .setInputFiles({ name: "shed 1.pcap", mimeType: "application/octet-stream", buffer });
      await page.getByText("✓ sent; being read below").waitFor();
      const row = page.getByRole("row", { name: /^shed 1\.pcap/ });
      await row.getByText("✓ read").waitFor();
      const { captures } = await json<CapturesView>("/api/captures");
      expect(captures.find(({ name }) => name === "shed 1.pcap")).toMatchObject({
        size: buffer.length,
        receptions: 0,
        // Half of the packets are the server's answers.
        knownAlready: 50,
        answers: 50,
      });
      const problem = { code: "too-large", sentence: "The file is too large.", remedy: "Cut it in two." };
      await failing(page, "/api/captures", 413, problem);
      await page
        .getByLabel("Capture files")
        .setInputFiles({ name: "big.pcap", mimeType: "application/octet-stream", buffer });
      await page.getByText("✕ The file is too large. Cut it in two.").waitFor();
    });

    test("while a capture is being read a fixed window is asked for anew, when it was read, and once more for what is worked out from it", async () => {
      const { page } = await dashboard.open(`#/site?${MORNING}`, {
        ownClock: true,
        onLine: (line) => line.change("captures", reading),
      });
      const asked = () => dashboard.asked.filter((one) => one.startsWith("GET /api/site")).length;
      await page.getByRole("heading", { name: /2 of 14 nodes/ }).waitFor();
      // The page's time continues as well: on a slow machine it may ask before the test moves it.
      const first = asked();
      await page.clock.fastForward(3100);
      await expect.poll(asked).toBeGreaterThan(first);
      expect(await page.locator(".stale").count()).toBe(0);
      const whileReading = asked();
      dashboard.line.change("captures", (view) => view);
      await expect.poll(asked).toBeGreaterThan(whileReading);
      await page.clock.fastForward(10_000);
      await expect.poll(asked).toBeGreaterThan(whileReading + 1);
      const { length } = dashboard.asked;
      await page.clock.fastForward(10_000);
      expect(dashboard.asked.slice(length)).not.toContainEqual(expect.stringMatching(/^GET \/api\/site/));
    });

    test("an export says how far it is until it is written", async () => {
      const { page } = await dashboard.open(`#/captures?${MORNING}`);
      const save = page.getByRole("link", { name: /^Save the receptions of/ });
      await save.waitFor();
      const running = { id: 1, name: "mastlog-receptions.csv", state: "running", share: 0.43, bytes: 120e6 };
      await changing(page, "/api/exports", () => ({ exports: [running] }));
      await save.click();
      await page.getByText("mastlog-receptions.csv: 43 % written, 120 MB").waitFor();
      // The real one is small: written as soon as its thread has started. The page asks until nothing is listed.
      const listed = async () => (await json<ExportsView>("/api/exports")).exports.length;
      await expect.poll(listed).toBe(1);
      await page.unrouteAll({ behavior: "wait" });
      await page.getByText(/^mastlog-receptions.*\.csv: written, \d/).waitFor();
    });

    test("every table can be saved from where it stands", async () => {
      const saved = async (hash: string) => {
        const { page } = await dashboard.open(hash);
        await page
          .getByRole("link", { name: /^Save the / })
          .first()
          .waitFor();
        const links = await page.getByRole("link", { name: /^Save the / }).all();
        return Promise.all(
          links.map(async (link) => {
            const { searchParams } = new URL((await link.getAttribute("href")) ?? "", page.url());
            return [searchParams.get("what"), searchParams.get("node")]
              .filter((part) => part !== null)
              .join(" of ");
          }),
        );
      };
      expect(await saved(`#/nodes?${MORNING}`)).toEqual(["nodes"]);
      expect(await saved(`#/gaps?${MORNING}`)).toEqual(["gaps"]);
      expect(await saved(`#/site?${MORNING}`)).toEqual(["gateways"]);
      expect(await saved(`#/air?${MORNING}`)).toEqual(["channels"]);
      expect((await saved(`#/nodes/${PROBE}/1?${MORNING}`)).sort()).toEqual([
        "frames of 01F2A102",
        "links of 01F2A102",
        "receptions of 01F2A102",
      ]);
    });

    test("every drawing has a table in its place", async () => {
      for (const hash of [`#/site?${MORNING}`, `#/nodes/${KEYED}/1?${MORNING}`]) {
        const { page, errors } = await dashboard.open(hash);
        await page.locator("figure").first().waitFor();
        const figures = await page.locator("figure").all();
        expect(figures.length).toBeGreaterThan(0);
        for (const figure of figures) {
          expect((await figure.locator("figcaption span").first().textContent())?.length).toBeGreaterThan(10);
          await figure.getByRole("button", { name: "show as table" }).click();
          expect(await figure.locator("tbody tr").count()).toBeGreaterThan(0);
          expect(await figure.locator("canvas").count()).toBe(0);
          await figure.getByRole("button", { name: "show as drawing" }).click();
          await figure.getByRole("button", { name: "show as table" }).waitFor();
        }
        expect(errors).toEqual([]);
      }
    });
  });
