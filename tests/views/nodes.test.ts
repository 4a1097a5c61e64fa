import { describe, expect, it } from "vitest";
import { NodesView } from "../../src/contract/index.ts";
import type { Store } from "../../src/store/open.ts";
import type { DecodedArrival } from "../../src/store/recorder.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { needingALook, nodesView } from "../../src/views/nodes.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { joinRequest, phy, push, SHED, TOWER } from "../store/traffic.ts";
import { keepalives, moment, siteOf, windowOf } from "./a-site.ts";

const PROBE = "01A2B3C4";
/** A network of another operator: NetID type 0, NwkID 0x13. */
const FOREIGN = "26000001";

/** Uplinks of these counters, one every `everyS`, counter 0 at `fromS`. */
function uplinks(
  devAddr: string,
  counters: readonly number[],
  everyS = 10,
  fromS = 1,
  eui = SHED,
): DecodedArrival[] {
  return counters.map((n) => push(eui, fromS + n * everyS, [{ payload: phy(devAddr, n) }]));
}

function range(from: number, to: number): number[] {
  return Array.from({ length: to - from }, (_, i) => from + i);
}

/** The answer, as its schema reads it. */
function ask(store: Store, window: AskedWindow) {
  const view = nodesView(store, window);
  expect(NodesView.parse(view)).toEqual(view);
  return view;
}

function only(store: Store, window: AskedWindow) {
  const { nodes } = ask(store, window);
  const [row] = nodes;
  if (row === undefined || nodes.length !== 1) throw new Error(`${nodes.length} nodes`);
  return row;
}

describe("the list of nodes", () => {
  it("tells the worked example as two lives, 7 of 11 and 3 of 3", () => {
    // After a join the session's keys are new, and so is every octet.
    const at = (counter: number, step: number, body = 0x55) =>
      push(SHED, step * 600, [{ payload: phy(PROBE, counter, body) }]);
    const second = push(TOWER, 3 * 600 + 0.05, [{ payload: phy(PROBE, 65533), tmstUs: 5 }]);
    const db = siteOf([
      at(65530, 0),
      at(65531, 1),
      at(65533, 3),
      second,
      at(65535, 5),
      at(1, 7),
      push(SHED, 7 * 600 + 2, [{ payload: phy(PROBE, 0) }]),
      at(4, 10),
      push(SHED, 11 * 600 + 290, [{ payload: joinRequest("02005E10000000B1", 3) }]),
      at(0, 11.5, 0x77),
      at(1, 12.5, 0x77),
      at(2, 13.5, 0x77),
    ]);
    const { nodes } = ask(db, windowOf(0, 20_000));
    expect(nodes.map(({ life, heard, expected, missed }) => ({ life, heard, expected, missed }))).toEqual([
      { life: 1, heard: 7, expected: 11, missed: 4 },
      { life: 2, heard: 3, expected: 3, missed: 0 },
    ]);
    expect(nodes[0]).toMatchObject({ frames: 7, receptions: 8, repeats: 0, gateways: [SHED, TOWER] });
  });

  it("names the gateways in the site's order, whichever of them heard the node first", () => {
    const db = siteOf([
      ...keepalives(SHED, 0, 10),
      ...uplinks(PROBE, [0], 10, 10, TOWER),
      ...uplinks(PROBE, [1, 2], 10, 10),
    ]);
    expect(only(db, windowOf(0, 60)).gateways).toEqual([SHED, TOWER]);
  });

  it("counts frames from the begin of the window up to, not including, its end", () => {
    const db = siteOf(uplinks(PROBE, range(0, 10), 10, 0));
    expect(only(db, windowOf(20, 50))).toMatchObject({
      heard: 3,
      expected: 3,
      firstHeard: moment(20),
      lastHeard: moment(40),
    });
    expect(only(db, windowOf(20, 50.000_001)).heard).toBe(4);
    expect(only(db, windowOf(20.000_001, 50)).heard).toBe(2);
  });

  it("calls missed during an outage what was sent while both gateways were away, not while one was", () => {
    const heard = [...range(0, 10), ...range(40, 60)];
    const shed = [...keepalives(SHED, 0, 101), ...keepalives(SHED, 400, 620)];
    const both = siteOf([
      ...uplinks(PROBE, heard),
      ...shed,
      ...keepalives(TOWER, 0, 301),
      ...keepalives(TOWER, 500, 620),
    ]);
    // Missed: 10 to 39, sent at 101 s to 391 s; the tower stayed until 300 s, both were away from 300 to 400 s.
    expect(only(both, windowOf(0, 620))).toMatchObject({ missed: 30, missedDuringOutage: 10 });
    const one = siteOf([...uplinks(PROBE, heard), ...shed, ...keepalives(TOWER, 0, 620)]);
    expect(only(one, windowOf(0, 620))).toMatchObject({ missed: 30, missedDuringOutage: 0, standing: "bad" });
  });

  it("describes each frame by the gateway that heard it best", () => {
    const frames = range(0, 12).flatMap((n) => [
      push(SHED, n * 10, [{ payload: phy(PROBE, n), snrDb: 3, rssiDbm: -90 }]),
      push(TOWER, n * 10 + 0.05, [{ payload: phy(PROBE, n), tmstUs: n * 10e6, snrDb: 7, rssiDbm: -105 }]),
    ]);
    const row = only(siteOf(frames), windowOf(0, 200));
    expect(row).toMatchObject({ frames: 12, receptions: 24, gateways: [SHED, TOWER] });
    expect(row.snrDb).toMatchObject({ median: 7, count: 12 });
    expect(row.rssiDbm.median).toBe(-105);
    // SF9 demodulates down to −12.5 dB.
    expect(row.marginDb.median).toBe(19.5);
  });

  it("counts a repeat as a transmission with airtime of its own, and as no counter", () => {
    const row = only(
      siteOf([
        ...uplinks(PROBE, [0, 1, 2], 60),
        push(SHED, 4, [{ payload: phy(PROBE, 0), frequencyHz: 868_100_000 }]),
      ]),
      windowOf(0, 200),
    );
    expect(row).toMatchObject({ heard: 3, frames: 4, repeats: 1, rhythmSeconds: 60 });
    const single = only(siteOf(uplinks(PROBE, [0])), windowOf(0, 200)).airtimeSeconds;
    expect(row.airtimeSeconds).toBeCloseTo(4 * single, 9);
  });

  it("is good only from ten counters on, and waits before", () => {
    expect(only(siteOf(uplinks(PROBE, range(0, 9))), windowOf(0, 91))).toMatchObject({
      standing: "waiting",
      clause: "too early to say: 9 of 10 counters",
    });
    expect(only(siteOf(uplinks(PROBE, range(0, 10))), windowOf(0, 101)).standing).toBe("good");
  });
});

describe("an overdue node", () => {
  it("is silent for more than five of its intervals at the end of a live window", () => {
    const db = siteOf([...uplinks(PROBE, range(0, 12), 20, 0), ...keepalives(SHED, 0, 500)]);
    expect(only(db, windowOf(0, 320, true))).toMatchObject({ overdue: false, standing: "good" });
    const row = only(db, windowOf(0, 321, true));
    expect(row).toMatchObject({ overdue: true, standing: "look", missed: 0 });
    expect(row.clause).toBe("silent for 1\u202Fmin 41\u202Fs, it sends about every 20\u202Fs");
  });

  it("has a minute at least, and three counters to know its rhythm by", () => {
    const quick = siteOf([...uplinks(PROBE, range(0, 12), 2, 0), ...keepalives(SHED, 0, 200)]);
    expect(only(quick, windowOf(0, 82, true)).overdue).toBe(false);
    expect(only(quick, windowOf(0, 83, true)).overdue).toBe(true);
    const two = siteOf([...uplinks(PROBE, [0, 1], 2, 0), ...keepalives(SHED, 0, 600)]);
    expect(only(two, windowOf(0, 600, true)).overdue).toBe(false);
  });

  it("has two and a half of its longest usual intervals: 150 s of a minute's, where five of 20 s are 100", () => {
    const everyS = [0, 20, 40, 60, 80, 100, 120, 140, 160, 180, 200, 260, 320, 380];
    const frames = everyS.map((s, n) => push(SHED, s, [{ payload: phy(PROBE, n) }]));
    const db = siteOf([...frames, ...keepalives(SHED, 0, 800)]);
    expect(only(db, windowOf(0, 380 + 150, true)).overdue).toBe(false);
    expect(only(db, windowOf(0, 380 + 200, true)).overdue).toBe(true);
  });

  it("is not called overdue past the end of what is stored", () => {
    const db = siteOf(uplinks(PROBE, range(0, 12), 20, 0));
    expect(only(db, windowOf(0, 5000)).overdue).toBe(false);
  });

  it("was overdue at the end of an earlier window, even if it came back afterwards", () => {
    const db = siteOf([
      ...uplinks(PROBE, [...range(0, 12), ...range(40, 50)], 20, 0),
      ...keepalives(SHED, 0, 1000),
    ]);
    expect(only(db, windowOf(0, 600)).overdue).toBe(true);
  });

  it("is not to blame while no gateway was reachable", () => {
    const db = siteOf([...uplinks(PROBE, range(0, 12), 20, 0), ...keepalives(SHED, 0, 230)]);
    expect(only(db, windowOf(0, 1000, true))).toMatchObject({ overdue: false });
  });

  it("is not one whose life another replaced: that life is over", () => {
    const db = siteOf([
      ...uplinks(PROBE, range(100, 112), 10, -1000),
      ...uplinks(PROBE, range(0, 15), 10, 500),
      ...keepalives(SHED, 0, 650),
    ]);
    const { nodes } = ask(db, windowOf(0, 650, true));
    expect(nodes.map(({ life, overdue }) => [life, overdue])).toEqual([
      [1, false],
      [2, false],
    ]);
    // while the second life had not begun, the first was overdue
    expect(only(db, windowOf(0, 480)).overdue).toBe(true);
  });
});

describe("one's own nodes and strangers", () => {
  const traffic = [...uplinks(PROBE, range(0, 3)), ...uplinks(FOREIGN, range(0, 20), 10, 2)];
  const strangers = (store: Store) =>
    Object.fromEntries(ask(store, windowOf(0, 500)).nodes.map((row) => [row.devAddr, row.stranger]));

  it("are told by the private prefixes where nobody said anything, however busy a foreign network is", () => {
    const db = siteOf(traffic);
    expect(strangers(db)).toEqual({ [PROBE]: false, [FOREIGN]: true });
    expect(ask(db, windowOf(0, 500))).toMatchObject({ homeNetworks: ["private"], homeAssumed: true });
  });

  it("are the busiest network's where no private address was heard", () => {
    const db = siteOf([...uplinks(FOREIGN, range(0, 9)), ...uplinks("48000001", range(0, 3), 10, 4)]);
    expect(strangers(db)).toEqual({ [FOREIGN]: false, "48000001": true });
    expect(ask(db, windowOf(0, 500)).homeAssumed).toBe(true);
  });

  it("follow a person's word: the network of a node called one's own is home", () => {
    const db = siteOf([...traffic, ...uplinks("26000002", range(0, 3), 10, 5)]);
    writeLabel(db, { kind: "node", id: FOREIGN, own: true, name: "Cold store door" });
    expect(strangers(db)).toEqual({ [PROBE]: true, [FOREIGN]: false, "26000002": false });
    const view = ask(db, windowOf(0, 500));
    expect(view.homeAssumed).toBe(false);
    expect(view.nodes.find(({ devAddr }) => devAddr === FOREIGN)?.name).toBe("Cold store door");
  });

  it("can be told one by one: a stranger under a home prefix", () => {
    const db = siteOf(traffic);
    writeLabel(db, { kind: "node", id: PROBE, own: false });
    expect(strangers(db)).toEqual({ [PROBE]: true, [FOREIGN]: true });
  });
});

describe("the nodes that need a look", () => {
  it("come worst first, strangers and good ones left out", () => {
    const without = (some: number[]) => range(0, 40).filter((n) => !some.includes(n));
    const db = siteOf([
      ...uplinks("01000001", range(0, 40)),
      ...uplinks("01000002", without([5, 6, 7]), 10, 2),
      ...uplinks("01000003", without(range(5, 20)), 10, 3),
      ...uplinks("01000004", without([5, 6, 7, 8]), 10, 4),
      ...uplinks(FOREIGN, without(range(5, 30)), 10, 5),
      ...keepalives(SHED, 0, 410),
    ]);
    const { nodes } = ask(db, windowOf(0, 410));
    expect(needingALook(nodes, 12).map(({ devAddr }) => devAddr)).toEqual([
      "01000003",
      "01000004",
      "01000002",
    ]);
    expect(needingALook(nodes, 1)).toHaveLength(1);
    // By the share that was lost, not by how much: half of 20 before a third of 90.
    const rows = [
      [90, 30],
      [20, 10],
    ].map(([expected = 0, missed = 0], i) => ({
      ...nodes[0]!,
      devAddr: `0000000${i}`,
      expected,
      missed,
      missedDuringOutage: 0,
      missedNotRecorded: 0,
      standing: "bad" as const,
      stranger: false,
    }));
    expect(needingALook(rows, 2).map(({ devAddr }) => devAddr)).toEqual(["00000001", "00000000"]);
    // Of none was anything due: it lost nothing, so it comes last of those as bad, whatever its address.
    const worst = nodes.find(({ devAddr }) => devAddr === "01000003");
    if (worst === undefined) throw new Error("it is in the list");
    const none = { ...worst, devAddr: "00000001", expected: 0, missed: 0 };
    expect(needingALook([none, worst], 2).map(({ devAddr }) => devAddr)).toEqual(["01000003", "00000001"]);
  });
});
