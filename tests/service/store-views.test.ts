import { mkdtempSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { describe, expect, it, onTestFinished } from "vitest";
import * as contract from "../../src/contract/index.ts";
import { readOwnPlans } from "../../src/radio/regions/own-plans.ts";
import { storeViews } from "../../src/service/store-views.ts";
import { openReader, openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { phy, pull, push, SHED, START_US } from "../store/traffic.ts";
import { serviceUnderTest } from "./parts.ts";

const NODE = "01A2B3C4";

/** A store with twenty minutes of one node, and a reading connection to it. */
function storedOrchard() {
  const path = join(mkdtempSync(join(tmpdir(), "mastlog-views-")), "orchard.db");
  const db = openStore(path);
  const recorder = new Recorder(db);
  for (let i = 0; i < 20; i++) {
    if (i !== 7) recorder.record([push(SHED, i * 60, [{ payload: phy(NODE, i) }])]);
    recorder.record([pull(SHED, i * 60 + 10)]);
  }
  const reader = openReader(path);
  onTestFinished(() => {
    reader.close();
    recorder.close();
    db.close();
  });
  return { recorder, reader };
}

const NOW_US = START_US + 1200e6;

describe("the answers from a store", () => {
  it("have the contract's shape and agree with each other", async () => {
    const { reader } = storedOrchard();
    const views = storeViews(reader);
    const { app } = await serviceUnderTest({ views, now: () => NOW_US / 1000 });
    const ask = async (url: string) => (await app.inject(url)).json<unknown>();
    const nodes = contract.NodesView.parse(await ask("/api/nodes?last=3600"));
    expect(nodes.nodes).toMatchObject([{ devAddr: NODE, life: 1, heard: 19, expected: 20, missed: 1 }]);
    const page = contract.NodePage.parse(await ask(`/api/nodes/${NODE}/1?last=3600`));
    expect(page.row).toEqual(nodes.nodes[0]);
    const site = contract.SiteView.parse(await ask("/api/site?last=3600"));
    expect([site.empty, site.nodeCount]).toEqual([false, 1]);
    expect(contract.GatewaysView.parse(await ask("/api/gateways?last=3600")).gateways).toEqual(site.gateways);
    contract.AirView.parse(await ask("/api/air"));
    const { eui, items } = contract.BenchView.parse(await ask(`/api/bench/${SHED}?last=3600`));
    expect([eui, items.length]).toEqual([SHED, 25]);
    const receiver = contract.ReceiverView.parse(await ask(`/api/gateways/${SHED}/receiver?last=3600`));
    expect(receiver).toMatchObject({ eui: SHED, verdict: "not enough", overall: null, reference: null });
    const capacity = contract.CapacityView.parse(await ask("/api/capacity?last=3600&share=0.9"));
    expect(capacity).toMatchObject({ share: 0.9, verdict: "not enough", nodes: 1, counters: 20, mean: null });
    const cost = contract.NodeCostView.parse(await ask(`/api/nodes/${NODE}/cost?last=3600&sleepUa=2`));
    expect(cost.power.find(({ key }) => key === "sleepUa")).toMatchObject({ value: 2, source: "entered" });
    expect((await app.inject("/api/nodes/01F2B1FF/cost")).statusCode).toBe(404);
    expect((await app.inject("/api/capacity?share=1.2")).statusCode).toBe(400);
    const strangers = contract.StrangersView.parse(await ask("/api/strangers?last=3600"));
    expect(strangers).toMatchObject({ networks: [], weeksAt: null, nodes: [{ devAddr: NODE, frames: 19 }] });
    contract.CapturesView.parse(await ask("/api/captures"));
    contract.RefusalsView.parse(await ask("/api/refusals"));
    const { storage } = contract.ServiceStatus.parse(await ask("/api/status"));
    expect(storage).toMatchObject({ receptions: 19, from: new Date(START_US / 1000).toISOString() });
    expect(storage.bytes).toBeGreaterThan(10_000);
  });

  it("judge a gateway by the channel plan that is named, and name near ones where there is none", async () => {
    const { reader } = storedOrchard();
    const plan = { name: "Barn plan", channels: [{ frequencyHz: 868_300_000 }] };
    const reading = readOwnPlans(JSON.stringify({ plans: [plan] }));
    if (!reading.ok) throw new Error("the plan is well formed");
    const { app } = await serviceUnderTest({
      views: storeViews(reader, reading.plans),
      now: () => NOW_US / 1000,
    });
    const ask = (plan: string) =>
      app.inject(`/api/bench/${SHED}?last=3600&expect=${encodeURIComponent(plan)}`);
    // The node sends on 868.3 MHz.
    const region = async (plan: string) => {
      const view = contract.BenchView.parse((await ask(plan)).json());
      return [view.expected, view.items.find(({ id }) => id === "region")?.state];
    };
    expect(await region("eu868")).toEqual(["EU868", "pass"]);
    expect(await region("US915/2")).toEqual(["US915/2", "fail"]);
    expect(await region("Barn plan")).toEqual(["Barn plan", "pass"]);
    const view = contract.BenchView.parse((await app.inject(`/api/bench/${SHED}`)).json());
    expect(view.expected).toBeNull();
    expect(view.plans.slice(0, 2)).toEqual([
      { label: "Barn plan", region: null, channels: "868.3\u202FMHz" },
      { label: "EU868", region: "EU863-870", channels: "868.1, 868.3, 868.5\u202FMHz" },
    ]);
    const unknown = await ask("US914/2");
    expect(unknown.statusCode).toBe(400);
    expect(unknown.json()).toMatchObject({
      code: "no-such-plan",
      sentence: 'There is no channel plan "US914/2"; near names are US915, US915/1 to US915/8.',
    });
    const { sentence } = (await ask("orchard")).json<contract.Problem>();
    expect(sentence).toMatch(
      /^There is no channel plan "orchard"; there are Barn plan, EU868, .*, ISM2400\.$/,
    );
    expect((await ask("")).statusCode).toBe(400);
  });

  it("page through the receptions of a node and open the frame beneath", async () => {
    const { reader } = storedOrchard();
    const { app } = await serviceUnderTest({ views: storeViews(reader), now: () => NOW_US / 1000 });
    const counters: (number | null)[] = [];
    let cursor = "";
    let frameId = 0;
    do {
      const url = `/api/receptions?devAddr=${NODE}&life=1&limit=8${cursor}`;
      const page = contract.ReceptionPage.parse((await app.inject(url)).json());
      counters.push(...page.receptions.map(({ counter }) => counter));
      frameId = page.receptions.at(-1)?.frameId ?? 0;
      cursor = page.next === null ? "" : `&before=${page.next}`;
    } while (cursor !== "");
    expect(counters).toEqual([19, 18, 17, 16, 15, 14, 13, 12, 11, 10, 9, 8, 6, 5, 4, 3, 2, 1, 0]);
    const frame = contract.FrameView.parse((await app.inject(`/api/frames/${frameId}`)).json());
    expect(frame.receptions).toHaveLength(1);
    expect((await app.inject("/api/frames/999")).statusCode).toBe(404);
    expect((await app.inject("/api/receptions?before=nonsense")).statusCode).toBe(400);
    expect((await app.inject(`/api/nodes/${NODE}/2`)).statusCode).toBe(404);
    expect((await app.inject("/api/bench/02005E10000000FF")).statusCode).toBe(404);
    expect((await app.inject("/api/gateways/02005E10000000FF/receiver")).statusCode).toBe(404);
    expect((await app.inject("/api/bench/shed")).statusCode).toBe(400);
  });

  it("see what is recorded after the connection was opened", () => {
    const { reader, recorder } = storedOrchard();
    const views = storeViews(reader);
    const before = views.stored().receptions;
    recorder.record([push(SHED, 1300, [{ payload: phy(NODE, 21) }])]);
    expect(views.stored().receptions).toBe(before + 1);
  });
});
