import { describe, expect, it } from "vitest";
import { CapacityView } from "../../src/contract/capacity.ts";
import { openStore } from "../../src/store/open.ts";
import { type DecodedArrival, type DownlinkArrival, Recorder } from "../../src/store/recorder.ts";
import { capacityView } from "../../src/views/capacity.ts";
import { downFrame, handOut, txAck } from "../store/down-traffic.ts";
import { phy, pull, push, SHED, START_US } from "../store/traffic.ts";

const NODES = ["01A2B3C4", "01A2B3C5", "01A2B3C6"];
const CHANNELS_HZ = [868_100_000, 868_300_000, 868_500_000];
const WINDOW = { fromUs: START_US, toUs: START_US + 3_600_000_000, live: false };

function view(downlinks: number): CapacityView {
  const items: (DecodedArrival | DownlinkArrival)[] = [pull(SHED, 0, 1)];
  for (let i = 1; i <= 60; i++) {
    const devAddr = NODES[i % 3] ?? "";
    const frequencyHz = CHANNELS_HZ[((i * 7) % 5) % 3] ?? 0;
    items.push(push(SHED, i * 30, [{ payload: phy(devAddr, i), frequencyHz }], i + 100));
    if (i > downlinks) continue;
    items.push(handOut(i * 30 + 0.3, i * 30 + 1, downFrame(devAddr, i, { ack: true }), { token: i }));
    items.push(txAck(SHED, i * 30 + 0.304, i));
  }
  const db = openStore(":memory:");
  const recorder = new Recorder(db);
  for (const item of items) recorder.record([item]);
  recorder.settle();
  try {
    return CapacityView.parse(capacityView(db, WINDOW));
  } finally {
    db.close();
  }
}

describe("a gateway's own sending as nodes are added", () => {
  it("reaches the sub-band's limit where its fullest hour grows with the nodes", () => {
    const [row] = view(19).downlinks;
    expect(row).toMatchObject({ gatewayEui: SHED, subBand: "M", limit: 0.01 });
    // 19 packets of 144.384 ms within one hour; 3 nodes × (0.01 / 0.000762 − 1) = 36.4.
    expect(row?.share).toBeCloseTo((19 * 0.144384) / 3600, 9);
    expect(row?.moreNodes).toBe(36);
    expect(row?.sentence).toContain("reached with 36 more nodes, if its downlinks grow with them");
  });

  it("is not spoken of where no downlink of it was seen", () => {
    expect(view(0).downlinks).toEqual([]);
  });
});
