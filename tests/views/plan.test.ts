import { describe, expect, it } from "vitest";
import { PlanView, PositionsView } from "../../src/contract/index.ts";
import { freeSpaceLossDb } from "../../src/radio/geometry.ts";
import type { Store } from "../../src/store/open.ts";
import { writePosition } from "../../src/store/user-data.ts";
import { nodePage } from "../../src/views/node-page.ts";
import { planView } from "../../src/views/plan.ts";
import { positionRows } from "../../src/views/user-data.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { keepalives, siteOf, windowOf } from "./a-site.ts";

const PROBES = ["01A2B3C1", "01A2B3C2", "01A2B3C3"];
const WINDOW = windowOf(0, 4000);

const NOWHERE = {
  latitudeDeg: null,
  longitudeDeg: null,
  eastM: null,
  northM: null,
  heightM: null,
  eirpDbm: null,
  antennaGainDbi: null,
};

function place(db: Store, kind: "gateway" | "node", id: string, more: object): void {
  writePosition(db, { kind, id, position: { ...NOWHERE, ...more } });
}

/** Three probes; each is heard by both gateways. SNR saturates nowhere. */
function orchard(): Store {
  const traffic = [...keepalives(SHED, 0, 4000, 60), ...keepalives(TOWER, 0, 4000, 60)];
  for (let n = 0; n < 60; n++)
    for (const [at, probe] of PROBES.entries()) {
      const heard = { payload: phy(probe, n), snrDb: -5, rssiDbm: -110 - 6 * at, tmstUs: n * 10 + at };
      traffic.push(push(SHED, n * 60 + at + 1, [heard]));
      traffic.push(push(TOWER, n * 60 + at + 1.02, [{ ...heard, rssiDbm: -113 - 6 * at }]));
    }
  return siteOf(traffic);
}

function plan(db: Store) {
  const view = planView(db, WINDOW, []);
  expect(PlanView.parse(view)).toEqual(view);
  return view;
}

describe("the plan", () => {
  it("without positions says so, and names what has none", () => {
    const view = plan(orchard());
    expect(view.things).toEqual([]);
    expect(view.links).toEqual([]);
    expect(view.unplaced.map(({ id }) => id).sort()).toEqual([...PROBES, SHED, TOWER].sort());
    expect(view.sentence[0]?.text).toContain("No position is known yet");
    expect(view.fitWords).toContain("Not enough to say");
  });

  it("draws ways where both ends have a place, with distance, loss and excess", () => {
    const db = orchard();
    place(db, "gateway", SHED, { eastM: 0, northM: 0 });
    place(db, "node", PROBES[0]!, { eastM: 300, northM: 400, eirpDbm: 14 });
    const view = plan(db);
    expect(view.things).toHaveLength(2);
    expect(view.links).toHaveLength(1);
    const [link] = view.links;
    expect(link).toMatchObject({ devAddr: PROBES[0], gatewayEui: SHED, distanceM: 500, frames: 60 });
    // SNR −5 at SF9: 7.5 dB over the floor. ESP of −110 dBm at −5 dB: −116.2 dBm.
    expect(link?.marginMedianDb).toBeCloseTo(7.5, 1);
    expect(link?.pathLossDb).toBeCloseTo(14 + 116.2, 1);
    const free = freeSpaceLossDb(500, 868_300_000);
    expect(Math.abs((link?.excessDb ?? 0) - (14 + 116.2 - free))).toBeLessThan(0.3);
  });

  it("fits loss over distance when five ways span a factor of three", () => {
    const db = orchard();
    place(db, "gateway", SHED, { eastM: 0, northM: 0 });
    place(db, "gateway", TOWER, { eastM: -40, northM: 0 });
    for (const [at, probe] of PROBES.entries())
      place(db, "node", probe, { eastM: 100 * 2 ** at, northM: 0, eirpDbm: 14 });
    const view = plan(db);
    expect(view.links).toHaveLength(6);
    expect(view.fit?.links).toBe(6);
    // 6 dB a doubling is an exponent of 2 in the shed's ways.
    expect(view.fit?.exponent).toBeGreaterThan(1.5);
    expect(view.fit?.exponent).toBeLessThan(3);
    expect(view.fitWords).toContain("no coverage follows");
  });

  it("takes the gateway's GPS where nobody said, and a person's metres tie it to the plan", () => {
    const db = orchard();
    db.prepare("UPDATE gateway SET latitude = 0.1204, longitude = -0.5417 WHERE eui = ?").run(SHED);
    expect(positionRows(db)).toMatchObject([{ id: SHED, from: "gps", latitudeDeg: 0.1204 }]);
    expect(PositionsView.parse({ positions: positionRows(db) }).positions).toHaveLength(1);
    place(db, "node", PROBES[0]!, { eastM: 300, northM: 400 });
    expect(plan(db).links).toEqual([]);
    expect(plan(db).unplaced.find(({ id }) => id === SHED)?.why).toContain("in both");
    place(db, "gateway", SHED, { eastM: 0, northM: 0 });
    expect(positionRows(db)[0]).toMatchObject({ from: "both", eastM: 0, latitudeDeg: 0.1204 });
    expect(plan(db).links[0]?.distanceM).toBe(500);
  });

  it("without any power says that no loss is reckoned, and takes a region's only when one is recognised", () => {
    const db = orchard();
    place(db, "gateway", SHED, { eastM: 0, northM: 0 });
    place(db, "node", PROBES[0]!, { eastM: 300, northM: 400 });
    const page = nodePage(db, WINDOW, PROBES[0]!, 1);
    const way = page?.links.find(({ gatewayEui }) => gatewayEui === SHED);
    if (way?.geometry?.eirpFrom === "region")
      expect(way.geometry.words).toContain("assumed, as none was entered");
    else expect(way?.geometry?.words).toContain("no power sent is known");
    expect(way?.geometry?.distanceM).toBe(500);
    const tower = page?.links.find(({ gatewayEui }) => gatewayEui === TOWER);
    expect(tower).toMatchObject({
      geometry: null,
      geometryWords: "No position is known for this gateway.",
    });
  });

  it("says of each way why its length is not known", () => {
    const db = orchard();
    const words = () =>
      nodePage(db, WINDOW, PROBES[0]!, 1)?.links.find(({ gatewayEui }) => gatewayEui === SHED)?.geometryWords;
    expect(words()).toBe("No position is known for this node and this gateway.");
    place(db, "gateway", SHED, { eastM: 0, northM: 0 });
    expect(words()).toBe("No position is known for this node.");
    place(db, "node", PROBES[0]!, { latitudeDeg: 0.12, longitudeDeg: -0.54 });
    expect(words()).toBe("One is given in degrees and the other in metres: give one thing in both.");
    place(db, "node", PROBES[0]!, { eastM: 0, northM: 0 });
    expect(words()).toBe("Both stand in one place.");
  });

  it("forgets a position that was taken back", () => {
    const db = orchard();
    place(db, "gateway", SHED, { eastM: 0, northM: 0 });
    writePosition(db, { kind: "gateway", id: SHED, position: null });
    expect(positionRows(db)).toEqual([]);
  });
});
