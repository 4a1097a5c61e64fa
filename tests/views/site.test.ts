import { describe, expect, it } from "vitest";
import { SiteView } from "../../src/contract/index.ts";
import { airLine } from "../../src/diagnosis/air-sentences.ts";
import type { Store } from "../../src/store/open.ts";
import { writeLabel } from "../../src/store/user-data.ts";
import { airView } from "../../src/views/air.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { siteView } from "../../src/views/site.ts";
import type { AskedWindow } from "../../src/views/window.ts";
import { phy, push, SHED, TOWER } from "../store/traffic.ts";
import { keepalives, siteOf, windowOf } from "./a-site.ts";

function ask(store: Store, window: AskedWindow) {
  const view = siteView(store, window);
  expect(SiteView.parse(view)).toEqual(view);
  return view;
}

const words = (view: SiteView) => view.sentence.map(({ text }) => text).join("");

/** Twenty minutes of two nodes and a stranger at two gateways; the second node loses every fifth counter. */
function orchard(): Store {
  const traffic = [...keepalives(SHED, 0, 1200), ...keepalives(TOWER, 5, 1200)];
  for (let n = 0; n < 60; n++) {
    traffic.push(push(SHED, n * 20 + 1, [{ payload: phy("01000001", n) }]));
    if (n % 5 !== 3)
      traffic.push(push(TOWER, n * 20 + 7, [{ payload: phy("01000002", n), frequencyHz: 868_100_000 }]));
    if (n < 5)
      traffic.push(push(TOWER, n * 20 + 9, [{ payload: phy("26000001", n), crc: n === 2 ? "bad" : "ok" }]));
  }
  return siteOf(traffic);
}

describe("the site at a glance", () => {
  it("is a page of help while nothing was ever stored", () => {
    const view = ask(siteOf([]), windowOf(0, 3600, true));
    expect(view).toMatchObject({
      empty: true,
      siteName: "This site",
      gateways: [],
      attention: [],
      nodeCount: 0,
    });
    expect(words(view)).toBe("No gateway was heard in the last hour.");
  });

  it("is not empty because its window is", () => {
    const view = ask(orchard(), windowOf(-5000, -4000));
    expect(view).toMatchObject({ empty: false, gateways: [], nodeCount: 0 });
  });

  it("puts the nodes that need a look first, and tells how many there are", () => {
    const view = ask(orchard(), windowOf(0, 1200));
    expect(view).toMatchObject({ nodeCount: 2, strangerCount: 1 });
    expect(view.attention.map(({ devAddr }) => devAddr)).toEqual(["01000002"]);
    expect(words(view)).toBe(
      "1 of 2 nodes lost more than 5\u202F% on the air in this window of 20\u202Fmin; both gateways were reachable.",
    );
  });

  it("agrees with the views that it opens into", () => {
    const db = orchard();
    for (const window of [windowOf(0, 1200), windowOf(61, 777), windowOf(0, 1300, true)]) {
      const view = ask(db, window);
      expect(view.gateways).toEqual(gatewaysView(db, window).gateways);
      const { nodes } = nodesView(db, window);
      expect(view.attention).toEqual(nodes.filter(({ devAddr }) => devAddr === "01000002"));
      const { channels } = airView(db, window);
      expect(view.air).toEqual([SHED, TOWER].map((eui) => airLine(eui, null, channels)));
    }
  });

  it("bears the names that people gave", () => {
    const db = orchard();
    writeLabel(db, { kind: "gateway", id: TOWER, name: "Water tower" });
    db.prepare("INSERT INTO setting (key, value) VALUES ('site-name', 'Fennick Orchard')").run();
    const view = ask(db, windowOf(0, 1200));
    expect(view.siteName).toBe("Fennick Orchard");
    expect(view.air.map(({ gatewayName }) => gatewayName)).toEqual([null, "Water tower"]);
  });
});
