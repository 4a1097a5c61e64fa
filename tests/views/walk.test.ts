import { describe, expect, it } from "vitest";
import { WalkView } from "../../src/contract/index.ts";
import type { Store } from "../../src/store/open.ts";
import { changeMarks, type NewMark, NO_POSITION } from "../../src/store/user-data.ts";
import { walkView } from "../../src/views/walk.ts";
import { phy, push, SHED, START_US, TOWER } from "../store/traffic.ts";
import { keepalives, siteOf, windowOf } from "./a-site.ts";

const NODE = "01000001";

/** Sends every 10 s for 10 minutes; from 200 s to 400 s the shed hears one in four, the tower nothing. */
function walk(...stops: Partial<NewMark>[]): Store {
  const traffic = [...keepalives(SHED, 0, 600), ...keepalives(TOWER, 5, 600)];
  for (let n = 0; n < 60; n++) {
    const behind = n >= 20 && n < 40;
    if (!behind || n % 4 === 0) traffic.push(push(SHED, n * 10 + 1, [{ payload: phy(NODE, n) }]));
    if (!behind) traffic.push(push(TOWER, n * 10 + 1, [{ payload: phy(NODE, n) }]));
  }
  const db = siteOf(traffic);
  for (const stop of stops)
    changeMarks(db, {
      kind: "add",
      mark: {
        kind: "stop",
        text: "?",
        atUs: START_US,
        untilUs: null,
        gatewayEui: null,
        devAddr: NODE,
        ...NO_POSITION,
        ...stop,
      },
    });
  return db;
}

function ask(db: Store) {
  const view = walkView(db, windowOf(0, 600), NODE);
  expect(WalkView.parse(view)).toEqual(view);
  return view;
}
const at = (seconds: number) => START_US + seconds * 1e6;

describe("a walk test", () => {
  it("counts at each stop what was sent there, whoever heard it, until the next stop", () => {
    const { stops } = ask(
      walk({ text: "Yard" }, { text: "Behind", atUs: at(200) }, { text: "Row 3", atUs: at(400) }),
    );
    expect(stops.map(({ name, counters, missed, best }) => [name, counters, missed, best])).toEqual([
      ["Yard", 20, 0, "good"],
      ["Behind", 20, 15, "dead"],
      ["Row 3", 20, 0, "good"],
    ]);
    expect(stops[1]?.gateways.map(({ heard, verdict }) => [heard, verdict])).toEqual([
      [5, "dead"],
      [0, "dead"],
    ]);
  });

  it("ends a stop where its mark says so", () => {
    const [stop] = ask(walk({ untilUs: at(100) })).stops;
    expect(stop).toMatchObject({ counters: 10, to: new Date(at(100) / 1000).toISOString() });
  });

  it("does not hold against a place what was missed while no gateway was reachable", () => {
    const traffic = [...keepalives(SHED, 0, 200), ...keepalives(SHED, 300, 600)];
    for (let n = 0; n < 60; n++)
      if (n < 20 || n >= 30) traffic.push(push(SHED, n * 10 + 1, [{ payload: phy(NODE, n) }]));
    const db = siteOf(traffic);
    changeMarks(db, {
      kind: "add",
      mark: {
        kind: "stop",
        text: "Yard",
        atUs: START_US,
        untilUs: null,
        gatewayEui: null,
        devAddr: NODE,
        ...NO_POSITION,
      },
    });
    const [stop] = ask(db).stops;
    expect(stop).toMatchObject({ best: "good" });
    expect(stop?.missed).toBeLessThan(3);
  });

  it("heeds no stop of another node and no mark that is no stop", () => {
    expect(ask(walk({ devAddr: "01000002" }, { kind: "note" })).stops).toEqual([]);
    expect(ask(walk({ devAddr: null })).stops).toHaveLength(1);
  });

  it("lays stops out in metres, north up, around their middle", () => {
    const { stops } = ask(
      walk({ latitude: 51.5, longitude: -0.25 }, { latitude: 51.501, longitude: -0.25, atUs: at(300) }),
    );
    // A thousandth of a degree of latitude: 6,371,008.8 m * pi / 180,000.
    const [south, north] = stops.map(({ place }) => place);
    expect((north?.northM ?? 0) - (south?.northM ?? 0)).toBeCloseTo(111.195, 2);
    expect(south?.eastM).toBeCloseTo(0, 6);
  });

  it("leaves what is given in metres as it is, and does not mix it with degrees", () => {
    const { stops } = ask(
      walk(
        { eastMetres: 12, northMetres: -4 },
        { eastMetres: 50, northMetres: 0, atUs: at(100) },
        { latitude: 51.5, longitude: -0.25, atUs: at(300) },
      ),
    );
    expect(stops.map(({ place }) => place)).toEqual([
      { eastM: 12, northM: -4 },
      { eastM: 50, northM: 0 },
      null,
    ]);
  });

  it("of a node that was never heard has stops and nothing to say of them", () => {
    const view = walkView(walk({ devAddr: null }), windowOf(0, 600), "01FFFFFF");
    expect(view).toMatchObject({ life: null, gateways: [], stops: [{ counters: 0, best: "waiting" }] });
  });
});
