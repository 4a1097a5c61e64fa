/** Every cause that a finding may name can be injected, and the truth says so and shows what it cost. */
import { describe, expect, it } from "vitest";
import { Cause } from "../../src/contract/gaps.ts";
import type { CounterFate, Truth } from "../../src/simulate/truth-schema.ts";
import { gateway, lifeOf, node, packetsOf, play, SHED, START_US, site, TOWER } from "./small-site.ts";

const CHANNELS = [868_100_000, 868_300_000, 868_500_000, 867_100_000];
const hour = { from: "1:00:00", to: "2:00:00" };
const probe = (more: object = {}) => node({ rhythmSeconds: 60, devEui: "02005E1000000031", ...more });

type Run = ReturnType<typeof play>;
const runs = new Map<string, Run>();

/** Three hours of three nodes, with an event in the second; each such run is played once. */
function withEvent(event: object, more: object = {}): Run {
  const key = JSON.stringify([event, more]);
  const run = runs.get(key) ?? playEvent(event, more);
  runs.set(key, run);
  return run;
}

const playEvent = (event: object, more: object) =>
  play(
    site({
      duration: "3:00:00",
      channelsHz: CHANNELS,
      nodes: [
        probe(),
        probe({ name: "door", devAddr: "01F2A301", pathGainDb: { [SHED]: -126, [TOWER]: -126 } }),
        probe({ name: "pump", devAddr: "01F2A401", rhythmSeconds: 90, spreadingFactor: 9 }),
      ],
      events: [event],
      ...more,
    }),
  );

/** How many counters of a node, spent within some minutes, had each fate. */
function fates(truth: Truth, name: string, fromMinute = 60, toMinute = 120): Map<CounterFate, number> {
  const counts = new Map<CounterFate, number>();
  for (const life of truth.nodes.filter((one) => one.name === name)) {
    for (const { at, fate } of life.counters) {
      const minute = (Date.parse(at) * 1000 - START_US) / 60e6;
      if (minute >= fromMinute && minute < toMinute) counts.set(fate, (counts.get(fate) ?? 0) + 1);
    }
  }
  return counts;
}
const share = (counts: Map<CounterFate, number>, fate: CounterFate) =>
  (counts.get(fate) ?? 0) / [...counts.values()].reduce((sum, count) => sum + count, 0);
const heardOutside = (truth: Truth, name: string) => share(fates(truth, name, 0, 59), "heard");

const EVENTS: Readonly<Record<string, object>> = {
  "gateway-unreachable": { event: "gateway-unreachable", gateway: SHED, ...hour },
  "gateway-restarted": { event: "gateway-restarted", gateway: SHED, at: "1:00:00", seconds: 600 },
  "gateway-deaf": { event: "gateway-deaf", gateway: SHED, ...hour },
  "gateway-weakened": { event: "gateway-weakened", gateway: SHED, ...hour, lossDb: 45 },
  "backhaul-loss": { event: "backhaul-loss", gateway: SHED, ...hour, lossShare: 0.3 },
  "node-silent": { event: "node-silent", node: "probe", ...hour },
  "node-restarted": { event: "node-restarted", node: "probe", at: "1:00:00", silentSeconds: 1800 },
  "rejoin-loop": { event: "rejoin-loop", node: "probe", ...hour, everySeconds: 60 },
  "weak-link": { event: "weak-link", node: "probe", ...hour, lossDb: 45 },
  interference: { event: "interference", ...hour, noiseRiseDb: 40 },
  congestion: { event: "congestion", ...hour, load: 0.3, devices: 80, spreadingFactors: [7, 9] },
  "channel-mismatch": { event: "channel-mismatch", gateway: SHED, ...hour, channelsHz: CHANNELS.slice(0, 1) },
  "gateway-transmitting": { event: "gateway-transmitting", gateway: SHED, ...hour, share: 0.5 },
  "shared-address": { event: "shared-address", node: "probe", ...hour, startCounter: 5000 },
};
const COST: Readonly<Record<string, CounterFate>> = {
  "gateway-unreachable": "backhaul-outage",
  "gateway-restarted": "gateway-off",
  "gateway-deaf": "gateway-deaf",
  "gateway-weakened": "weakened",
  "backhaul-loss": "datagram-lost",
  "weak-link": "weak",
  interference: "noise",
  congestion: "collision",
  "channel-mismatch": "off-channel",
  "gateway-transmitting": "gateway-transmitting",
};

describe("each cause", () => {
  it("that a finding may name can be injected", () => {
    expect(Object.keys(EVENTS).sort()).toEqual(
      Cause.options.filter((cause) => cause !== "unexplained").sort(),
    );
  });

  it.each(Object.entries(EVENTS))(
    "%s stands in the truth with its time, nodes, gateways and strength",
    (cause, event) => {
      const { truth } = withEvent(event);
      expect(truth.injected).toHaveLength(1);
      const [episode] = truth.injected;
      expect(episode).toMatchObject({ cause, from: "2026-04-14T05:00:00.000Z", gateways: [SHED] });
      expect(Date.parse(episode!.to)).toBeGreaterThan(Date.parse(episode!.from));
      const names = "node" in event ? ["probe"] : ["probe", "door", "pump"];
      expect(episode!.nodes.map(({ name }) => name.split(",")[0])).toEqual(
        cause === "shared-address" ? ["probe", "probe"] : names,
      );
      expect(episode!.nodes[0]!.devAddrs).toEqual(["01F2A102"]);
    },
  );

  it.each(Object.entries(COST))(
    "%s costs counters by the fate %s, and only while it lasts",
    (cause, fate) => {
      const { truth } = withEvent(EVENTS[cause]!);
      expect(share(fates(truth, "probe"), fate)).toBeGreaterThan(0.04);
      expect(fates(truth, "probe", 0, 59).get(fate) ?? 0).toBe(0);
      expect(heardOutside(truth, "probe")).toBeGreaterThan(0.9);
    },
  );

  it.each(Object.entries(EVENTS))("%s leaves every counter with one fate, and all add up", (_, event) => {
    const { truth } = withEvent(event);
    for (const life of truth.nodes) {
      const heard = life.counters.filter(({ fate }) => fate === "heard").length;
      expect(life.sent).toBe(life.counters.length);
      expect(life.heard).toBe(heard);
      const within = life.counters.filter(
        ({ counter }) => counter >= (life.firstHeardCounter ?? 1) && counter <= (life.lastHeardCounter ?? 0),
      );
      expect(life.expected).toBe(within.length);
      expect(life.missed).toBe(within.filter(({ fate }) => fate !== "heard").length);
    }
  });
});

describe("strength", () => {
  it("of a lossy path is the share of datagrams lost, in bursts or one by one", () => {
    for (const burstSeconds of [0, 120]) {
      const event = {
        event: "gateway-unreachable",
        gateway: SHED,
        from: "0:30:00",
        to: "3:00:00",
        lossShare: 0.4,
      };
      const { truth } = withEvent({ ...event, burstSeconds });
      const counts = fates(truth, "probe", 30, 180);
      expect(share(counts, "datagram-lost")).toBeGreaterThan(0.2);
      expect(share(counts, "datagram-lost")).toBeLessThan(0.6);
      // Losses in bursts follow each other more often than those by themselves.
      const runs = lifeOf(truth).counters.filter(
        ({ fate }, index, all) => fate !== "heard" && all[index - 1]?.fate === "heard",
      ).length;
      expect(runs / (counts.get("datagram-lost") ?? 1)).toBeLessThan(burstSeconds === 0 ? 0.9 : 0.5);
    }
  });

  it("of interference in periods is the share of time that it is on", () => {
    const { truth } = withEvent({
      ...EVENTS.interference,
      periodSeconds: 100,
      onShare: 0.3,
      noiseRiseDb: 60,
    });
    expect(share(fates(truth, "probe"), "noise")).toBeGreaterThan(0.12);
    expect(share(fates(truth, "probe"), "noise")).toBeLessThan(0.55);
  });

  it("of interference on one channel costs that channel only", () => {
    const run = withEvent({ ...EVENTS.interference, frequenciesHz: [CHANNELS[0]], noiseRiseDb: 60 });
    const hours = packetsOf(run.passages).filter(({ atUs }) => atUs >= 3.6e9 && atUs < 7.2e9);
    const channels = new Set(hours.map(({ transmission }) => transmission.frequencyHz));
    expect(channels).toEqual(new Set(CHANNELS.slice(1)));
  });

  it("of a busy gateway is the share of time that it transmits, and is deaf, unless it is full duplex", () => {
    const { truth } = withEvent(EVENTS["gateway-transmitting"]!);
    expect(truth.gateways[0]!.transmitSeconds / 3600).toBeCloseTo(0.5, 1);
    expect(share(fates(truth, "probe"), "gateway-transmitting")).toBeGreaterThan(0.4);
    const duplex = withEvent(EVENTS["gateway-transmitting"]!, {
      gateways: [gateway(SHED, { halfDuplex: false })],
    });
    expect(fates(duplex.truth, "probe").get("gateway-transmitting")).toBeUndefined();
  });

  it("of congestion is the airtime offered on each channel", () => {
    const run = withEvent(EVENTS.congestion!);
    const crowd = run.truth.nodes.filter(({ stranger }) => stranger);
    expect(crowd.length).toBeGreaterThan(60);
    expect(new Set(crowd.map(({ devAddr }) => devAddr)).size).toBe(crowd.length);
    const sent = crowd.reduce((sum, { transmissions }) => sum + transmissions, 0);
    // 25 octets of frame: 61.696 ms at SF7, 205.824 ms at SF9 (formula of AN1200.13).
    const load = (sent * (0.061696 + 0.205824)) / 2 / 3600 / CHANNELS.length;
    expect(load).toBeGreaterThan(0.2);
    expect(load).toBeLessThan(0.4);
  });
});

describe("a shared address", () => {
  it("is two devices with counters, keys and rhythms of their own under one address", () => {
    const run = withEvent(EVENTS["shared-address"]!);
    const lives = run.truth.nodes.filter(({ devAddr }) => devAddr === "01F2A102");
    expect(lives.map(({ name }) => name)).toEqual(["probe", "probe, second device"]);
    expect(lives[1]!.firstHeardCounter).toBe(5000);
    expect(lives[1]!.sent).toBeGreaterThan(50);
    expect(lives[0]!.keys.nwkSKey).not.toBe(lives[1]!.keys.nwkSKey);
  });
});

describe("a rejoin loop", () => {
  it("asks again and again, then counts from 0; between requests it may send a few frames", () => {
    const { truth } = withEvent(EVENTS["rejoin-loop"]!);
    expect(truth.joins.length).toBeGreaterThan(50);
    expect(truth.nodes.filter(({ name }) => name === "probe").map(({ began }) => began)).toEqual([
      "start",
      "join",
    ]);
    const few = withEvent({ ...EVENTS["rejoin-loop"], everySeconds: 300, dataFrames: 2 });
    const sessions = few.truth.nodes.filter(({ name, began }) => name === "probe" && began === "join");
    expect(sessions.length).toBeGreaterThan(9);
    expect(Math.max(...sessions.slice(0, -1).map(({ sent }) => sent))).toBe(2);
  });
});

describe("a channel mismatch", () => {
  it.each([
    [undefined, 2],
    [0, 0],
  ])("of a gateway restarts it at both ends (%s s asked for: %i restarts)", (restartSeconds, restarts) => {
    const { truth } = withEvent({ ...EVENTS["channel-mismatch"], restartSeconds });
    expect(truth.gateways.map((one) => one.restarts)).toEqual([restarts]);
  });
  it("may be the node's: it sends where the gateway does not listen", () => {
    const gateways = [gateway(SHED, { channelsHz: CHANNELS.slice(0, 2) })];
    const nodes = [probe({ channelsHz: CHANNELS.slice(0, 2) })];
    const event = { event: "channel-mismatch", node: "probe", ...hour, channelsHz: CHANNELS };
    const { truth } = withEvent(event, { gateways, nodes });
    expect(share(fates(truth, "probe"), "off-channel")).toBeGreaterThan(0.3);
    expect(heardOutside(truth, "probe")).toBe(1);
  });
});

describe("nodes", () => {
  it("use every channel once before any again, where told so", () => {
    const run = withEvent(EVENTS["node-silent"]!, {
      nodes: [probe({ hopping: "without-replacement" })],
    });
    const used = packetsOf(run.passages).map(({ transmission }) => transmission.frequencyHz);
    for (let block = 0; block + 4 <= used.length; block += 4)
      expect(new Set(used.slice(block, block + 4)).size).toBe(4);
  });

  it("keep to the beats of their clock, or send at any moment", () => {
    const timesOf = (more: object) =>
      lifeOf(
        play(site({ duration: "10:00:00", nodes: [node({ rhythmSeconds: 100, ...more })] })).truth,
      ).counters.map(({ at }) => Date.parse(at) / 1000);
    const clock = timesOf({ schedule: "clock", jitterShare: 0.1, clockPpm: 50 });
    const phases = clock.map((at, index) => at - clock[0]! - index * 100 * (1 + 50e-6));
    expect(Math.max(...phases.map(Math.abs))).toBeLessThan(21);
    const random = timesOf({ schedule: "random" });
    const steps = random.slice(1).map((at, index) => at - random[index]!);
    const mean = steps.reduce((sum, step) => sum + step, 0) / steps.length;
    expect(mean).toBeGreaterThan(80);
    expect(mean).toBeLessThan(120);
    expect(steps.filter((step) => step < 50).length / steps.length).toBeGreaterThan(0.3);
  });
});

describe("ghosts", () => {
  it("appear beside very strong frames, and are no receptions", () => {
    const gateways = [gateway(SHED, { ghostShare: 0.5 })];
    const near = probe({ pathGainDb: { [SHED]: -50 } });
    const { truth } = withEvent(EVENTS["node-silent"]!, { gateways, nodes: [near] });
    const [{ ghosts, receptions } = { ghosts: 0, receptions: 0 }] = truth.gateways;
    expect(ghosts).toBeGreaterThan(30);
    expect(receptions).toBe(lifeOf(truth).receptions);
  });
});
