/** Can a person with busy hands walk a site: pin where they stand, see what comes, and hear it? */
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { WalkView } from "../../src/contract/index.ts";
import { encodePushData } from "../../src/wire/forwarder/encode.ts";
import { GatewaySocket } from "../process/gateway-socket.ts";
import { packet, phy } from "../store/traffic.ts";
import { chromiumIsHere } from "./chromium.ts";
import { type Dashboard, overflowPx, startDashboard } from "./dashboard.ts";
import { KEYED, MORNING, SHED } from "./sample-store.ts";

/** What a person carries about now; it is in no capture. */
const NODE = "01F2A7F0";

if (chromiumIsHere("walk"))
  describe("the walk test", () => {
    let dashboard: Dashboard;
    let gateway: GatewaySocket;
    beforeAll(async () => {
      dashboard = await startDashboard();
      gateway = await GatewaySocket.open(dashboard.service.udpPort);
    });
    afterAll(() => Promise.all([dashboard.close(), gateway.close()]));

    test("shows the stops as a plan and a table, with the verdict in words", async () => {
      const walk = await dashboard.service.json<WalkView>(`/api/walk/${KEYED}?${MORNING}`);
      const { page, errors } = await dashboard.open(`#/walk/${KEYED}?${MORNING}`, { width: 390 });
      const good = walk.stops.filter(({ best }) => best === "good").length;
      await page
        .getByRole("img", { name: new RegExp(`^Stops: ${good} of 4 stops good; 3 with a place`) })
        .waitFor();
      // By then the link had faded: the tower still heard the node, the shed hardly ever.
      const row = await page.getByRole("row", { name: /Cold store 1/ }).textContent();
      expect(row).toMatch(/marginal.*dead \d+.% heard/);
      expect(await overflowPx(page)).toBe(0);
      expect(errors).toEqual([]);
    });

    test("pins where one stands, with a place in metres", async () => {
      const { page } = await dashboard.open(`#/walk/${NODE}?last=3600`);
      await page.getByLabel("I stand at").fill("North door");
      await page.getByLabel("Position, if you like").fill("somewhere");
      await page.getByRole("button", { name: "here, now" }).click();
      await page.getByText(/A place is “51.5001/).waitFor();
      await page.getByLabel("Position, if you like").fill("12 m, −40 m");
      await page.getByRole("button", { name: "here, now" }).click();
      await page.getByText(/North door is pinned/).waitFor();
      const { stops } = await dashboard.service.json<WalkView>(`/api/walk/${NODE}?last=3600`);
      expect(stops).toMatchObject([{ name: "North door", position: { eastMetres: 12, northMetres: -40 } }]);
    });

    test("is silent until switched on, then sounds each frame by its margin, and a missed counter otherwise", async () => {
      // At SF7 the floor is −7.5 dB.
      const hear = async (counter: number, marginDb: number) => {
        const heard = packet({
          payload: phy(NODE, counter),
          tmstUs: 5_000_000 + counter * 10_000_000,
          spreadingFactor: 7,
          snrDb: marginDb - 7.5,
        });
        const push = {
          version: 2,
          token: counter,
          gatewayEui: SHED,
          packets: [heard],
          status: null,
        } as const;
        await gateway.send(encodePushData(push));
      };
      await hear(10, 5);
      const { page, errors } = await dashboard.open(`#/walk/${NODE}?last=3600`);
      const figure = page.locator(".walk-figure").first();
      await figure.getByText("5.0").waitFor();
      await page.evaluate(() => {
        const heard: number[] = [];
        Object.assign(window, { heard });
        const Real = window.OscillatorNode;
        window.OscillatorNode = class extends Real {
          constructor(context: BaseAudioContext, options?: OscillatorOptions) {
            super(context, options);
            heard.push(Math.round(options?.frequency ?? 0));
          }
        };
      });
      const heard = () => page.evaluate(() => (window as unknown as { heard: number[] }).heard);
      await hear(11, 10);
      await figure.getByText("10.0").waitFor();
      expect(await heard()).toEqual([]);
      await page.getByRole("button", { name: "sound and vibrate at each frame" }).click();
      await hear(12, 20);
      await expect.poll(heard).toEqual([880]);
      await hear(15, 0);
      await expect.poll(heard).toEqual([880, 90, 90, 220]);
      await page.getByRole("button", { name: "sound and vibration are on: switch off" }).click();
      await hear(16, 12);
      await figure.getByText("12.0").waitFor();
      expect(await heard()).toHaveLength(4);
      expect(errors).toEqual([]);
    });
  });
