import { describe, expect, it } from "vitest";
import type { Store } from "../../src/store/open.ts";
import { storedSpanUs } from "../../src/store/queries/lives.ts";
import { airView } from "../../src/views/air.ts";
import { benchView } from "../../src/views/bench.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { nodesView } from "../../src/views/nodes.ts";
import { siteView } from "../../src/views/site.ts";
import { type AskedWindow, resolveWindow } from "../../src/views/window.ts";
import {
  CROWD_FROM_US,
  CROWD_HOUR_US,
  type Crowd,
  crowdedStore,
  TRUE_GATEWAY,
} from "../store/crowded-store.ts";

interface Work {
  statements: number;
  /** Questions that were asked, each once. */
  readonly questions: Set<string>;
}

/** Counts what is asked of a store from now on. */
function watch(store: Store): Work {
  const work: Work = { statements: 0, questions: new Set() };
  const prepare = store.prepare.bind(store);
  const counted = (statement: object, sql: string): object =>
    new Proxy(statement, {
      get(target, name) {
        const value: unknown = Reflect.get(target, name, target);
        if (typeof value !== "function") return value;
        return (...given: unknown[]) => {
          if (name === "get" || name === "all" || name === "iterate") {
            work.statements += 1;
            work.questions.add(sql);
          }
          const result: unknown = Reflect.apply(value, target, given);
          return result === target ? counted(target, sql) : result;
        };
      },
    });
  store.prepare = ((sql: string) => counted(prepare(sql), sql)) as Store["prepare"];
  return work;
}

function crowd(part: Crowd): { store: Store; window: AskedWindow; work: Work } {
  const store = crowdedStore(part);
  const work = watch(store);
  const window = resolveWindow({ last: 3600 }, CROWD_FROM_US + CROWD_HOUR_US, storedSpanUs(store));
  return { store, window, work };
}

const VIEWS: Readonly<Record<string, (store: Store, window: AskedWindow) => unknown>> = {
  site: siteView,
  gateways: gatewaysView,
  nodes: nodesView,
  air: airView,
  bench: (store, window) => benchView(store, window, TRUE_GATEWAY),
};

/** How SQLite would answer a question: the indexes that it uses. */
function planOf(store: Store, sql: string): string {
  const names = [...sql.matchAll(/@(\w+)/g)].map(([, name]) => name ?? "");
  const values = Object.fromEntries(names.map((name) => [name, 1]));
  const marks = sql.split("?").length - 1;
  const given = marks > 0 ? Array.from({ length: marks }, () => 1) : [values];
  const rows = store.prepare(`EXPLAIN QUERY PLAN ${sql}`).all(...given) as { detail: string }[];
  return rows.map(({ detail }) => detail).join("\n");
}

describe("a store crowded with invented identifiers", () => {
  it.each(Object.entries(VIEWS))("costs %s no statement for each gateway or life of them", (_name, view) => {
    const few = crowd({ gateways: 80, lives: 1200 });
    view(few.store, few.window);
    const many = crowd({ gateways: 400, lives: 2400 });
    view(many.store, many.window);
    expect(many.work.statements).toBeLessThanOrEqual(few.work.statements * 1.1);
  });

  it.each(["site", "gateways", "bench"])("has %s read what a gateway heard, not what all heard", (name) => {
    const { store, window, work } = crowd({ gateways: 20, lives: 100 });
    VIEWS[name]?.(store, window);
    const ofOne = [...work.questions].filter(
      (sql) => /FROM reception/.test(sql) && /gateway_id = (@id|\?)/.test(sql),
    );
    expect(ofOne.length).toBeGreaterThan(2);
    for (const sql of ofOne) {
      const plan = planOf(store, sql);
      // What the others heard meanwhile is read by time; its own part is read by gateway there, too.
      if (/gateway_id <> @id/.test(sql)) expect(plan).toContain("reception_by_gateway");
      else expect(plan).not.toContain("reception_by_time");
    }
  });

  it("lists the named gateway and those heard longest, and says how many more there are", () => {
    const { store, window } = crowd({ gateways: 400, lives: 100 });
    const { gateways, moreGateways } = gatewaysView(store, window);
    expect(gateways[0]).toMatchObject({ eui: TRUE_GATEWAY, name: "Water tower", keepaliveSeconds: 10 });
    expect(gateways.length + moreGateways).toBe(400);
    expect(siteView(store, window)).toMatchObject({ moreGateways });
    expect(airView(store, window)).toMatchObject({ moreGateways });
  });

  it("lists the nodes that a person named, however little was heard of them", () => {
    const { store, window } = crowd({ gateways: 2, lives: 1500 });
    store.prepare("INSERT INTO label (kind, id, name) VALUES ('node', '000005DB', 'Pond pump')").run();
    store.prepare("DELETE FROM frame WHERE dev_addr = ? AND counter > 1").run(0x5db);
    const { nodes, moreNodes, sentence } = nodesView(store, window);
    expect(nodes.find(({ devAddr }) => devAddr === "000005DB")).toMatchObject({
      name: "Pond pump",
      heard: 2,
    });
    expect(nodes.length + moreNodes).toBe(1500);
    expect(sentence.map(({ text }) => text).join("")).toContain(
      "1,000 more nodes were heard and not listed.",
    );
    expect(siteView(store, window).nodeCount).toBe(1500);
  });
});
