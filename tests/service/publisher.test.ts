import { describe, expect, it, onTestFinished } from "vitest";
import type { DropoutRow } from "../../src/contract/gaps.ts";
import { type BrokerEvents, brokerName } from "../../src/service/mqtt.ts";
import { MAX_QUEUED_ROWS, MAX_QUEUED_STATES, PublishQueue } from "../../src/service/publish-queue.ts";
import { MAX_BEHIND, Publisher } from "../../src/service/publisher.ts";
import * as orchard from "../browser/orchard.ts";
import { gapsView } from "../browser/orchard-gaps.ts";
import { HandClock } from "./hand-clock.ts";

const NOW_MS = Date.UTC(2026, 2, 14, 10);
const SPAN = { fromMs: NOW_MS - 3_600_000, toMs: NOW_MS, live: true };
const DAY = { window: orchard.siteView(SPAN).window };
const [SAMPLE] = orchard.receptionPage("01A2B3C4", SPAN, null, 1).receptions;
const FRAME = orchard.frameView(1, SPAN);
const GAPS = gapsView(SPAN);

interface Sent {
  readonly topic: string;
  readonly payload: string;
  readonly retain: boolean;
}

/** A store of so many rows, and a broker that a test switches; rows are numbered from 1. */
async function siteOf({ receptions = 0, frames = 0 } = {}) {
  const clock = new HandClock();
  const store = { receptions, frames, gaps: [] as DropoutRow[], nodes: orchard.nodesView(SPAN).nodes };
  const sent: Sent[] = [];
  const lines: string[] = [];
  const refused = new Set<string>();
  let events: BrokerEvents = { onConnected: () => undefined, onAway: () => undefined };
  let committed: () => void = () => undefined;
  const numbers = (after: number, upTo: number, most: number) =>
    Array.from({ length: Math.max(0, Math.min(most, upTo - after)) }, (_, index) => after + index + 1);
  const publisher = new Publisher({
    address: { url: "mqtts://broker.example", user: "mast", password: "orchard-pass" },
    prefix: "orchard",
    service: { version: "0.0.1", startedAt: "2026-03-14T09:00:00.000Z" },
    siteName: () => "Fennick Orchard",
    views: {
      rowsAfter: async ({ receptionId, frameId, frameUpTo, most }) => ({
        receptions: numbers(receptionId, store.receptions, most).flatMap((id) =>
          SAMPLE === undefined ? [] : [{ ...SAMPLE, id }],
        ),
        frames: numbers(frameId, Math.min(frameUpTo, store.frames), most).map((id) => ({ ...FRAME, id })),
        newest: { receptionId: store.receptions, frameId: store.frames },
      }),
      gateways: async () => ({ ...DAY, gateways: orchard.siteView(SPAN).gateways, moreGateways: 0 }),
      nodes: async () => ({ ...orchard.nodesView(SPAN), nodes: store.nodes }),
      gaps: async () => ({ ...GAPS, gaps: store.gaps, episodes: [] }),
    },
    onCommit: (listener) => {
      committed = () => listener({ gateways: [], nodes: [], lastReceptionId: store.receptions, wide: false });
      return () => undefined;
    },
    nowUs: () => NOW_MS * 1_000,
    clock,
    log: (line) => void lines.push(line),
    open: async (_address, given) => {
      events = given;
      return {
        publish: async (topic, payload, retain) => {
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
    site.refused.add(`orchard/receptions/${SAMPLE?.gatewayEui}`);
    site.come();
    site.take({ receptions: 2 });
    await site.pass(3);
    expect(site.publisher.status().dropped).toBe(2);
    expect(site.lines).toEqual([
      `The MQTT broker refused a message at orchard/receptions/${SAMPLE?.gatewayEui}: Publish error: Not authorized.`,
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
