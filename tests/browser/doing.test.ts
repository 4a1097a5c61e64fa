/** Can a person do what the dashboard is for, by keyboard and by hand: choose a time, walk counters, open frames, name things, send files? */
import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";

if (chromiumIsHere("doing"))
  describe("doing", () => {
    let dashboard: Dashboard;
    beforeAll(async () => {
      dashboard = await startDashboard();
    });
    afterAll(() => dashboard.close());
    beforeEach(() => dashboard.calm());

    test("a time is typed in words, refused in words, and carried to every view", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      await page.getByRole("button", { name: /last hour/ }).click();
      const field = page.getByLabel("A time, in words");
      await field.fill("03/04/2026");
      await page.keyboard.press("Enter");
      await page.getByText(/can be read in two ways/).waitFor();
      await field.fill("2026-03-14 09:00 – 11:00");
      await page.keyboard.press("Enter");
      await page.waitForURL(/from=2026-03-14T08%3A00%3A00\.000Z&to=2026-03-14T10%3A00%3A00\.000Z/);
      expect(await field.count()).toBe(0);
      await page.getByRole("link", { name: "Air" }).click();
      await page.waitForURL(/#\/air\?from=2026-03-14T08/);
      await page.getByRole("button", { name: "One window later" }).click();
      await page.waitForURL(/#\/air\?from=2026-03-14T10%3A00/);
      await page.getByRole("button", { name: "14 Mar 2026, 11:00–13:00" }).waitFor();
      await page.goBack();
      await page.getByRole("button", { name: "14 Mar 2026, 09:00–11:00" }).waitFor();
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

    test("the tab key reaches rail, window, figures and tables, and each shows that it has the focus", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      await page.getByRole("heading", { name: /2 of 8 nodes/ }).waitFor();
      const seen: string[] = [];
      for (let step = 0; step < 160; step += 1) {
        await page.keyboard.press("Tab");
        const at = await page.evaluate(() => {
          const element = document.activeElement;
          if (element === null || element === document.body) return null;
          const style = getComputedStyle(element);
          return {
            words: element.textContent?.trim().slice(0, 40) ?? "",
            outline: Number.parseFloat(style.outlineWidth),
            shown: style.outlineStyle,
          };
        });
        if (at === null) break;
        seen.push(at.words);
        expect(at, at.words).toMatchObject({ outline: 2, shown: "solid" });
      }
      for (const words of [
        "Skip to the view",
        "Nodes",
        "←",
        "show as table",
        "Frost probe row 12",
        "How these figures come about",
      ])
        expect(
          seen.some((one) => one.includes(words)),
          words,
        ).toBe(true);
    });

    test("arrows walk the counter strip and Enter opens the frame in place", async () => {
      const { page, errors } = await dashboard.open("#/nodes/01A2B3C5/1?last=21600");
      const strip = page.getByRole("slider", { name: /^Counters/ });
      await strip.focus();
      await page.keyboard.press("Home");
      expect(await strip.getAttribute("aria-valuetext")).toMatch(/^FCnt 1800: heard/);
      await page.keyboard.press("ArrowRight");
      await page.keyboard.press("ArrowRight");
      expect(await strip.getAttribute("aria-valuetext")).toMatch(/^FCnt 1802/);
      await page.keyboard.press("Enter");
      await page.getByRole("heading", { name: /^Frame of .*26 octets/ }).waitFor();
      expect(dashboard.service.asked.at(-1)).toBe("GET /api/frames/7002");
      expect(errors).toEqual([]);
    });

    test("octets and fields light each other, by mouse and by keyboard", async () => {
      const { page } = await dashboard.open("#/nodes/01A2B3C5/1?last=21600");
      await page.locator(".table-dense tbody button").first().click();
      const lit = () => page.locator(".octet.lit").allTextContents();
      await page.locator(".field-row", { hasText: "FCnt" }).hover();
      expect(await lit()).toEqual(["62", "07"]);
      await page.mouse.move(0, 0);
      await page.locator(".field-row", { hasText: "MIC" }).focus();
      expect(await lit()).toEqual(["4B", "5C", "6D", "7E"]);
      await page.locator(".octet").nth(2).hover();
      expect(await page.locator(".field-row.lit").allTextContents()).toEqual(["DevAddr01A2B3C4"]);
      await page.getByRole("slider", { name: /^Octets/ }).focus();
      await page.keyboard.press("ArrowDown");
      await page.keyboard.press("ArrowRight");
      expect(await page.getByRole("slider", { name: /^Octets/ }).getAttribute("aria-valuetext")).toBe(
        "octet 17: F6, FRMPayload 02A1B2C3D4E5F60718293A",
      );
    });

    test("a frame is copied as hex, base64 and JSON", async () => {
      const { page } = await dashboard.open("#/nodes/01A2B3C5/1?last=21600", {
        permissions: ["clipboard-read", "clipboard-write"],
      });
      await page.locator(".table-dense tbody button").first().click();
      const clipboard = () => page.evaluate(() => navigator.clipboard.readText());
      const hex = "40C4B3A20182620703070102A1B2C3D4E5F60718293A4B5C6D7E";
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
      const { page } = await dashboard.open("#/nodes/01A2B3C5/1?last=21600");
      await page.getByText("50 receptions shown", { exact: false }).waitFor();
      await page.getByRole("button", { name: "show 50 older" }).click();
      await page.getByText("100 receptions shown", { exact: false }).waitFor();
      await page.getByRole("button", { name: "show 50 older" }).click();
      await page.getByText("120 receptions shown", { exact: false }).waitFor();
      expect(await page.getByRole("button", { name: "show 50 older" }).count()).toBe(0);
      await page.getByLabel("Heard by").selectOption("02005E1000000002");
      await expect.poll(() => dashboard.service.asked.at(-1)).toMatch(/gateway=02005E1000000002/);
      expect(page.url()).toContain("gateway=02005E1000000002");
    });

    test("a site is chosen beside the window, stays in every link, and is asked for; one alone is no choice", async () => {
      dashboard.service.mood.status = { sites: ["Fennick Orchard"] };
      const alone = await dashboard.open("#/nodes?last=3600");
      await alone.page.getByRole("heading", { level: 1 }).waitFor();
      expect(await alone.page.getByLabel("Site", { exact: true }).count()).toBe(0);
      dashboard.service.mood.status = { sites: ["Fennick Orchard", "Hollow Quarry"] };
      const { page, errors } = await dashboard.open("#/nodes?last=3600");
      const choice = page.getByLabel("Site", { exact: true });
      await choice.selectOption("Hollow Quarry");
      await expect
        .poll(() => dashboard.service.heard.at(-1))
        .toMatchObject({ type: "subscribe", topic: "nodes", site: "Hollow Quarry" });
      expect(new URL(page.url()).hash).toBe("#/nodes?last=3600&site=Hollow+Quarry");
      await page.getByRole("link", { name: "Gaps", exact: true }).click();
      await expect.poll(() => new URL(page.url()).hash).toBe("#/gaps?last=3600&site=Hollow+Quarry");
      await choice.selectOption("all sites");
      await expect.poll(() => new URL(page.url()).hash).toBe("#/gaps?last=3600");
      // One gateway may be of another site.
      await page.goto(page.url().replace("#/gaps", "#/bench/02005E1000000001"));
      await choice.selectOption("Fennick Orchard");
      await expect.poll(() => new URL(page.url()).hash).toBe("#/bench?last=3600&site=Fennick+Orchard");
      expect(errors).toEqual([]);
    });

    test("the list of nodes is sorted and filtered, and the address keeps both", async () => {
      const { page } = await dashboard.open("#/nodes?last=86400");
      const names = () => page.locator("section[aria-label='Your nodes'] .node-name > a").allTextContents();
      await page.getByRole("button", { name: "Delivery", exact: true }).click();
      const rising = await names();
      expect(rising[0]).toBe("Frost probe row 12");
      await page.getByRole("button", { name: "Delivery", exact: true }).click();
      expect((await names()).at(-1)).toBe("Frost probe row 12");
      await page.getByLabel(/^Filter by/).fill("row");
      expect((await names()).sort()).toEqual(["Frost probe row 12", "Frost probe row 3", "Soil probe row 7"]);
      expect(page.url()).toMatch(/sort=-delivery/);
      expect(page.url()).toMatch(/q=row/);
      await page.reload();
      await page.getByText("3 nodes of 10 shown").waitFor();
    });

    test("nodes are shown by standing, and the address keeps it", async () => {
      const { page } = await dashboard.open("#/nodes?last=3600");
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
        const { page, errors } = await dashboard.open("#/air?last=3600", { width });
        await page.getByRole("heading", { level: 1, name: /The busiest channel/ }).waitFor();
        await page.keyboard.press("/");
        const field = page.getByRole("dialog", { name: "Find" }).getByRole("searchbox");
        await field.fill("B3C4");
        await page.getByRole("link", { name: /^node Frost probe row 12/ }).waitFor();
        expect(await axeFindings(page)).toEqual([]);
        expect(await overflowPx(page)).toBe(0);
        await page.keyboard.press("Enter");
        await page.waitForURL(/#\/nodes\/01A2B3C4\/1\?last=3600/);
        await page.getByRole("dialog").waitFor({ state: "detached" });
        await page.getByRole("heading", { level: 1, name: /Frost probe row 12/ }).waitFor();
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
      const { page } = await dashboard.open("#/nodes?last=3600");
      await page.getByText("Name many at once").click();
      await page
        .getByLabel(/^Lines, such as/)
        .fill("address,name\n01A2B3C4,Pump one\n02005E1000000001,Shed\nx,y");
      await page
        .getByRole("alert")
        .getByText(/Line 4/)
        .waitFor();
      await page.getByRole("button", { name: "keep 2 names" }).click();
      await page.getByText("✓ 2 names kept.").waitFor();
      expect(dashboard.service.received.map(({ path, body }) => `${path} ${body}`)).toEqual([
        '/api/labels/node/01A2B3C4 {"name":"Pump one"}',
        '/api/labels/gateway/02005E1000000001 {"name":"Shed"}',
      ]);
      await page.getByRole("link", { name: "Pump one" }).first().waitFor();
    });

    test("strangers are folded beneath by network and open to their nodes", async () => {
      const { page } = await dashboard.open("#/nodes?last=3600");
      const stranger = page.getByRole("link", { name: "03F00A01" });
      await page.getByText("private network 01: 1 node").waitFor();
      expect(await stranger.isVisible()).toBe(false);
      await page.getByText("private network 01: 1 node").click();
      expect(await stranger.isVisible()).toBe(true);
    });

    test("a name from the air or from a person stays text, whatever it looks like", async () => {
      const { page, errors } = await dashboard.open("#/nodes/01A2B3C4/1?last=3600");
      const evil = "<img src=x onerror=\"document.title='struck'\"><script>document.title='struck'</script>";
      await page.getByRole("button", { name: /^rename/ }).click();
      await page.getByLabel(/^Name of node/).fill(evil.slice(0, 80));
      await page.keyboard.press("Enter");
      await page.locator(".node-head strong", { hasText: "<img src=x" }).waitFor();
      expect(JSON.parse(dashboard.service.received.at(-1)?.body ?? "")).toEqual({ name: evil.slice(0, 80) });
      expect(dashboard.service.received.at(-1)?.path).toBe("/api/labels/node/01A2B3C4");
      await page.getByRole("link", { name: "Site" }).click();
      await page.getByText("<img src=x", { exact: false }).first().waitFor();
      expect(await page.locator("img").count()).toBe(0);
      expect(await page.title()).not.toContain("struck");
      expect(errors).toEqual([]);
      expect(await overflowPx(page)).toBe(0);
    });

    test("a name that was begun is left as it was on Escape, and a refusal is said", async () => {
      const { page } = await dashboard.open("#/nodes/01A2B3C6/1?last=3600");
      await page.getByRole("button", { name: /^rename/ }).click();
      await page.keyboard.type("Nobody");
      await page.keyboard.press("Escape");
      await page.locator(".node-head strong", { hasText: "Soil probe row 7" }).waitFor();
      expect(dashboard.service.received).toEqual([]);
      dashboard.service.mood.fail = {
        "/api/labels": {
          status: 503,
          body: { code: "busy", sentence: "The store is busy.", remedy: "Try again." },
        },
      };
      await page.getByRole("button", { name: /^rename/ }).click();
      await page.keyboard.press("Enter");
      await page.getByText("✕ The store is busy. Try again.").waitFor();
    });

    test("on a phone the bar has five words, and the others behind one more", async () => {
      const { page } = await dashboard.open("#/site?last=3600", { width: 390 });
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
      const { page } = await dashboard.open("#/nodes/01A2B3D0/1?last=3600");
      await page.getByRole("button", { name: "mine", exact: true }).click();
      await page.getByText(/taken for yours by its network/).waitFor({ state: "detached" });
      await page.getByRole("button", { name: "not set" }).click();
      await page.getByText(/taken for yours by its network/).waitFor();
      expect(dashboard.service.received.map(({ body }) => JSON.parse(body) as unknown)).toEqual([
        { own: true },
        { own: null },
      ]);
    });

    test("the site is given a name in place", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      await page.getByRole("button", { name: "rename the site" }).click();
      await page.keyboard.type("North parapet");
      await page.keyboard.press("Enter");
      await page.getByRole("button", { name: "rename the site" }).waitFor();
      expect(dashboard.service.received.at(-1)).toMatchObject({
        path: "/api/site/name",
        body: '{"name":"North parapet"}',
      });
    });

    test("a node is said to be a stranger's", async () => {
      const { page } = await dashboard.open("#/nodes/01A2B3C6/1?last=3600");
      await page.getByRole("button", { name: "a stranger's" }).click();
      await expect
        .poll(() => dashboard.service.received.at(-1))
        .toMatchObject({ path: "/api/labels/node/01A2B3C6", body: '{"own":false}' });
    });

    test("a capture is sent whole, as octets, and says that it was", async () => {
      const { page } = await dashboard.open("#/captures");
      const bytes = Buffer.alloc(300_000, 7);
      await page
        .getByLabel("Capture files")
        .setInputFiles({ name: "shed 1.pcap", mimeType: "application/octet-stream", buffer: bytes });
      await page.getByText("✓ sent; being read below").waitFor();
      expect(dashboard.service.received.at(-1)).toMatchObject({
        path: "/api/captures?name=shed%201.pcap",
        size: 300_000,
      });
      dashboard.service.mood.fail = {
        "/api/captures": {
          status: 413,
          body: { code: "too-large", sentence: "The file is too large.", remedy: "Cut it in two." },
        },
      };
      await page
        .getByLabel("Capture files")
        .setInputFiles({ name: "big.pcap", mimeType: "application/octet-stream", buffer: bytes });
      await page.getByText("✕ The file is too large. Cut it in two.").waitFor();
    });

    test("a delta changes what is shown, and a hole is mended by a new snapshot", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      await page.getByRole("heading", { name: /2 of 8 nodes/ }).waitFor();
      dashboard.service.push("site", { set: { sentence: [{ text: "All is quiet." }] } });
      await page.getByRole("heading", { name: "All is quiet." }).waitFor();
      dashboard.service.push("site", { set: { sentence: [{ text: "Half a truth." }] } }, 1);
      await page.getByRole("heading", { name: /2 of 8 nodes/ }).waitFor();
      expect(
        dashboard.service.heard.filter((one) => (one as { type: string }).type === "resync"),
      ).toHaveLength(1);
    });

    test("while a capture is being read a fixed window is asked for anew, when it was read, and once more for what is worked out from it", async () => {
      const { page } = await dashboard.open(
        "#/site?from=2026-03-14T08:00:00.000Z&to=2026-03-14T10:00:00.000Z",
        { ownClock: true },
      );
      const asked = () => dashboard.service.asked.filter((one) => one.startsWith("GET /api/site")).length;
      await page.getByRole("heading", { name: /2 of 8 nodes/ }).waitFor();
      expect(asked()).toBe(1);
      await page.clock.fastForward(3100);
      await expect.poll(asked).toBe(2);
      expect(await page.locator(".stale").count()).toBe(0);
      dashboard.service.push("captures", { set: { captures: [] } });
      await expect.poll(asked).toBe(3);
      await page.clock.fastForward(10_000);
      await page.getByRole("link", { name: "Captures" }).click();
      await page.getByRole("heading", { name: /No capture was read yet/ }).waitFor();
      expect(asked()).toBe(4);
      await page.clock.fastForward(10_000);
      expect(asked()).toBe(4);
    });

    test("an export says how far it is until it is written", async () => {
      const { page } = await dashboard.open("#/captures?last=3600");
      const save = page.getByRole("link", { name: /^Save the receptions of/ });
      await save.waitFor();
      const running = {
        id: 1,
        name: "mastlog-receptions.csv",
        state: "running",
        share: 0.43,
        bytes: 120e6,
      } as const;
      dashboard.service.mood.exports = [running];
      await save.click();
      await page.getByText("mastlog-receptions.csv: 43 % written, 120 MB").waitFor();
      dashboard.service.mood.exports = [{ ...running, state: "done", share: 1, bytes: 266e6 }];
      await page.getByText("mastlog-receptions.csv: written, 266 MB").waitFor();
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
            const { searchParams } = new URL((await link.getAttribute("href")) ?? "", dashboard.service.url);
            return [searchParams.get("what"), searchParams.get("node")]
              .filter((part) => part !== null)
              .join(" of ");
          }),
        );
      };
      expect(await saved("#/nodes?last=3600")).toEqual(["nodes"]);
      expect(await saved("#/gaps?last=3600")).toEqual(["gaps"]);
      expect(await saved("#/site?last=3600")).toEqual(["gateways"]);
      expect(await saved("#/air?last=3600")).toEqual(["channels"]);
      expect((await saved("#/nodes/01A2B3C4/1?last=3600")).sort()).toEqual([
        "frames of 01A2B3C4",
        "links of 01A2B3C4",
        "receptions of 01A2B3C4",
      ]);
    });

    test("every drawing has a table in its place", async () => {
      for (const hash of ["#/site?last=3600", "#/nodes/01A2B3C4/1?last=3600", "#/air?last=3600"]) {
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
