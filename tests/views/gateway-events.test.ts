/** Events of gateways on played sites: what the simulator did is known, and what the view says is held against it. */
import { describe, expect, it } from "vitest";
import { GatewaysView } from "../../src/contract/index.ts";
import { playSite } from "../../src/simulate/play-site.ts";
import { captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { openStore } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { gatewaysView } from "../../src/views/gateways.ts";
import { gateway, node, SHED, START_US, site, TOWER } from "../simulate/small-site.ts";
import { decoded } from "../store/traffic.ts";

const CHANNELS = [868_100_000, 868_300_000, 868_500_000, 867_100_000];
const HOURS = 8;

/** Six nodes, one in five minutes each, at the shed; those of `both` at the tower as well. */
function stored(events: object[], { both = false, more = {} }: { both?: boolean; more?: object } = {}) {
  const scenario = site({
    duration: `${HOURS}:00:00`,
    channelsHz: CHANNELS,
    gateways: both ? [gateway(SHED), gateway(TOWER)] : [gateway(SHED)],
    nodes: [0, 1, 2, 3, 4, 5].map((i) =>
      node({
        name: `node ${i + 1}`,
        devAddr: `01F2A1${10 + i}`,
        rhythmSeconds: 300,
        pathGainDb: { [SHED]: -100 - 3 * i, ...(both ? { [TOWER]: -104 - 2 * i } : {}) },
      }),
    ),
    events,
    ...more,
  });
  const clock = { startUs: START_US, speed: 1 };
  const arrivals = captureSite(playSite(scenario, createRandom(1), clock), scenario, clock).filter(
    ({ to }) => to.port === 1700,
  );
  const store = openStore(":memory:");
  const recorder = new Recorder(store);
  for (let i = 0; i < arrivals.length; i += 500)
    recorder.record(arrivals.slice(i, i + 500).map((one) => decoded({ ...one, door: "capture" })));
  return store;
}

const hour = (h: number) => START_US + h * 3600e6;
const iso = (h: number) => new Date(hour(h) / 1000).toISOString();

function eventsOf(store: ReturnType<typeof stored>, fromHour = 0, toHour = HOURS, eui = SHED) {
  const view = gatewaysView(store, { fromUs: hour(fromHour), toUs: hour(toHour), live: false });
  expect(GatewaysView.parse(view)).toEqual(view);
  const row = view.gateways.find((one) => one.eui === eui);
  return { events: row?.events ?? [], row };
}

const minutesApart = (a: string | undefined, b: string) =>
  Math.abs(Date.parse(a ?? "") - Date.parse(b)) / 60_000;

describe("a sound gateway", () => {
  it("has no event in eight hours", () => {
    const { events, row } = eventsOf(stored([]));
    expect(events).toEqual([]);
    expect(row?.standing).toBe("good");
  });
});

describe("a radio that hangs", () => {
  const deaf = { event: "gateway-deaf", gateway: SHED, from: "3:00:00", to: "5:00:00" };

  it("is one event with its begin and end, and the gateway needs a look", () => {
    const { events, row } = eventsOf(stored([deaf]));
    expect(events.map(({ kind }) => kind)).toEqual(["gateway-deaf"]);
    const [event] = events;
    expect(minutesApart(event?.from, iso(3))).toBeLessThan(5);
    expect(minutesApart(event?.to, iso(5))).toBeLessThan(6);
    expect(event).toMatchObject({ open: false, nodes: 6, word: "certain" });
    expect(event?.sentence).toMatch(/heard no packet for .*while 6 nodes were due/);
    expect(event?.sentence).toMatch(/counter restarted/);
    expect(row?.standing).toBe("look");
  });

  it("is bad while it goes on, and the next step is a restart", () => {
    const { events, row } = eventsOf(stored([{ ...deaf, to: "8:00:00" }]), 0, 7);
    expect(events).toMatchObject([{ kind: "gateway-deaf", open: true }]);
    expect(events[0]?.advice).toMatch(/^Restart its forwarder/);
    expect(row).toMatchObject({ standing: "bad" });
    expect(row?.clause).toMatch(/has heard no packet for/);
  });

  it("is seen by its counter where that stood still without a restart", () => {
    const { events } = eventsOf(stored([{ ...deaf, restartSeconds: 0, counterStands: true }]));
    expect(events).toMatchObject([{ kind: "gateway-deaf", word: "certain" }]);
    expect(events[0]?.sentence).toMatch(/counter stood still/);
  });

  it("is certain where another gateway heard the nodes", () => {
    const { events } = eventsOf(stored([{ ...deaf, restartSeconds: 0 }], { both: true }));
    expect(events).toMatchObject([{ kind: "gateway-deaf" }]);
    expect(events[0]?.sentence).toMatch(/Another gateway heard 1[34]\d frames/);
  });

  it("says the same of a past window, whatever came later", () => {
    const whole = eventsOf(stored([{ ...deaf, to: "8:00:00" }]), 0, 4);
    const cut = eventsOf(stored([{ ...deaf, to: "8:00:00" }], { more: { duration: "4:00:00" } }), 0, 4);
    expect(whole.events.map(({ kind, from }) => [kind, from])).toEqual(
      cut.events.map(({ kind, from }) => [kind, from]),
    );
  });
});

describe("a gateway that hears all weaker", () => {
  const weak = { event: "gateway-weakened", gateway: SHED, from: "4:33:00", to: "8:00:00", lossDb: 11 };

  it("is one event with its size and moment, though nothing was lost yet", () => {
    const { events } = eventsOf(stored([weak]));
    expect(events).toMatchObject([{ kind: "gateway-weakened", open: true, nodes: 6 }]);
    const [event] = events;
    expect(Math.abs((event?.sizeDb ?? 0) - 11)).toBeLessThan(1);
    expect(event?.sizeIntervalDb?.[0]).toBeLessThan(11);
    expect(event?.sizeIntervalDb?.[1]).toBeGreaterThan(11);
    expect(minutesApart(event?.from, iso(4.55))).toBeLessThan(6);
    expect(event?.sentence).toMatch(/No other gateway hears enough of them/);
  });

  it("ends when it is mended", () => {
    const { events } = eventsOf(stored([{ ...weak, from: "2:30:00", to: "5:30:00" }]));
    expect(events).toMatchObject([{ kind: "gateway-weakened", open: false }]);
    expect(minutesApart(events[0]?.to, iso(5.5))).toBeLessThan(8);
    expect(events[0]?.sentence).toMatch(/rose again by 1[012]\.\d/);
  });

  it("is told from a window that begins after the fall as hearing better, once mended", () => {
    const { events } = eventsOf(stored([{ ...weak, from: "0:00:00", to: "5:30:00" }]));
    expect(events).toMatchObject([{ kind: "gateway-strengthened" }]);
  });

  it("is certain where the other gateway hears the nodes as before, which has no event", () => {
    const store = stored([weak], { both: true });
    expect(eventsOf(store).events).toMatchObject([{ kind: "gateway-weakened", word: "certain" }]);
    expect(eventsOf(store).events[0]?.sentence).toMatch(/Another gateway hears [56] of them as before/);
    expect(eventsOf(store, 0, HOURS, TOWER).events).toEqual([]);
  });

  it("is none where all nodes fall at both gateways", () => {
    const events = [weak, { ...weak, gateway: TOWER }];
    expect(eventsOf(stored(events, { both: true })).events).toEqual([]);
  });

  it("names a placement that begins at that moment", () => {
    const store = stored([weak]);
    store
      .prepare("INSERT INTO placement (name, gateway_eui, antenna, from_us) VALUES (?, ?, NULL, ?)")
      .run("Roof, north", SHED, hour(4.5));
    expect(eventsOf(store).events[0]?.sentence).toMatch(/placement "Roof, north" begins/);
  });
});

describe("datagrams lost on the way", () => {
  const lossy = { event: "backhaul-loss", gateway: SHED, from: "2:00:00", to: "6:00:00", lossShare: 0.2 };

  it("are one event with the share lost, what was forwarded and what was not acknowledged", () => {
    const { events } = eventsOf(stored([lossy]));
    expect(events.map(({ kind }) => kind)).toEqual(["backhaul-loss"]);
    const [event] = events;
    expect(Math.abs((event?.lossShare ?? 0) - 0.2)).toBeLessThan(0.03);
    expect(minutesApart(event?.from, iso(2))).toBeLessThan(11);
    expect(minutesApart(event?.to, iso(6))).toBeLessThan(21);
    expect(event?.sentence).toMatch(/packets forwarded; \d+ of them never arrived/);
    expect(event?.sentence).toMatch(/missed \d+.*% of its acknowledgements/);
  });

  it("are none of an outage, in which everything is lost", () => {
    const outage = { event: "gateway-unreachable", gateway: SHED, from: "3:00:00", to: "4:00:00" };
    const { events, row } = eventsOf(stored([outage]));
    expect(events).toEqual([]);
    expect(row?.outages).toHaveLength(1);
  });
});

describe("acknowledgements that come too late", () => {
  it("are an event although every datagram arrives", () => {
    const network = { latencyMs: 70, jitterMs: 30 };
    const { events } = eventsOf(stored([], { more: { network } }));
    expect(events).toMatchObject([{ kind: "late-acknowledgements", word: "possible" }]);
    expect(events[0]?.advice).toMatch(/push_timeout_ms/);
  });
});
