import { describe, expect, it } from "vitest";
import { StrangersView } from "../../src/contract/index.ts";
import { lossToOthers } from "../../src/radio/collisions.ts";
import type { Store } from "../../src/store/open.ts";
import { strangersView } from "../../src/views/strangers.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { listenedSite, windowOf } from "./a-site.ts";

const PROBE = "01A2B3C4";
const FOREIGN = "26000001";
const OTHER = "26000002";
const LOW = 868_100_000;
const HIGH = 868_500_000;
/** 17 octets at SF9 in 125 kHz; LoRa modem formula. */
const SF9_S = 0.164864;

function ask(store: Store, window: AskedWindow): StrangersView {
  const view = strangersView(store, window);
  expect(StrangersView.parse(view)).toEqual(view);
  store.close();
  return view;
}

const heard = (eui: string, atS: number, devAddr: string, fCnt: number, frequencyHz = LOW) =>
  push(eui, atS, [{ payload: phy(devAddr, fCnt), frequencyHz, tmstUs: Math.round(atS * 1e6) % 2 ** 32 }]);

describe("what strangers cost a node", () => {
  // An hour: 20 own frames on one channel, 60 of a stranger there, 30 of another on a channel that the node does not use.
  const traffic = [
    ...Array.from({ length: 20 }, (_, i) => heard(SHED, 7 + 180 * i, PROBE, i)),
    ...Array.from({ length: 60 }, (_, i) => heard(SHED, 31 + 59 * i, FOREIGN, i)),
    ...Array.from({ length: 30 }, (_, i) => heard(SHED, 47 + 113 * i, OTHER, i, HIGH)),
  ];
  const view = ask(listenedSite(traffic, 3600), windowOf(0, 3600));

  it("is ALOHA's share with the strangers of its channel alone: 60 an hour, two airtimes each", () => {
    const share = 1 - Math.exp((-60 / 3600) * 2 * SF9_S);
    const [node] = view.nodes;
    expect(node).toMatchObject({
      devAddr: PROBE,
      gatewayEui: SHED,
      frames: 20,
      worstNetwork: "NetID 000013",
    });
    expect(node?.collisions.aloha).toBeCloseTo(share, 5);
    expect(node?.worstShare).toBeCloseTo(share, 5);
    // All are heard equally strong: no frame is the stronger one, by either table.
    expect(node?.collisions.captureTheory).toBeCloseTo(share, 5);
    expect(node?.collisions.captureMeasured).toBeCloseTo(share, 5);
    expect(view.nodes).toHaveLength(1);
  });

  it("lists the network with its airtime and share, and no growth from an hour", () => {
    expect(view.networks).toMatchObject([{ network: "NetID 000013", nodes: 2, frames: 90 }]);
    const [network] = view.networks;
    expect(network?.airtimeSeconds).toBeCloseTo(90 * SF9_S, 6);
    expect(network?.share).toBeCloseTo(90 / 110, 6);
    expect(network?.growth).toMatchObject({ verdict: "not enough", secondsPerDayPerWeek: null });
    expect(view.sentence).toMatch(/^Strangers of 1 network took 15\u202Fs of airtime, 81\.8\u202F% /);
  });

  it("is nothing where no stranger was heard", () => {
    const own = ask(listenedSite(traffic.slice(0, 20), 3600), windowOf(0, 3600));
    expect(own).toMatchObject({ networks: [], weeksAt: null, nodes: [{ collisions: { aloha: 0 } }] });
    expect(own.sentence).toBe("No stranger was heard in this window.");
  });
});

describe("frames lost to others", () => {
  const sf9 = { dataRate: 9, spreadingFactor: 9, bandwidthHz: 125_000, airtimeUs: 200_000 };
  const sf7 = { dataRate: 7, spreadingFactor: 7, bandwidthHz: 125_000, airtimeUs: 50_000 };
  const levels = (dbm: number) => new Map([7, 9].map((rate) => [rate, Array<number>(10).fill(dbm)]));

  it("survive what is weaker by the table's ratio, and fall to another spreading factor 25 dB stronger", () => {
    const own = [{ ...sf9, count: 10 }];
    const others = [
      { ...sf9, count: 36 },
      { ...sf7, count: 360 },
    ];
    const of = (ownDbm: number) =>
      lossToOthers(own, others, { own: levels(ownDbm), others: levels(-100) }, 3600e6);
    const same = 1 - Math.exp(-0.01 * 0.4);
    const both = 1 - Math.exp(-(0.01 * 0.4 + 0.1 * 0.25));
    expect(of(-90).aloha).toBeCloseTo(same, 6);
    // 10 dB stronger: nothing spoils it. 3 dB: only the theory's 6 dB does. 26 dB weaker: the other factor by Croce's 15 dB.
    expect(of(-90).captureTheory).toBe(0);
    expect(of(-97).captureTheory).toBeCloseTo(same, 6);
    expect(of(-97).captureMeasured).toBe(0);
    expect(of(-126).captureMeasured).toBeCloseTo(both, 6);
    expect(of(-126).captureTheory).toBeCloseTo(same, 6);
  });

  it("are not told with capture from fewer than ten levels", () => {
    const few = new Map([[9, [-100, -100]]]);
    expect(
      lossToOthers(
        [{ ...sf9, count: 2 }],
        [{ ...sf9, count: 36 }],
        { own: few, others: levels(-100) },
        3600e6,
      ),
    ).toMatchObject({ captureTheory: null, captureMeasured: null });
  });
});

describe("a neighbour's growth", () => {
  const DAY_S = 86_400;
  /** Sunday, 15 March 2026, 00:00 UTC: the first day that is recorded whole. */
  const FIRST_S = 15 * 3600;
  const days = (framesOn: (day: number) => number, eui = SHED, from = 0) =>
    Array.from({ length: 28 - from }, (_, i) => i + from).flatMap((day) =>
      Array.from({ length: framesOn(day) }, (_, i) =>
        heard(eui, FIRST_S + day * DAY_S + 60 + i * 1_000, FOREIGN, day * 100 + i),
      ),
    );
  const own = [heard(SHED, FIRST_S, PROBE, 0)];
  const last = windowOf(FIRST_S + 27 * DAY_S, FIRST_S + 28 * DAY_S);
  const until = FIRST_S + 28 * DAY_S;

  it("of two frames more each day is fourteen airtimes a week, from days recorded enough", () => {
    const view = ask(listenedSite([...own, ...days((day) => 10 + 2 * day)], until), last);
    const [network] = view.networks;
    expect(network?.growth).toMatchObject({ verdict: "grows" });
    expect(network?.growth.secondsPerDayPerWeek).toBeCloseTo(14 * SF9_S, 3);
    expect(network?.growth.interval95?.[0]).toBeCloseTo(14 * SF9_S, 3);
    // 16 to 22 March: 12 to 24 frames, 18 in the mean, deviation 4.3205; Student 2.4469 with 6 degrees of freedom.
    const [partial, week] = network?.weeks ?? [];
    expect(partial).toMatchObject({
      from: "2026-03-09T00:00:00.000Z",
      days: 1,
      enough: false,
      secondsPerDay: null,
    });
    expect(week).toMatchObject({ from: "2026-03-16T00:00:00.000Z", days: 7, enough: true });
    expect(week?.secondsPerDay).toBeCloseTo(18 * SF9_S, 3);
    const half = (2.4469 * 4.3205 * SF9_S) / Math.sqrt(7);
    expect(week?.interval95?.[0]).toBeCloseTo(18 * SF9_S - half, 2);
    expect(view.sentence).toContain("NetID 000013 grows.");
  });

  it("is none where a gateway was added half way, for one gateway tells all weeks", () => {
    const even = (day: number) => 20 + ((day * 7) % 5);
    const traffic = [...own, ...days(even), ...days((day) => 3 * even(day), TOWER, 14)];
    const view = ask(listenedSite(traffic, until), last);
    expect(view.weeksAt).toMatchObject({ gatewayEui: SHED });
    expect(view.networks[0]?.growth.verdict).toBe("steady");
  });

  it("is not given from two weeks", () => {
    const view = ask(
      listenedSite([...own, ...days((day) => (day < 14 ? 10 + day : 0))], FIRST_S + 14 * DAY_S),
      windowOf(FIRST_S, FIRST_S + 14 * DAY_S),
    );
    expect(view.networks[0]?.growth).toMatchObject({
      verdict: "not enough",
      words: "Not enough to say: 2 weeks recorded enough, 3 are needed.",
    });
  });
});
