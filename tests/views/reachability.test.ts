import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { contains, intersect, type TimeRange } from "../../src/model/time-range.ts";
import { allGateways } from "../../src/store/queries/gateways.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { type DecodedArrival, Recorder } from "../../src/store/recorder.ts";
import { reachOf, siteOutages } from "../../src/views/reachability.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { phy, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { keepalives, listenedSite, siteOf, statusAt, windowOf } from "./a-site.ts";

/** Reach of every gateway by its identifier, in seconds after START_US; and the outages of the whole site. */
function reachesOf(traffic: DecodedArrival[], window: AskedWindow) {
  const db = window.live ? listenedSite(traffic, (window.toUs - START_US) / 1e6) : siteOf(traffic);
  const endUs = window.live ? window.toUs : Math.min(window.toUs, storedSpanUs(db)?.toUs ?? window.toUs);
  const reaches = allGateways(db).map((gateway) => reachOf(db, gateway, window, endUs));
  const seconds = (stretches: readonly TimeRange[]) =>
    stretches.map(({ fromUs, toUs }) => [(fromUs - START_US) / 1e6, (toUs - START_US) / 1e6]);
  const of = (eui: string) => {
    const reach = reaches.find(({ gateway }) => gateway.eui === eui);
    if (reach === undefined) throw new Error(`${eui} is not stored`);
    return { ...reach, outages: seconds(reach.outages) };
  };
  return { of, site: seconds(siteOutages(reaches, window)) };
}

describe("reach of a gateway", () => {
  it("ends with more than three keepalives without a datagram, and comes back with the next one", () => {
    const { of } = reachesOf(
      [...keepalives(SHED, 0, 101, 20), ...keepalives(SHED, 161, 500, 20)],
      windowOf(0, 500),
    );
    // 100 to 161 s: one second more than three intervals of 20 s
    expect(of(SHED)).toMatchObject({ keepaliveUs: 20e6, outages: [[100, 161]], isOut: false });
  });

  it("holds through exactly three keepalives", () => {
    const { of } = reachesOf(
      [...keepalives(SHED, 0, 101, 20), ...keepalives(SHED, 160, 500, 20)],
      windowOf(0, 500),
    );
    expect(of(SHED).outages).toEqual([]);
  });

  it("is not doubted before 30 s, however fast the keepalives", () => {
    const traffic = [...keepalives(SHED, 0, 51, 5), ...keepalives(SHED, 80, 201, 5)];
    expect(reachesOf(traffic, windowOf(0, 201)).of(SHED).outages).toEqual([]);
    const longer = [...keepalives(SHED, 0, 51, 5), ...keepalives(SHED, 81, 201, 5)];
    expect(reachesOf(longer, windowOf(0, 201)).of(SHED).outages).toEqual([[50, 81]]);
  });

  it("is kept by any datagram, not by keepalives alone", () => {
    const heard = [130, 160, 190].map((atS) => push(SHED, atS, [{ payload: phy("01A2B3C4", atS) }]));
    const traffic = [...keepalives(SHED, 0, 101, 10), ...heard, ...keepalives(SHED, 210, 400, 10)];
    expect(reachesOf(traffic, windowOf(0, 400)).of(SHED).outages).toEqual([]);
  });

  it("is judged by status reports where a gateway sends no keepalives", () => {
    const at = [0, 30, 60, 90, 181, 211, 241];
    const { of } = reachesOf(
      at.map((atS) => statusAt(SHED, atS)),
      windowOf(0, 260),
    );
    expect(of(SHED)).toMatchObject({ keepaliveUs: null, outages: [[90, 181]] });
  });

  it("is not judged where neither comes: no outage is invented", () => {
    const heard = [0, 400, 900].map((atS, i) => push(SHED, atS, [{ payload: phy("01A2B3C4", i) }]));
    expect(reachesOf(heard, windowOf(0, 1000, true)).of(SHED)).toMatchObject({ outages: [], isOut: false });
  });

  it("shows an outage that began before the window and one that ends after it", () => {
    const traffic = [
      ...keepalives(SHED, 0, 101),
      ...keepalives(SHED, 300, 401),
      ...keepalives(SHED, 600, 701),
    ];
    const { of } = reachesOf(traffic, windowOf(200, 500));
    expect(of(SHED).outages).toEqual([
      [100, 300],
      [400, 600],
    ]);
    expect(of(SHED).isOut).toBe(true);
  });

  it("leaves out an outage that ended at the very begin of the window", () => {
    const traffic = [...keepalives(SHED, 0, 101), ...keepalives(SHED, 300, 401)];
    expect(reachesOf(traffic, windowOf(300, 401)).of(SHED).outages).toEqual([]);
  });

  it("is still lost at the end of a live window, up to now", () => {
    const { of } = reachesOf(keepalives(SHED, 0, 101), windowOf(0, 200, true));
    expect(of(SHED)).toMatchObject({ isOut: true, outages: [[100, 200]] });
    expect(((of(SHED).lastUs ?? 0) - START_US) / 1e6).toBe(100);
  });

  it("is not lost where the recording ended days before", () => {
    const db = siteOf(keepalives(SHED, 0, 101));
    const window = windowOf(9 * 86_400, 9 * 86_400 + 3_600, true);
    const [gateway] = allGateways(db);
    if (gateway === undefined) throw new Error("no gateway");
    expect(reachOf(db, gateway, window, window.toUs)).toMatchObject({
      isOut: false,
      outages: [],
      notRecorded: [{ fromUs: window.fromUs, toUs: window.toUs }],
    });
  });

  it("away for 17 s between two runs of the service, nothing is lost", () => {
    const db = listenedSite(keepalives(SHED, 0, 101), 105);
    const recorder = new Recorder(db);
    recorder.listen(START_US + 122e6, "start");
    for (const { arrival, ...rest } of keepalives(SHED, 125, 300))
      recorder.record([{ ...rest, arrival: { ...arrival, door: "udp" } }]);
    const window = windowOf(0, 300);
    const [gateway] = allGateways(db);
    if (gateway === undefined) throw new Error("no gateway");
    const reach = reachOf(db, gateway, window, window.toUs);
    expect(reach.outages).toEqual([]);
    expect(reach.notRecorded.map(({ fromUs, toUs }) => [fromUs - START_US, toUs - START_US])).toEqual([
      [105e6 + 1, 122e6],
      [295e6 + 1, 300e6],
    ]);
  });

  it("is not lost where what is stored ends: later is not known", () => {
    const { of } = reachesOf(keepalives(SHED, 0, 101), windowOf(0, 2000));
    expect(of(SHED)).toMatchObject({ isOut: false, outages: [] });
  });

  it("is lost in a stored window when another gateway was heard on", () => {
    const { of } = reachesOf([...keepalives(SHED, 0, 101), ...keepalives(TOWER, 0, 301)], windowOf(0, 2000));
    expect(of(SHED)).toMatchObject({ isOut: true, outages: [[100, 300]] });
  });

  it("stays lost when it fell silent before the window began", () => {
    const { of } = reachesOf(keepalives(SHED, 0, 101), windowOf(4000, 7600, true));
    expect(of(SHED)).toMatchObject({ isOut: true, outages: [[100, 7600]] });
  });

  it("is known from a window too short for three keepalives", () => {
    const { of } = reachesOf(keepalives(SHED, 0, 300), windowOf(285, 295, true));
    expect(of(SHED)).toMatchObject({ keepaliveUs: 10e6, isOut: false, outages: [] });
  });
});

describe("the whole site", () => {
  it("is unreachable only while every gateway is", () => {
    const traffic = [
      ...keepalives(SHED, 0, 101),
      ...keepalives(SHED, 300, 501),
      ...keepalives(TOWER, 0, 201),
      ...keepalives(TOWER, 400, 501),
    ];
    expect(reachesOf(traffic, windowOf(0, 501)).site).toEqual([[200, 300]]);
  });

  it("has no outage while one of two gateways stays", () => {
    const traffic = [
      ...keepalives(SHED, 0, 101),
      ...keepalives(SHED, 300, 501),
      ...keepalives(TOWER, 0, 501),
    ];
    expect(reachesOf(traffic, windowOf(0, 501)).site).toEqual([]);
  });

  it("is not helped by a gateway that was not there yet", () => {
    const traffic = [
      ...keepalives(SHED, 0, 101),
      ...keepalives(SHED, 300, 501),
      ...keepalives(TOWER, 250, 501),
    ];
    expect(reachesOf(traffic, windowOf(0, 501)).site).toEqual([[100, 250]]);
  });

  it("is not helped by a gateway that was taken down long ago", () => {
    const traffic = [
      ...keepalives(TOWER, 0, 101),
      ...keepalives(SHED, 9000, 9101),
      ...keepalives(SHED, 9300, 9501),
    ];
    expect(reachesOf(traffic, windowOf(9000, 9501)).site).toEqual([[9100, 9300]]);
  });
});

describe("intersect", () => {
  /** Disjoint stretches in order, of whole units. */
  const stretches = fc.array(fc.boolean(), { maxLength: 60 }).map((cells) => {
    const list: TimeRange[] = [];
    cells.forEach((isOut, at) => {
      if (!isOut) return;
      const last = list.at(-1);
      if (last !== undefined && last.toUs === at) list[list.length - 1] = { ...last, toUs: at + 1 };
      else list.push({ fromUs: at, toUs: at + 1 });
    });
    return list;
  });

  it("holds a moment exactly when both lists do", () => {
    fc.assert(
      fc.property(stretches, stretches, (a, b) => {
        const both = intersect(a, b);
        for (let at = 0; at < 60; at++) {
          expect(contains(both, at)).toBe(contains(a, at) && contains(b, at));
        }
        for (const { fromUs, toUs } of both) expect(fromUs).toBeLessThan(toUs);
      }),
    );
  });
});
