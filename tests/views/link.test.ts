import { describe, expect, it } from "vitest";
import { NodePage } from "../../src/contract/index.ts";
import { REPEATS_HIDE_IT } from "../../src/diagnosis/link-delivery.ts";
import type { Store } from "../../src/store/open.ts";
import { nodePage } from "../../src/views/node-page.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { keepalives, siteOf, windowOf } from "./a-site.ts";

const PROBE = "01A2B3C4";

function links(store: Store, window: AskedWindow) {
  const page = nodePage(store, window, PROBE, 1);
  if (page === null) throw new Error("no page");
  expect(NodePage.parse(page)).toEqual(page);
  return page.links;
}

/** Counters 0 to 179 a minute apart, SF7; the shed hears all but every sixth, its SNR falls by 8 dB after 100. */
function stepped(): Store {
  const traffic = [...keepalives(SHED, 0, 10_800, 30), ...keepalives(TOWER, 0, 10_800, 30)];
  for (let n = 0; n < 180; n++) {
    const snrDb = (n < 100 ? 4 : -4) + ((n * 7) % 5) * 0.4 - 0.8;
    const at = n * 60 + 1;
    if (n % 6 !== 5)
      traffic.push(
        push(SHED, at, [{ payload: phy(PROBE, n), spreadingFactor: 7, snrDb, rssiDbm: -110, tmstUs: n }]),
      );
    if (n % 2 === 0 || n % 6 === 5)
      traffic.push(
        push(TOWER, at + 0.01, [
          { payload: phy(PROBE, n), spreadingFactor: 7, snrDb: -6, rssiDbm: -118, tmstUs: n },
        ]),
      );
  }
  return siteOf(traffic);
}

describe("the links of a node", () => {
  const store = stepped();

  it("have a row a gateway, with every margin counted once", () => {
    const [shed, tower] = links(store, windowOf(0, 10_800));
    expect([shed?.gatewayEui, tower?.gatewayEui]).toEqual([SHED, TOWER]);
    expect(shed?.margin.count).toBe(150);
    expect(shed?.margin.bins.reduce((a, b) => a + b, 0)).toBe(150);
    expect(tower?.margin).toMatchObject({ count: 120, medianDb: 1.5, firstBinDb: 1, bins: [120] });
    expect(shed?.dataRate).toBe("SF7BW125");
  });

  it("date the step, and say what it rests on", () => {
    const [shed, tower] = links(store, windowOf(0, 10_800));
    expect(shed?.shifts).toHaveLength(1);
    expect(shed?.shifts[0]?.sizeDb).toBeCloseTo(-8, 0);
    const atMinute = (Date.parse(shed?.shifts[0]?.at ?? "") - windowOf(0, 1).fromUs / 1000) / 60_000;
    expect(Math.abs(atMinute - 100)).toBeLessThan(2);
    expect(shed?.shiftsWords).toMatch(
      /^SNR fell by 8\.\d\u202FdB \(\d\.\d to \d\.\d\) at about 10:[34]\d UTC on 14 Mar\.$/,
    );
    expect(tower?.shifts).toEqual([]);
  });

  it("show a fall that still holds at the link that fell, and at no other", () => {
    const [shed, tower] = links(store, windowOf(0, 10_800));
    expect(shed?.fall).toMatchObject({ at: shed?.shifts[0]?.at, measure: "snr" });
    // From minute 100 to the last frame at minute 178.
    expect(Math.abs((shed?.fall?.heldSeconds ?? 0) - 78 * 60)).toBeLessThan(120);
    expect(tower?.fall).toBeNull();
  });

  it("judge a short window with what came before it, and show only its own", () => {
    const late = links(store, windowOf(7200, 10_800))[0];
    expect(late?.shifts).toEqual([]);
    expect(late?.margin.count).toBe(50);
    expect(links(store, windowOf(5700, 10_800))[0]?.shifts).toHaveLength(1);
  });

  it("give delivery at the gateway of the counters expected at the site, and what it would be", () => {
    const [shed] = links(store, windowOf(0, 10_800));
    expect(shed?.delivery.ratio).toBeCloseTo(150 / 180, 2);
    const by = Object.fromEntries((shed?.whatIf ?? []).map((one) => [one.what, one]));
    // SF7 is the fastest at 125 kHz.
    expect(by.faster).toMatchObject({ ratio: null });
    expect(by.slower?.ratio ?? 0).toBeGreaterThanOrEqual(shed?.delivery.ratio ?? 1);
    expect(by["less-power"]?.ratio ?? 1).toBeLessThan(shed?.delivery.ratio ?? 0);
    expect(by["less-power"]?.interval95).not.toBeNull();
  });

  it("tell the figures of each data rate by themselves, missed counters at that of both frames around them", () => {
    const traffic = keepalives(SHED, 0, 7200, 30);
    // Counters 0 to 59 at SF7 with 2.5 dB of margin and every third missed, 60 to 99 at SF9 with 12.5 dB and none.
    for (let n = 0; n < 100; n++) {
      const at = { spreadingFactor: n < 60 ? 7 : 9, snrDb: n < 60 ? -5 : 0, rssiDbm: -110, tmstUs: n };
      if (n >= 60 || n % 3 !== 1) traffic.push(push(SHED, n * 60 + 1, [{ payload: phy(PROBE, n), ...at }]));
    }
    const [shed] = links(siteOf(traffic), windowOf(0, 7200));
    expect(shed?.byDataRate).toMatchObject([
      { dataRate: "SF7BW125", count: 40, medianDb: 2.5, delivery: { ratio: 40 / 60 } },
      { dataRate: "SF9BW125", count: 40, medianDb: 12.5, delivery: { ratio: 1 } },
    ]);
    // The rate of most frames comes first: of the second half of the time, six at SF7 against forty.
    const [late] = links(siteOf(traffic), windowOf(3_060, 7_200));
    expect(late?.byDataRate.map(({ dataRate, count }) => [dataRate, count])).toEqual([
      ["SF9BW125", 40],
      ["SF7BW125", 6],
    ]);
  });

  it("count what was missed between two data rates for neither of them", () => {
    const traffic = keepalives(SHED, 0, 7200, 30);
    // Two in a row are missed at SF7; then ten, after which the node sends at SF9.
    for (let n = 0; n < 90; n++) {
      const at = { spreadingFactor: n < 40 ? 7 : 9, snrDb: -5, rssiDbm: -110, tmstUs: n };
      if ((n < 20 || n > 21) && (n < 40 || n > 49))
        traffic.push(push(SHED, n * 60 + 1, [{ payload: phy(PROBE, n), ...at }]));
    }
    const [shed] = links(siteOf(traffic), windowOf(0, 7200));
    expect(shed?.byDataRate).toMatchObject([
      { dataRate: "SF9BW125", count: 40, delivery: { ratio: 1 } },
      { dataRate: "SF7BW125", count: 38, delivery: { ratio: 38 / 40 } },
    ]);
  });

  it("say nothing of one transmission where counters are sent several times", () => {
    // A hundred counters a minute apart, so many of them sent again three seconds later on another channel.
    const words = (again: number) => {
      const traffic = keepalives(SHED, 0, 6_060, 30);
      for (let n = 0; n < 100; n++) {
        const heard = { payload: phy(PROBE, n), spreadingFactor: 9, snrDb: -8, rssiDbm: -118 };
        traffic.push(push(SHED, n * 60 + 1, [heard], n));
        if (n < again)
          traffic.push(push(SHED, n * 60 + 4, [{ ...heard, frequencyHz: 868_100_000 }], 1_000 + n));
      }
      const [shed] = links(siteOf(traffic), windowOf(0, 6_060));
      return shed?.whatIf.map((one) => one.words === REPEATS_HIDE_IT);
    };
    expect(words(0)).toEqual([false, false, false]);
    expect(words(100)).toEqual([true, true, true]);
  });

  it("leave out counters that were sent while the gateway was unreachable", () => {
    // The shed's keepalives pause for 30 minutes, in which the tower alone hears.
    const traffic = [
      ...keepalives(SHED, 0, 3600, 10),
      ...keepalives(SHED, 5400, 9000, 10),
      ...keepalives(TOWER, 0, 9000, 10),
    ];
    for (let n = 0; n < 150; n++) {
      const at = n * 60 + 1;
      if (at < 3600 || at >= 5400)
        traffic.push(push(SHED, at, [{ payload: phy(PROBE, n), spreadingFactor: 7, snrDb: 2, tmstUs: n }]));
      traffic.push(
        push(TOWER, at + 0.01, [{ payload: phy(PROBE, n), spreadingFactor: 7, snrDb: 1, tmstUs: n }]),
      );
    }
    const [shed] = links(siteOf(traffic), windowOf(0, 9000));
    expect(shed?.delivery.ratio).toBe(1);
  });

  it("say plainly that a handful of frames is not enough", () => {
    const [shed] = links(store, windowOf(0, 300));
    expect(shed?.headroom.steps).toBeNull();
    expect(shed?.delivery.ratio).toBeNull();
    expect(shed?.trend.verdict).toBe("not enough");
    expect(shed?.whatIf.every(({ ratio }) => ratio === null)).toBe(true);
  });

  it("have the frequency offset where the forwarder gives one, else none", () => {
    expect(links(store, windowOf(0, 10_800))[0]?.frequencyOffset).toBeNull();
  });

  it("of a node that nobody heard in the window are none", () => {
    expect(links(store, windowOf(20_000, 30_000))).toEqual([]);
  });
});
