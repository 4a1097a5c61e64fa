/** From an empty store to the first gateway and its node, and through the death of the service: what happens by itself. */
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { ServiceStatus } from "../../src/contract/index.ts";
import { encodePushData } from "../../src/wire/forwarder/encode.ts";
import { GatewaySocket, keepalive } from "../process/gateway-socket.ts";
import { startService } from "../process/service.ts";
import { packet, phy } from "../store/traffic.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";
import { SHED } from "./sample-store.ts";

const NODE = "01A2B3C4";

if (chromiumIsHere("the first gateway"))
  describe("a service", () => {
    let dashboard: Dashboard;
    let gateway: GatewaySocket;
    let token = 0;
    beforeAll(async () => {
      dashboard = await startDashboard({ empty: true });
      gateway = await GatewaySocket.open(dashboard.service.udpPort);
    });
    afterAll(() => Promise.all([dashboard.close(), gateway.close()]));

    /** One datagram of the gateway's with an uplink of the node. */
    const hear = (counter: number) => {
      token += 1;
      const tmstUs = 5_000_000 + counter * 10_000_000;
      const packets = [packet({ payload: phy(NODE, counter), tmstUs, spreadingFactor: 7 })];
      return gateway.send(encodePushData({ version: 2, token, gatewayEui: SHED, packets, status: null }));
    };
    /** Its status report, with whatever stands in place of one. */
    const report = (body: string) => {
      token += 1;
      const head = Buffer.from([2, token >> 8, token & 255, 0]);
      return gateway.send(Buffer.concat([head, Buffer.from(SHED, "hex"), Buffer.from(body)]));
    };

    test("without anything stored is a page of help: addresses, port, whether anything arrived, samples", async () => {
      const { addresses, udp } = await dashboard.service.json<ServiceStatus>("/api/status");
      const { page } = await dashboard.open("#/site");
      await page.getByRole("heading", { level: 1, name: /Nothing is stored yet/ }).waitFor();
      for (const address of addresses) await page.getByText(address, { exact: true }).waitFor();
      const other = addresses.at(-1) ?? "";
      if (addresses.length > 1) await page.getByLabel(other).check();
      await page.getByText(`"server_address": "${other}"`).waitFor();
      await page.getByLabel(/^Identifier of the gateway/).fill("02:00:5E:10:00:00:00:01");
      await page.getByText('"gateway_ID": "02005E1000000001"').waitFor();
      await page.getByText(String(udp[0]?.port), { exact: true }).first().waitFor();
      await page.getByText(/Nothing has arrived on the port/).waitFor();
      await page.getByRole("button", { name: /^open.*A morning at Fennick Orchard/ }).waitFor();
      expect(await axeFindings(page)).toEqual([]);
    });

    for (const [name, hash, words] of [
      ["Nodes", "#/nodes", /No node was heard in this window/],
      ["Air", "#/air", /Nothing was heard on any channel/],
      ["Gaps", "#/gaps", /No gap lies in this window/],
      ["Captures", "#/captures", /No capture was read yet/],
      ["Keys", "#/captures", /No keys are stored\./],
      ["Trials", "#/trials", /No placement entered yet/],
      ["Bench", "#/bench", /^Waiting for a gateway/],
    ] as const)
      test(`${name}, empty, says what to do next`, async () => {
        const { page, errors } = await dashboard.open(hash, { width: 390 });
        await page.getByText(words).first().waitFor();
        if (name === "Keys") return;
        expect(await overflowPx(page)).toBe(0);
        expect(await axeFindings(page)).toEqual([]);
        expect(errors).toEqual([]);
      });

    test("opens the gateway's check list at its first datagram, and fills it while the gateway starts", async () => {
      const { page, errors } = await dashboard.open("#/bench?last=3600");
      await page.getByRole("heading", { level: 1, name: /^Waiting for a gateway/ }).waitFor();
      await gateway.send(keepalive(1, SHED));
      await page.waitForURL(new RegExp(`#/bench/${SHED}`));
      const check = (name: string) =>
        page.getByRole("listitem").filter({ has: page.getByRole("heading", { name, exact: true }) });
      await check("Status reports").getByText("○ waiting").waitFor();
      await report(
        `{"stat":{"time":"2026-04-14 10:00:00 GMT","rxnb":2,"rxok":2,"rxfw":2,"ackr":100.0,"dwnb":0,"txnb":0}}`,
      );
      await hear(10);
      await page.getByText("status report: 2 received, 2 forwarded").first().waitFor();
      await page
        .getByText(/^1 reception: 868\.3.MHz SF7/)
        .first()
        .waitFor();
      await page.getByRole("button", { name: "show them" }).click();
      await check("Protocol version").getByText("✓ pass").waitFor();
      expect(errors).toEqual([]);
    });

    test("shows a node as it comes; a message that was lost is mended by a new snapshot", async () => {
      const { page } = await dashboard.open("#/nodes?last=3600", { onLine: () => {} });
      const row = page.getByRole("row", { name: new RegExp(NODE) });
      await row.waitFor();
      expect(await row.locator("td").nth(1).textContent()).toMatch(/ ago|just now/);
      const resyncs = () => dashboard.line.heard.filter(({ type }) => type === "resync").length;
      await hear(12);
      await row.getByText("66.7", { exact: false }).waitFor();
      expect(resyncs()).toBe(0);
      // The next change is lost; that after it shows the hole.
      dashboard.line.lost = 1;
      await hear(13);
      await expect.poll(() => dashboard.line.lost).toBe(0);
      await hear(14);
      await row.getByText("80.0", { exact: false }).waitFor();
      await expect.poll(resyncs).toBeGreaterThan(0);
    });

    test("counts what it refuses, and says it beside the gateway", async () => {
      await report("{not json");
      const { page } = await dashboard.open("#/site?last=3600");
      const fold = page.locator("details", { hasText: /^More of this gateway/ });
      await fold.locator("summary").first().click();
      await fold.getByText("json_syntax").first().waitFor();
      await dashboard.open("#/service");
      await page.getByText("body is not valid JSON").first().waitFor();
    });

    test("is asked the plain way where there is no live line at all", async () => {
      const { page } = await dashboard.open("#/nodes?last=3600", {
        onLine: (line) => {
          line.isUp = false;
        },
      });
      await page.getByRole("row", { name: new RegExp(NODE) }).waitFor();
      expect(dashboard.asked).toContain("GET /api/nodes?last=3600");
    });

    test("that dies leaves its figures dimmed, with the time; when it is back the page mends itself", async () => {
      const { page } = await dashboard.open("#/site?last=3600");
      const heading = page.getByRole("heading", { level: 1, name: /node/ });
      await heading.waitFor();
      const { db, webPort, udpPort } = dashboard.service;
      await dashboard.service.end("SIGKILL");
      await page.getByText(/These figures are from \d\d:\d\d:\d\d/).waitFor();
      await page.getByText(/✕ connection lost \d\d:\d\d:\d\d/).waitFor();
      expect(await page.title()).toMatch(/^✕ connection lost · Site/);
      expect(await page.locator('link[rel="icon"]').getAttribute("href")).toContain("mark-bad");
      await heading.waitFor();
      expect(await page.locator(".stale").count()).toBe(1);
      expect(await axeFindings(page)).toEqual([]);
      const again = await startService({
        db,
        words: ["--web-port", String(webPort), "--udp-port", String(udpPort)],
      });
      await page.locator(".stale").waitFor({ state: "detached", timeout: 20_000 });
      await hear(15);
      await page.getByText(/✓ receiving/).waitFor();
      await heading.waitFor();
      expect(await page.title()).toMatch(/^Site/);
      await again.end("SIGTERM");
    });
  });
