import { describe, expect, it } from "vitest";
import type { Store } from "../../src/store/open.ts";
import { airView } from "../../src/views/air.ts";
import { nodePage } from "../../src/views/node-page.ts";
import { nodesView } from "../../src/views/nodes.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { siteOf, windowOf } from "./a-site.ts";

const PROBE = "01A2B3C4";
const FOREIGN = "26000001";
const OTHER = "48000001";

function uplinks(devAddr: string, atS: readonly number[], gateways: readonly string[] = [SHED]) {
  return atS.flatMap((at, n) =>
    gateways.map((eui, i) => push(eui, at + i * 0.01, [{ payload: phy(devAddr, n), tmstUs: at * 1e6 }])),
  );
}

/** Whether each view takes a node for a stranger. */
function judgements(db: Store, window: AskedWindow, devAddr: string) {
  const own = nodesView(db, window).nodes.find((row) => row.devAddr === devAddr);
  const talker = airView(db, window).talkers.find((row) => row.devAddr === devAddr);
  const foreign = airView(db, window).channels.reduce((sum, row) => sum + row.strangerReceptions, 0);
  return {
    list: own?.stranger,
    page: nodePage(db, window, devAddr, 1)?.row.stranger,
    talker: talker?.stranger,
    foreign,
  };
}

describe("one's home networks, as long as nobody said", () => {
  it("do not change in an hour in which none of your nodes sent", () => {
    const db = siteOf([...uplinks(PROBE, [0, 10, 20]), ...uplinks(FOREIGN, [500, 510, 520, 530])]);
    const stranger = { list: true, page: true, talker: true, foreign: 4 };
    expect(judgements(db, windowOf(0, 600), FOREIGN)).toEqual(stranger);
    expect(judgements(db, windowOf(400, 600), FOREIGN)).toEqual(stranger);
    expect(nodesView(db, windowOf(400, 600)).homeNetworks).toEqual(["private"]);
  });

  it("of a past window are those that were known two hours after it", () => {
    const early = [...uplinks(FOREIGN, [0, 10, 20]), ...uplinks(OTHER, [30, 40])];
    const later = [8_000, 8_010, 8_020, 8_030];
    const home = (db: Store) => nodesView(db, windowOf(0, 600)).homeNetworks;
    const busiest = home(siteOf(early));
    expect(home(siteOf([...early, ...uplinks(PROBE, later)]))).toEqual(busiest);
    const grown = siteOf([...early, ...uplinks(OTHER, [0, 1, ...later]).slice(2)]);
    expect(home(grown)).toEqual(busiest);
    expect(nodesView(grown, windowOf(0, 9_000)).homeNetworks).not.toEqual(busiest);
  });

  it("are the same in every view, however many gateways heard whom", () => {
    // Five frames through one gateway against four through two: eight receptions, but fewer frames.
    const db = siteOf([
      ...uplinks(FOREIGN, [0, 10, 20, 30, 40]),
      ...uplinks(OTHER, [5, 15, 25, 35], [SHED, TOWER]),
    ]);
    const window = windowOf(0, 100);
    expect(judgements(db, window, FOREIGN)).toEqual({ list: false, page: false, talker: false, foreign: 8 });
    expect(judgements(db, window, OTHER)).toEqual({ list: true, page: true, talker: true, foreign: 8 });
  });
});
