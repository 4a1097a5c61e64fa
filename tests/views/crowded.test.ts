import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { NodeRow } from "../../src/contract/index.ts";
import type { Store } from "../../src/store/open.ts";
import { airtimeByDay } from "../../src/store/queries/air.ts";
import { allLives, heardUntil, labels, lifeSpans, storedSpanUs } from "../../src/store/queries/lives.ts";
import { airView } from "../../src/views/air.ts";
import { benchView } from "../../src/views/bench.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { homeNetworksOf, homeNetworksUntil } from "../../src/views/home-networks.ts";
import { listNodes, nodesView } from "../../src/views/nodes.ts";
import { siteView } from "../../src/views/site.ts";
import { type AskedWindow, knownUntilUs, resolveWindow } from "../../src/views/window.ts";
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

  it("costs strangers no statement for each day between two clocks", () => {
    const { store, work } = crowd({ gateways: 3, lives: 10 });
    // From 1970 to 2106; what was heard lies in one hour.
    const days = airtimeByDay(store, { fromUs: 0, toUs: 136 * 365.25 * 86_400e6 }, () => true);
    expect(days.length).toBeGreaterThan(0);
    expect(work.statements).toBeLessThan(20);
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
      "1\u202F000 more nodes were heard and not listed.",
    );
    expect(siteView(store, window).nodeCount).toBe(1500);
  });
});

/** Homes by private and public addresses, and where a person has the word. */
const CASES = fc.record({
  minutes: fc.tuple(fc.integer({ min: -20, max: 70 }), fc.integer({ min: 1, max: 80 })),
  live: fc.boolean(),
  most: fc.integer({ min: 1, max: 8 }),
  networks: fc.array(fc.constantFrom(0x0000_0000, 0x2600_0000, 0x4800_0000), { minLength: 1, maxLength: 3 }),
  people: fc.array(fc.record({ node: fc.nat(59), own: fc.constantFrom(0, 1, null) }), { maxLength: 2 }),
});

describe("the short way through a crowd", () => {
  it("gives the rows that reading every frame of every life gives", () => {
    fc.assert(
      fc.property(CASES, ({ minutes: [from, length], live, most, networks, people }) => {
        const store = crowdedStore({ gateways: 6, lives: 60 });
        for (const table of ["life", "frame"])
          store
            .prepare(
              `UPDATE ${table} SET dev_addr = dev_addr + json_extract(?, '$[' || CAST(dev_addr % ? AS INTEGER) || ']')`,
            )
            .run(JSON.stringify(networks), networks.length);
        store.prepare("UPDATE life SET begun_by = 'counter-reset' WHERE id % 3 = 0").run();
        store.prepare("UPDATE life SET number = 2, dev_addr = dev_addr - 1 WHERE id % 10 = 5").run();
        store.prepare("UPDATE frame SET dev_addr = dev_addr - 1 WHERE life_id % 10 = 5").run();
        for (const { node, own } of people)
          store
            .prepare(
              "INSERT OR IGNORE INTO label (kind, id, own) SELECT 'node', printf('%08X', dev_addr), ? FROM life WHERE id = ?",
            )
            .run(own, node + 1);
        const fromUs = CROWD_FROM_US + from * 60_000_000;
        const window: AskedWindow = { fromUs, toUs: fromUs + length * 60_000_000, live };

        const untilUs = knownUntilUs(window);
        const lives = allLives(store, untilUs);
        const names = labels(store, "node");
        expect(homeNetworksUntil(store, names, untilUs)).toEqual(
          homeNetworksOf(lives, names, (life) => heardUntil(store, life, untilUs)),
        );
        expect([...lifeSpans(store, untilUs).values()]).toEqual(
          lives.map(({ begunBy, reason: _, devEui: _eui, keyId: _key, proof: _proof, ...life }) => ({
            ...life,
            isBeside: begunBy === "second-device" || begunBy === "unexplained",
          })),
        );
        const full = listNodes(store, window, 1000);
        const short = listNodes(store, window, most);
        expect(short).toMatchObject({ ownHeard: full.ownHeard, strangersHeard: full.strangersHeard });
        const heard = full.nodes.filter(({ frames }) => frames > 0);
        const [named, others] = [heard.filter(isNamed(names)), heard.filter((row) => !isNamed(names)(row))];
        const expected = [named, others].flatMap((rows) =>
          rows.sort(
            (a, b) =>
              Number(a.stranger) - Number(b.stranger) ||
              b.frames - a.frames ||
              (a.devAddr < b.devAddr ? -1 : a.devAddr > b.devAddr ? 1 : a.life - b.life),
          ),
        );
        const key = ({ devAddr, life }: NodeRow) => `${devAddr}/${life}`;
        const listed = short.nodes.filter(({ frames }) => frames > 0);
        expect(listed.map(key).sort()).toEqual(expected.slice(0, most).map(key).sort());
        for (const row of listed) expect(row).toEqual(heard.find((one) => key(one) === key(row)));
      }),
      { numRuns: 40 },
    );
  });
});

function isNamed(names: ReadonlyMap<string, unknown>): (row: NodeRow) => boolean {
  return ({ devAddr }) => names.has(devAddr);
}
