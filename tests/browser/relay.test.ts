import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";
import { passage } from "./orchard-downlinks.ts";

const SHED = "02005E1000000001";
let dashboard: Dashboard;
beforeAll(async () => {
  dashboard = await startDashboard();
});
afterAll(() => dashboard.close());
beforeEach(() => dashboard.calm());

describe("in line", () => {
  test("the service's page says where datagrams go, who answers, and fits a phone", async () => {
    dashboard.service.mood.status = { passage: passage() };
    const { page, errors } = await dashboard.open("#/service", { width: 390 });
    await page.getByRole("heading", { name: "Relay", exact: true }).waitFor();
    await page
      .getByText("Relaying to ns.example:1700, answering; 2 gateways.", { exact: false })
      .first()
      .waitFor();
    expect(await overflowPx(page)).toBe(0);
    expect(await axeFindings(page)).toEqual([]);
    expect(errors).toEqual([]);
  });

  test("a full disk is said to leave the passage working", async () => {
    dashboard.service.mood.status = {
      passage: passage({
        standing: "bad",
        words: "Relaying to ns.example:1700, answering; 2 gateways. Relaying works. Recording has stopped.",
      }),
      storage: {
        state: "failed",
        words: "The store cannot be written: database or disk is full.",
        check: { state: "sound", words: "Checked at the start: no damage." },
        space: { state: "enough", freeBytes: 41_000_000_000, lastsSeconds: null, words: "" },
        bytes: 1,
        receptions: 1,
        from: null,
        to: null,
        recentFrom: null,
      },
    };
    const { page } = await dashboard.open("#/service", { dark: true });
    await page.getByText("relaying works, recording has stopped", { exact: false }).first().waitFor();
    await page.getByRole("status").getByText("relaying, not recording").waitFor();
    expect(await axeFindings(page)).toEqual([]);
  });

  test("a gateway's row tells its way back, and its downlinks when asked", async () => {
    const { page } = await dashboard.open("#/site");
    await page.locator("summary", { hasText: "More of this gateway" }).first().click();
    await page.getByText("4 of 61 timed downlinks came too late", { exact: false }).waitFor();
    await page.getByRole("button", { name: "show the downlinks" }).click();
    await page.getByText("refused: came too late").first().waitFor();
    expect(await axeFindings(page)).toEqual([]);
  });

  test("a node's page tells which of its questions were answered", async () => {
    const { page } = await dashboard.open("#/nodes/01A2B3C4/1");
    const section = page.getByRole("region", { name: "Answers" });
    await section.getByText("4 of 6 confirmed uplinks were answered", { exact: false }).waitFor();
    await section.getByText("without effect").waitFor();
  });
});

describe("the downlink test", () => {
  test("is off unless transmitting was allowed, and says how to allow it", async () => {
    const { page } = await dashboard.open(`#/bench/${SHED}`);
    await page.getByText("Transmitting is off", { exact: false }).waitFor();
    expect(await page.getByRole("button", { name: "transmit one frame" }).count()).toBe(0);
  });

  test("shows the cautions, sends nothing before the identifier is typed, and tells the gateway's word", async () => {
    dashboard.service.mood.transmit = true;
    const { page, errors } = await dashboard.open(`#/bench/${SHED}`, { width: 390 });
    await page.getByText("Never key a transmitter without an antenna or a load.").waitFor();
    const button = page.getByRole("button", { name: "transmit one frame" });
    expect(await button.isDisabled()).toBe(true);
    await page.getByLabel(/^Type .* to confirm/).fill("02005E1000000002");
    expect(await button.isDisabled()).toBe(true);
    await page.getByLabel(/^Type .* to confirm/).fill(SHED.toLowerCase());
    expect(await overflowPx(page)).toBe(0);
    expect(await axeFindings(page)).toEqual([]);
    await button.click();
    await page.getByText("TX_ACK after", { exact: false }).waitFor();
    const sent = dashboard.service.received.filter(({ path }) => path === "/api/downlink-test");
    expect(sent.map(({ body }) => JSON.parse(body))).toEqual([
      {
        gatewayEui: SHED,
        confirm: SHED.toLowerCase(),
        frequencyHz: 868_300_000,
        dataRate: "SF9BW125",
        powerDbm: 14,
      },
    ]);
    expect(errors).toEqual([]);
  });
});
