import { describe, expect, it, onTestFinished } from "vitest";
import type { DropoutRow } from "../../src/contract/gaps.ts";
import {
  type BrokerEvents,
  brokerName,
  MAX_QUEUED_ROWS,
  MAX_QUEUED_STATES,
  PublishQueue,
} from "../../src/service/mqtt.ts";
import { MAX_BEHIND } from "../../src/service/published.ts";
import { Publisher } from "../../src/service/publisher.ts";
import { gapsView } from "../web/gap-answers.ts";
import { HandClock } from "./hand-clock.ts";
import { NODE, orchardViews, NOW_MS as STORED_UNTIL_MS } from "./orchard.ts";

const NOW_MS = Date.UTC(2026, 2, 14, 10);
const SPAN = { fromMs: NOW_MS - 3_600_000, toMs: NOW_MS, live: true };
const GAPS = gapsView(SPAN);
const STORED_UNTIL_US = STORED_UNTIL_MS * 1000;
const HOUR = { last: 3600 };
const GATEWAYS = orchardViews().gateways(HOUR, STORED_UNTIL_US);
const stored = <T>(answer: T | null | undefined): T => {
  if (answer === null || answer === undefined) throw new Error("The orchard's store has it.");
  return answer;
};
const NODES_STORED = orchardViews().nodes(HOUR, STORED_UNTIL_US);
const ROW = stored(NODES_STORED.nodes[0]);
/** Seven of one's own and a stranger's, made from the one that is stored. */
const NODES = {
  ...NODES_STORED,
  nodes: Array.from({ length: 8 }, (_, i) => ({ ...ROW, devAddr: `01A2B3C${i}`, stranger: i === 7 })),
};
const SAMPLE = stored(
  orchardViews().receptions({ devAddr: NODE, limit: 1 }, HOUR, STORED_UNTIL_US)?.receptions[0],
);
const FRAME = stored(orchardViews().frame(1));

interface Sent {
  readonly topic: string;
  readonly payload: string;
  readonly retain: boolean;
}

/** A store of so many rows, and a broker that a test switches; rows are numbered from 1. */
async function siteOf({
  receptions = 0,
  frames = 0,
  gaps = [] as DropoutRow[],
  place = null as string | null,
  laterMs = 0,
} = {}) {
  const clock = new HandClock();
  const store = { receptions, frames, gaps, nodes: NODES.nodes };
  const places: string[] = [];
  const gapWindows: (number | undefined)[] = [];
  const sent: Sent[] = [];
  const lines: string[] = [];
  const refused = new Set<string>();
  /** Topics of which the broker acknowledges none. */
  const held = new Set<string>();
  let events: BrokerEvents = { onConnected: () => undefined, onAway: () => undefined };
  let committed: () => void = () => undefined;
  const numbers = (after: number, upTo: number, most: number) =>
    Array.from({ length: Math.max(0, Math.min(most, upTo - after)) }, (_, index) => after + index + 1);
  const publisher = new Publisher({
    address: { url: "mqtts://broker.example", user: "mast", password: "orchard-pass", version: "5" },
    prefix: "orchard",
    service: { version: "0.0.1", startedAt: "2026-03-14T09:00:00.000Z" },
    siteName: () => "Fennick Orchard",
    views: {
      rowsAfter: async ({ receptionId, frameId, frameUpTo, most }) => ({
        receptions: numbers(receptionId, store.receptions, most).map((id) => ({ ...SAMPLE, id })),
        frames: numbers(frameId, Math.min(frameUpTo, store.frames), most).map((id) => ({ ...FRAME, id })),
        newest: { receptionId: store.receptions, frameId: store.frames },
      }),
      gateways: async () => GATEWAYS,
      nodes: async () => ({ ...NODES, nodes: store.nodes }),
      gaps: async ({ last }) => {
        gapWindows.push(last);
        return { ...GAPS, gaps: store.gaps, episodes: [] };
      },
    },
    onCommit: (listener) => {
      committed = () => listener({ gateways: [], nodes: [], lastReceptionId: store.receptions, wide: false });
      return () => undefined;
    },
    nowUs: () => (NOW_MS + laterMs) * 1_000,
    place,
    keep: async (text) => void places.push(text),
    clock,
    log: (line) => void lines.push(line),
    open: async (_address, given) => {
      events = given;
      return {
        publish: async (topic, payload, retain) => {
          if (held.has(topic)) await new Promise(() => undefined);
          if (refused.has(topic)) throw new Error("Publish error: Not authorized");
          sent.push({ topic, payload, retain });
        },
        close: async () => undefined,
      };
    },
  });
  await publisher.start();
  onTestFinished(() => publisher.close());
  return {
    publisher,
    store,
    sent,
    lines,
    refused,
    held,
    gapWindows,
    /** What is kept in the store by now. */
    kept: () => places.at(-1) ?? null,
    pass: (seconds: number) => clock.passing(seconds * 1_000),
    come: () => events.onConnected(),
    go: (why: string) => events.onAway(why),
    take: (more: { receptions?: number; frames?: number }) => {
      store.receptions += more.receptions ?? 0;
      store.frames += more.frames ?? 0;
      committed();
    },
    idsAt: (begin: string) =>
      sent
        .filter(({ topic }) => topic.startsWith(begin))
        .map(({ payload }) => JSON.parse(payload).id as number),
  };
}

describe("what is published", () => {
  it("is every row that is stored after the start, once, frames three seconds later", async () => {
    const site = await siteOf({ receptions: 50, frames: 30 });
    site.come();
    site.take({ receptions: 3, frames: 2 });
    await site.pass(2);
    expect([site.idsAt("orchard/receptions/"), site.idsAt("orchard/frames/")]).toEqual([[51, 52, 53], []]);
    await site.pass(5);
    expect([site.idsAt("orchard/receptions/"), site.idsAt("orchard/frames/")]).toEqual([
      [51, 52, 53],
      [31, 32],
    ]);
    expect(site.publisher.status()).toMatchObject({ state: "connected", waiting: 0, dropped: 0 });
  });

  it("waits while the broker is away, and is dropped beyond the bound, oldest first, which is counted and said", async () => {
    const site = await siteOf();
    site.go("connect ECONNREFUSED");
    site.take({ receptions: MAX_BEHIND + MAX_QUEUED_ROWS });
    await site.pass(120);
    expect(site.publisher.status()).toEqual({
      broker: "mqtts://broker.example:8883",
      prefix: "orchard",
      state: "away",
      words: "mqtts://broker.example:8883 does not answer (connect ECONNREFUSED).",
      published: 0,
      // Rows, and a state of each of the orchard's gateways and own nodes.
      waiting: expect.any(Number),
      dropped: 0,
    });
    const { waiting } = site.publisher.status();
    site.take({ receptions: 7 });
    await site.pass(2);
    expect(site.publisher.status()).toMatchObject({ waiting, dropped: 7 });
    site.come();
    await site.pass(600);
    const ids = site.idsAt("orchard/receptions/");
    expect([ids.length, ids[0], ids.at(-1)]).toEqual([
      MAX_BEHIND + MAX_QUEUED_ROWS,
      1,
      MAX_BEHIND + MAX_QUEUED_ROWS + 7,
    ]);
    expect(site.publisher.status()).toMatchObject({ waiting: 0, dropped: 7 });
    expect(site.lines).toEqual([
      "mqtts://broker.example:8883 does not answer (connect ECONNREFUSED). What is to be published waits.",
      "More than 100\u202F000 rows wait for the MQTT broker: the oldest are dropped from here on.",
      "mqtts://broker.example:8883 answers again.",
    ]);
  });

  it("is said to wait once in a minute at most, however often the broker comes and goes", async () => {
    const site = await siteOf();
    let moves = 0;
    site.publisher.onMoved(() => {
      moves += 1;
    });
    for (let n = 0; n < 30; n++) {
      site.come();
      site.go("read ECONNRESET");
      await site.pass(2);
    }
    site.come();
    site.go("read ECONNRESET");
    expect(site.lines.filter((line) => line.includes("does not answer"))).toHaveLength(2);
    expect(moves).toBe(62);
  });

  it("is counted as dropped where the broker refuses it", async () => {
    const site = await siteOf();
    site.refused.add(`orchard/receptions/${SAMPLE.gatewayEui}`);
    site.come();
    site.take({ receptions: 2 });
    await site.pass(3);
    expect(site.publisher.status().dropped).toBe(2);
    expect(site.lines).toEqual([
      `The MQTT broker refused a message at orchard/receptions/${SAMPLE.gatewayEui}: Publish error: Not authorized.`,
    ]);
  });

  it("are states when they change, retained, of own nodes only; what is no longer listed is taken away", async () => {
    const site = await siteOf();
    site.come();
    await site.pass(1);
    const retained = site.sent.filter(({ retain }) => retain).map(({ topic }) => topic);
    const own = site.store.nodes.filter(({ stranger }) => !stranger);
    expect(own.length).toBeLessThan(site.store.nodes.length);
    expect(retained.filter((topic) => topic.startsWith("orchard/nodes/")).sort()).toEqual(
      own.map(({ devAddr, life }) => `orchard/nodes/${devAddr}/${life}`).sort(),
    );
    expect(retained).toContain("orchard/service");
    site.sent.length = 0;
    await site.pass(61);
    expect(site.sent).toEqual([]);
    const [first, second] = own;
    site.store.nodes = site.store.nodes.flatMap((row) =>
      row === first ? [{ ...row, overdue: !row.overdue }] : row === second ? [] : [row],
    );
    await site.pass(60);
    expect(site.sent.map(({ topic, payload, retain }) => [topic, payload === "", retain])).toEqual([
      [`orchard/nodes/${first?.devAddr}/${first?.life}`, false, true],
      [`orchard/nodes/${second?.devAddr}/${second?.life}`, true, true],
    ]);
  });

  it("are gaps when they begin, end or get another finding, and none that was there at the start", async () => {
    const site = await siteOf();
    const [old, young] = GAPS.gaps;
    if (old === undefined || young === undefined) throw new Error("The orchard has two gaps.");
    site.store.gaps = [old];
    site.come();
    await site.pass(1);
    const told = () =>
      site.sent
        .filter(({ topic }) => topic.startsWith("orchard/gaps/"))
        .map(({ payload }) => JSON.parse(payload));
    site.store.gaps = [{ ...young, open: true }, old];
    await site.pass(60);
    site.store.gaps = [{ ...young, open: true, to: old.to }, old];
    await site.pass(60);
    site.store.gaps = [{ ...young, open: false }, old];
    await site.pass(60);
    expect(told()).toEqual([
      { ...young, open: true },
      { ...young, open: false },
    ]);
  });
});

describe("what waits when Mastlog ends", () => {
  it("is published by the next start, each row once, from the first that the broker did not take", async () => {
    const first = await siteOf({ receptions: 50, frames: 30 });
    first.come();
    first.take({ receptions: 3, frames: 2 });
    await first.pass(10);
    first.go("read ECONNRESET");
    first.take({ receptions: 4, frames: 4 });
    await first.pass(10);
    await first.publisher.close();
    expect(JSON.parse(first.kept() ?? "")).toMatchObject({
      broker: "mqtts://broker.example:8883",
      prefix: "orchard",
      receptionId: 53,
      frameId: 32,
    });
    expect(first.lines.at(-1)).toMatch(
      /^At the end \d+ messages had not reached the MQTT broker\. The next start/,
    );
    // Two more were stored while it did not run.
    const second = await siteOf({ receptions: 59, frames: 38, place: first.kept() });
    second.come();
    await second.pass(10);
    expect([second.idsAt("orchard/receptions/"), second.idsAt("orchard/frames/")]).toEqual([
      [54, 55, 56, 57, 58, 59],
      [33, 34, 35, 36, 37, 38],
    ]);
    expect(second.publisher.status()).toMatchObject({ waiting: 0, dropped: 0 });
  });

  it("begins at the first row without acknowledgement, also where later ones have theirs", async () => {
    const site = await siteOf();
    const topic = `orchard/receptions/${SAMPLE.gatewayEui}`;
    site.come();
    site.take({ receptions: 2 });
    await site.pass(5);
    site.held.add(topic);
    site.take({ receptions: 1 });
    await site.pass(5);
    site.held.delete(topic);
    site.take({ receptions: 3 });
    await site.pass(20);
    expect(site.idsAt("orchard/receptions/")).toEqual([1, 2, 4, 5, 6]);
    expect(JSON.parse(site.kept() ?? "").receptionId).toBe(2);
  });

  it("is known to within ten seconds where Mastlog is killed", async () => {
    const site = await siteOf();
    site.come();
    site.take({ receptions: 8 });
    await site.pass(12);
    expect(JSON.parse(site.kept() ?? "").receptionId).toBe(8);
  });

  it("does not hold for another broker or prefix, and no more than is stored", async () => {
    const first = await siteOf({ receptions: 5 });
    await first.publisher.close();
    const place = JSON.parse(first.kept() ?? "");
    for (const other of [
      { ...place, prefix: "mill" },
      { ...place, broker: "mqtt://other.example:1883" },
      "?",
    ]) {
      const site = await siteOf({ receptions: 9, place: JSON.stringify(other) });
      site.come();
      await site.pass(5);
      expect(site.idsAt("orchard/receptions/")).toEqual([]);
    }
    const fewer = await siteOf({ receptions: 3, place: first.kept() });
    fewer.come();
    await fewer.pass(5);
    fewer.take({ receptions: 1 });
    await fewer.pass(5);
    expect(fewer.idsAt("orchard/receptions/")).toEqual([4]);
  });

  it("is also a gap that began or ended meanwhile", async () => {
    const [old, young] = GAPS.gaps;
    if (old === undefined || young === undefined) throw new Error("The orchard has two gaps.");
    const first = await siteOf({ gaps: [old] });
    first.come();
    await first.pass(1);
    first.go("read ECONNRESET");
    first.store.gaps = [{ ...young, open: true }, old];
    await first.pass(70);
    await first.publisher.close();
    const told = (site: typeof first) =>
      site.sent
        .filter(({ topic }) => topic.startsWith("orchard/gaps/"))
        .map(({ payload }) => JSON.parse(payload));
    expect(told(first)).toEqual([]);
    const second = await siteOf({
      gaps: [{ ...young, open: true }, old],
      place: first.kept(),
      laterMs: 2 * 3_600_000,
    });
    second.come();
    await second.pass(1);
    expect(told(second)).toEqual([{ ...young, open: true }]);
    // Three hours before the last look, and what passed since.
    expect(second.gapWindows[0]).toBe(5 * 3_600);
    await second.pass(60);
    expect(second.gapWindows[1]).toBe(3 * 3_600);
  });
});

describe("the queue", () => {
  it("keeps the newest of a state, states before rows, and no more states than its bound", () => {
    const queue = new PublishQueue();
    const message = (payload: string) => ({ topic: "t", payload, retain: true });
    queue.add([message("row")]);
    queue.put("a", message("old"));
    expect(queue.put("a", message("new"))).toBe(0);
    expect([queue.size, queue.take(), queue.take(), queue.take()]).toEqual([
      2,
      message("new"),
      message("row"),
      undefined,
    ]);
    let gaveWay = 0;
    for (let n = 0; n < MAX_QUEUED_STATES + 2; n++) gaveWay += queue.put(`${n}`, message(`${n}`));
    expect([gaveWay, queue.take()]).toEqual([2, message("2")]);
  });
});

describe("a broker's name", () => {
  it("has its port, and never a login", () => {
    expect(["mqtt://broker.example", "mqtts://[::1]:8884"].map(brokerName)).toEqual([
      "mqtt://broker.example:1883",
      "mqtts://[::1]:8884",
    ]);
  });
});
