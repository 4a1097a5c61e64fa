import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { capacityCommand } from "../../src/commands/air.ts";
import { CapacityView, NodeCostView } from "../../src/contract/capacity.ts";
import { phy, push, SHED } from "../store/traffic.ts";
import { keepalives } from "../views/a-site.ts";
import { run, type StoreFile, storeFile } from "./run-command.ts";

const NODES = ["01A2B3C4", "01A2B3C5", "01A2B3C6"];
const FRAMES = 80;

let site: StoreFile;
beforeAll(() => {
  // Three nodes, a frame of 164.864 ms (SF9, 17 octets) each every 50 s; the second one's twentieth is missing.
  const sent = NODES.flatMap((devAddr, i) =>
    Array.from({ length: FRAMES }, (_, n) => ({ devAddr, n, atS: 30 + 50 * n + 7 * i })),
  )
    .filter(({ devAddr, n }) => devAddr !== NODES[1] || n !== 20)
    .sort((a, b) => a.atS - b.atS)
    .map(({ devAddr, n, atS }) => push(SHED, atS, [{ payload: phy(devAddr, n), frequencyHz: 868_100_000 }]));
  site = storeFile([...keepalives(SHED, 0, 4100), ...sent]);
});
afterAll(() => site.remove());

describe("the capacity command", () => {
  it("counts what is delivered, the load by channel, and gives room with its interval", async () => {
    const { out, err, exitCode } = await run(capacityCommand(), "--db", site.path, "--json");
    const view = CapacityView.parse(JSON.parse(out));
    expect(view).toMatchObject({ share: 0.95, verdict: "room", nodes: 3, counters: 240 });
    expect(view.delivery?.ratio).toBeCloseTo(239 / 240, 9);
    // 240 transmissions of 164.864 ms, the missing one put in.
    const [load] = view.load;
    expect(load).toMatchObject({ frequencyHz: 868_100_000, dataRate: "SF9BW125", strangerErlang: 0 });
    expect(load?.ownErlang).toBeCloseTo((240 * 0.164864) / view.recordedSeconds, 9);
    const { moreNodes, interval95 } = view.mean ?? { moreNodes: 0, interval95: [0, 0] };
    expect(moreNodes).toBeGreaterThan(0);
    expect(interval95[0]).toBeLessThanOrEqual(moreNodes);
    expect(interval95[1]).toBeGreaterThanOrEqual(moreNodes);
    expect([err, exitCode]).toEqual(["", 0]);
  });

  it("prints it as text, with what the model leaves out", async () => {
    const { out } = await run(capacityCommand(), "--db", site.path, "--share", "0.9");
    expect(out).toMatch(/^Room for .* more nodes like these .* before delivery falls below 90\.0/);
    expect(out).toContain("Airtime that nobody heard is missing");
  });

  it("gives one node's airtime and charge a day by the power table entered", async () => {
    const { out } = await run(
      capacityCommand(),
      ...["--db", site.path, "--node", "01a2b3c4", "--json"],
      ...["--transmit-ma", "40", "--sleep-ua", "0"],
    );
    const { now, power, changes } = NodeCostView.parse(JSON.parse(out));
    const frames = now?.framesADay ?? 0;
    expect(now?.airtimeMs).toBeCloseTo(164.864, 6);
    expect(now?.airtimeSecondsADay).toBeCloseTo(frames * 0.164864, 6);
    expect(now?.transmitMahADay).toBeCloseTo((frames * 0.164864 * 40) / 3600, 6);
    expect(now?.sleepMahADay).toBe(0);
    expect(power.find(({ key }) => key === "transmitMa")).toMatchObject({ value: 40, source: "entered" });
    expect(power.find(({ key }) => key === "receiveMa")).toMatchObject({
      value: 10.8,
      source: "from data sheet",
    });
    // 17 octets at SF8 and SF7: 12.25 + 33 and 12.25 + 38 symbols of 2.048 and 1.024 ms.
    expect(changes.map(({ toSpreadingFactor, airtimeMsThen }) => [toSpreadingFactor, airtimeMsThen])).toEqual(
      [
        [8, 92.672],
        [7, 51.456],
      ],
    );
  });

  it("refuses a share or an address that is none in one sentence", async () => {
    for (const [option, value, said] of [
      ["--share", "1.5", "--share takes"],
      ["--node", "nobody", "8 hex digits"],
      ["--node", "01FFFFFF", "No frame of a node of your own"],
      ["--sleep-ua", "-1", "--sleep-ua takes"],
    ] as const) {
      const { out, err, exitCode } = await run(capacityCommand(), "--db", site.path, option, value);
      expect([out, exitCode]).toEqual(["", 2]);
      expect(err).toContain(said);
    }
  });
});
