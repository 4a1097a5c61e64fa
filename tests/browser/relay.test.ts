/** In line and down to the gateway: what the service's page, a gateway's row, a node's page and the bench say of it. */
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { encodePullData, encodePushData, encodeTxAck } from "../../src/wire/forwarder/encode.ts";
import { keepalive } from "../process/gateway-socket.ts";
import { networkServer, TestSocket } from "../process/network-server.ts";
import { until } from "../process/service.ts";
import { packet, phy } from "../store/traffic.ts";
import { chromiumIsHere } from "./chromium.ts";
import { axeFindings, type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";
import { ANSWERED_TIME, SHED } from "./sample-store.ts";

if (chromiumIsHere("relay")) {
  describe("in line", () => {
    let dashboard: Dashboard;
    let server: Awaited<ReturnType<typeof networkServer>>;
    let gateway: TestSocket;
    beforeAll(async () => {
      server = await networkServer();
      gateway = await TestSocket.open();
      dashboard = await startDashboard({ words: ["--relay", `127.0.0.1:${server.port}`] });
      gateway.send(keepalive(1, SHED), dashboard.service.udpPort);
      await until(
        () => gateway.heard,
        (heard) => heard > 0,
      );
    });
    afterAll(() => Promise.all([dashboard.close(), server.close(), gateway.close()]));

    test("the service's page says where datagrams go, who answers, and fits a phone", async () => {
      const { page, errors } = await dashboard.open("#/service", { width: 390 });
      await page.getByRole("heading", { name: "Relay", exact: true }).waitFor();
      await page
        .getByText(`Relaying to 127.0.0.1:${server.port}, answering; 1 gateway.`, { exact: false })
        .first()
        .waitFor();
      expect(await overflowPx(page)).toBe(0);
      expect(await axeFindings(page)).toEqual([]);
      expect(errors).toEqual([]);
    });

    test("a full disk is said to leave the passage working", async () => {
      const { page } = await dashboard.open("#/service", {
        dark: true,
        // A disk that fills up under a running service is made in tests/faults.
        onLine: (line) =>
          line.change("status", (status) => {
            const { passage, storage } = status as Record<"passage" | "storage", object>;
            const words = "The store cannot be written: database or disk is full.";
            return {
              ...status,
              passage: { ...passage, standing: "bad", words: "Relaying works. Recording has stopped." },
              storage: { ...storage, state: "failed", words },
            };
          }),
      });
      await page.getByText("relaying works, recording has stopped", { exact: false }).first().waitFor();
      await page.getByRole("status").getByText("relaying, not recording").waitFor();
      expect(await axeFindings(page)).toEqual([]);
    });

    test("a gateway's row tells its way back, and its downlinks when asked", async () => {
      const { page } = await dashboard.open(`#/site?${ANSWERED_TIME}`);
      const fold = page.locator("details", { hasText: "More of this gateway, Cold store roof" });
      await fold.locator("summary").first().click();
      // As the simulator counted: the way of some answers took longer than the first window leaves.
      await fold
        .getByText(/25 of 130 timed downlinks came too late/)
        .first()
        .waitFor();
      await fold.getByRole("button", { name: "show the downlinks" }).click();
      await fold.getByText("refused: came too late").first().waitFor();
      expect(await axeFindings(page)).toEqual([]);
    });

    test("a node's page tells which of its questions were answered", async () => {
      const { page } = await dashboard.open(`#/nodes/01F2AA0F/1?${ANSWERED_TIME}`);
      const section = page.getByRole("region", { name: "Answers" });
      await section
        .getByText(/^14 of 14 confirmed uplinks were answered; 2 of 2 join-requests were/)
        .waitFor();
      await dashboard.open(`#/nodes/01F2AA03/1?${ANSWERED_TIME}`);
      await section.getByText(/data-rate commands took effect/).waitFor();
      await section.getByText("without effect").first().waitFor();
    });
  });

  describe("the downlink test, where it is allowed", () => {
    let dashboard: Dashboard;
    let gateway: TestSocket;
    const asked: Buffer[] = [];
    beforeAll(async () => {
      gateway = await TestSocket.open();
      dashboard = await startDashboard({ empty: true, words: ["--allow-transmit"] });
      const { udpPort } = dashboard.service;
      gateway.onDatagram = (bytes) => {
        if (bytes[3] !== 3) return;
        asked.push(bytes);
        const outcome = { result: "accepted", word: null, powerDbm: null } as const;
        const token = bytes.readUInt16BE(1);
        gateway.send(encodeTxAck({ version: 2, token, gatewayEui: SHED, outcome }), udpPort);
      };
      // The region must be recognised before it says what may be sent.
      const channelsHz = [868_100_000, 868_300_000, 868_500_000, 867_100_000, 867_300_000, 867_500_000];
      for (let i = 0; i < 60; i++) {
        const tmstUs = 1_000_000 + i * 2_000_000;
        const frequencyHz = channelsHz[i % channelsHz.length] ?? 0;
        const heard = { payload: phy("01A2B3C4", i), tmstUs, frequencyHz, spreadingFactor: 7 + (i % 6) };
        const push = {
          version: 2,
          token: i,
          gatewayEui: SHED,
          packets: [packet(heard)],
          status: null,
        } as const;
        gateway.send(encodePushData(push), udpPort);
      }
      await until(
        () => dashboard.service.json<{ gateways: { region: { name: string | null } }[] }>("/api/gateways"),
        ({ gateways }) => gateways[0]?.region.name === "EU868",
      );
    });
    afterAll(() => Promise.all([dashboard.close(), gateway.close()]));

    test("shows the cautions, sends nothing before the identifier is typed, and tells the gateway's word", async () => {
      gateway.send(encodePullData({ version: 2, token: 9, gatewayEui: SHED }), dashboard.service.udpPort);
      await until(
        () =>
          dashboard.service.json<{ calledSecondsAgo: number | null }>(`/api/downlink-test?gateway=${SHED}`),
        ({ calledSecondsAgo }) => calledSecondsAgo !== null,
      );
      const { page, errors } = await dashboard.open(`#/bench/${SHED}`, { width: 390 });
      await page.getByText("Never key a transmitter without an antenna or a load.").waitFor();
      const button = page.getByRole("button", { name: "transmit one frame" });
      expect(await button.isDisabled()).toBe(true);
      await page.getByLabel(/^Type .* to confirm/).fill("02005E1000000002");
      expect(await button.isDisabled()).toBe(true);
      await page.getByLabel(/^Type .* to confirm/).fill(SHED.toLowerCase());
      expect(await overflowPx(page)).toBe(0);
      expect(await axeFindings(page)).toEqual([]);
      expect(asked).toEqual([]);
      await button.click();
      await page.getByText("TX_ACK after", { exact: false }).waitFor();
      expect(asked).toHaveLength(1);
      expect(JSON.parse(asked[0]?.toString("utf8", 4) ?? "")).toMatchObject({
        txpk: { datr: "SF9BW125", powe: 14, ipol: true },
      });
      expect(errors).toEqual([]);
    });
  });
}
