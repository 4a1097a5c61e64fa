import { describe, expect, it } from "vitest";
import { gateway, lifeOf, node, packetsOf, play, SHED, START_US, site, TOWER } from "./small-site.ts";

const minute = (count: number) => count * 60e6;
const fates = (truth: ReturnType<typeof play>["truth"], from: number, to: number) =>
  new Set(
    lifeOf(truth)
      .counters.filter(({ at }) => {
        const atUs = Date.parse(at) * 1000 - START_US;
        return atUs >= minute(from) && atUs < minute(to);
      })
      .map(({ fate }) => fate),
  );
const snrBetween = (run: ReturnType<typeof play>, from: number, to: number) =>
  packetsOf(run.passages)
    .filter(({ atUs }) => atUs >= minute(from) && atUs < minute(to))
    .map(({ packet }) => packet.signals[0]!.snrDb!);
const mean = (values: number[]) => values.reduce((sum, value) => sum + value, 0) / values.length;

describe("a backhaul outage", () => {
  const event = { event: "gateway-backhaul-outage", gateway: SHED, from: "0:20:00", to: "0:30:00" };

  it("loses every datagram while the radio and its counter go on", () => {
    const run = play(site({ events: [event] }));
    const arrived = run.passages.filter(({ fate }) => fate === "arrives");
    expect(arrived.filter(({ atUs }) => atUs >= minute(20) && atUs < minute(30))).toEqual([]);
    expect(fates(run.truth, 20.1, 29.9)).toEqual(new Set(["backhaul-outage"]));
    expect(fates(run.truth, 30, 60)).toEqual(new Set(["heard"]));
    const life = lifeOf(run.truth);
    expect(life.missed).toBeGreaterThan(25);
    expect(life.missedDuringOutage).toBe(life.missed);
    const before = packetsOf(run.passages).findLast(({ atUs }) => atUs < minute(20))!;
    const after = packetsOf(run.passages).find(({ atUs }) => atUs >= minute(30))!;
    const elapsedUs = after.transmission.endUs - before.transmission.endUs;
    expect(after.packet.tmstUs! - before.packet.tmstUs!).toBeCloseTo(elapsedUs, -1);
  });

  it("counts a loss as one on the air where another gateway was reachable", () => {
    const path = { [SHED]: -100, [TOWER]: -170 };
    const { truth } = play(
      site({
        gateways: [gateway(SHED), gateway(TOWER)],
        nodes: [node({ pathGainDb: path })],
        events: [event],
      }),
    );
    const life = lifeOf(truth);
    expect(life.missed).toBeGreaterThan(25);
    expect(life.missedDuringOutage).toBe(0);
  });
});

describe("a power outage", () => {
  it("silences the gateway and restarts its counter at 0", () => {
    const event = { event: "gateway-power-outage", gateway: SHED, from: "0:20:00", to: "0:30:00" };
    const run = play(site({ gateways: [gateway(SHED, { uptimeSeconds: 4000 })], events: [event] }));
    expect(run.passages.filter(({ atUs }) => atUs >= minute(20) + 1e6 && atUs < minute(30))).toEqual([]);
    expect(fates(run.truth, 20.1, 29.9)).toEqual(new Set(["gateway-off"]));
    const after = packetsOf(run.passages).find(({ atUs }) => atUs >= minute(30))!;
    expect(after.packet.tmstUs).toBe(after.transmission.endUs - minute(30));
    expect(run.truth.gateways[0]).toMatchObject({ restarts: 1, outages: [{ kind: "power" }] });
  });
});

describe("a node reset and a rejoin", () => {
  it("begins again at 0 under the same address without a join", () => {
    const run = play(
      site({
        nodes: [node({ startCounter: 500 })],
        events: [{ event: "node-reset", node: "probe", at: "0:30:00" }],
      }),
    );
    expect(run.truth.nodes.map(({ devAddr, life, began }) => [devAddr, life, began])).toEqual([
      ["01F2A102", 1, "start"],
      ["01F2A102", 2, "reset"],
    ]);
    const [first, second] = run.truth.nodes;
    expect(first!.firstHeardCounter).toBe(500);
    expect(second!.firstHeardCounter).toBe(0);
    expect(Date.parse(second!.counters[0]!.at)).toBeGreaterThanOrEqual(START_US / 1000 + 30 * 60e3);
    expect(run.truth.joins).toEqual([]);
  });

  it("joins with as many requests as told and then uses the new address", () => {
    const run = play(
      site({
        nodes: [node({ devEui: "02005E1000000031" })],
        events: [
          { event: "node-rejoin", node: "probe", at: "0:30:00", devAddr: "01F2A1F2", joinRequests: 3 },
        ],
      }),
    );
    expect(run.truth.joins).toHaveLength(3);
    expect(run.truth.nodes.map(({ devAddr, life, began }) => [devAddr, life, began])).toEqual([
      ["01F2A102", 1, "start"],
      ["01F2A1F2", 1, "join"],
    ]);
    const requests = packetsOf(run.passages).filter(({ transmission }) => transmission.counter === null);
    const nonces = requests.map(({ packet }) => packet.payload![17]! + 256 * packet.payload![18]!);
    expect(nonces).toEqual([nonces[0], nonces[0]! + 1, nonces[0]! + 2]);
    // Nothing is sent under the old session while the node joins.
    const between = packetsOf(run.passages).filter(
      ({ transmission }) => transmission.startUs >= minute(30) && transmission.counter !== null,
    );
    expect(between.every(({ transmission }) => transmission.life!.devAddr === "01F2A1F2")).toBe(true);
  });
});

describe("a silent node", () => {
  it("sends nothing and spends no counter", () => {
    const { truth } = play(
      site({ events: [{ event: "node-silent", node: "probe", from: "0:20:00", to: "0:40:00" }] }),
    );
    expect(fates(truth, 20, 40)).toEqual(new Set());
    const life = lifeOf(truth);
    expect(life.missed).toBe(0);
    expect(life.sent).toBeLessThan(130);
  });
});

describe("a fading link", () => {
  it("falls steadily by what was told and is lost below the floor", () => {
    const nodes = [node({ pathGainDb: { [SHED]: -126 }, fastFadingDb: 0, slowFadingDb: 0 })];
    const fade = { event: "fading-link", node: "probe", from: "0:10:00", to: "0:50:00", changeDb: -20 };
    const run = play(site({ nodes, events: [fade] }));
    // SNR before: 14 - 126 + 117.03 dB (thermal noise in 125 kHz, noise figure 6 dB).
    expect(mean(snrBetween(run, 0, 10))).toBeCloseTo(5.03, 0);
    expect(mean(snrBetween(run, 19, 21))).toBeCloseTo(0.03, 0);
    expect(fates(run.truth, 0, 25)).toEqual(new Set(["heard"]));
    expect(fates(run.truth, 45, 60)).toEqual(new Set(["weak"]));
  });

  it("spares the paths to other gateways", () => {
    const gateways = [gateway(SHED), gateway(TOWER)];
    const fade = { event: "fading-link", node: "probe", gateway: SHED, from: 600, to: 900, changeDb: -60 };
    const life = lifeOf(play(site({ gateways, events: [fade] })).truth);
    expect(life.heardByGateway[TOWER]).toBe(life.sent);
    expect(life.heardByGateway[SHED]).toBeLessThan(life.sent / 3);
  });
});

describe("an interferer", () => {
  it("raises the noise on its channel only: RSSI up, SNR down, signal as before", () => {
    const nodes = [
      node({ pathGainDb: { [SHED]: -128 }, fastFadingDb: 0, slowFadingDb: 0, rhythmSeconds: 5 }),
    ];
    const event = {
      event: "interferer",
      frequencyHz: 868_300_000,
      from: "0:20:00",
      to: "0:40:00",
      noiseRiseDb: 8,
    };
    const run = play(site({ nodes, events: [event] }));
    const signals = (frequencyHz: number, from: number, to: number) =>
      packetsOf(run.passages)
        .filter(
          ({ atUs, packet }) =>
            packet.frequencyHz === frequencyHz && atUs >= minute(from) && atUs < minute(to),
        )
        .map(({ packet }) => packet.signals[0]!);
    const before = signals(868_300_000, 0, 20);
    const during = signals(868_300_000, 20, 40);
    const beside = signals(868_100_000, 20, 40);
    expect(mean(before.map(({ snrDb }) => snrDb!))).toBeCloseTo(3, 0);
    expect(mean(during.map(({ snrDb }) => snrDb!))).toBeCloseTo(-5, 0);
    expect(mean(beside.map(({ snrDb }) => snrDb!))).toBeCloseTo(3, 0);
    expect(mean(during.map(({ signalRssiDbm }) => signalRssiDbm!))).toBeCloseTo(-114, 0);
    expect(mean(during.map(({ rssiDbm }) => rssiDbm!))).toBeGreaterThan(
      mean(before.map(({ rssiDbm }) => rssiDbm!)) + 3,
    );
  });
});

describe("the air", () => {
  const crowd = (count: number, more: object) =>
    Array.from({ length: count }, (_, index) =>
      node({
        name: `probe ${index}`,
        devAddr: `01F2${String(index).padStart(4, "0")}`,
        rhythmSeconds: 10,
        ...more,
      }),
    );
  const count = (truth: ReturnType<typeof play>["truth"], fate: string) =>
    truth.nodes.flatMap(({ counters }) => counters).filter((counter) => counter.fate === fate).length;

  it("loses frames to collisions about as pure ALOHA does when none is stronger", () => {
    const nodes = crowd(30, {
      jitterShare: 1,
      fastFadingDb: 0,
      slowFadingDb: 0,
      payloadBytes: 10,
      spreadingFactor: 9,
    });
    const { truth } = play(site({ channelsHz: [868_100_000], nodes }));
    const sent = truth.nodes.reduce((sum, { sent: all }) => sum + all, 0);
    // Abramson 1970: P(loss) = 1 - exp(-2G); 23 octets at SF9 last 205.824 ms, G = 30 x 0.205824 / 10.
    const load = (sent * 0.205824) / 3600;
    expect(load).toBeCloseTo(0.617, 1);
    expect(count(truth, "collision") / sent).toBeCloseTo(1 - Math.exp(-2 * load), 1);
  });

  it("lets the stronger of two frames through when it is 6 dB stronger", () => {
    const nodes = [
      ...crowd(15, { jitterShare: 1, pathGainDb: { [SHED]: -120 }, spreadingFactor: 9 }),
      node({ name: "near", devAddr: "01F2A901", pathGainDb: { [SHED]: -80 }, spreadingFactor: 9 }),
    ];
    const { truth } = play(site({ channelsHz: [868_100_000], nodes }));
    expect(lifeOf(truth, "near")).toMatchObject({ missed: 0 });
    expect(count(truth, "collision")).toBeGreaterThan(100);
  });

  it("hears no more frames at once than it has demodulators", () => {
    const nodes = crowd(40, { jitterShare: 1, spreadingFactor: 12 });
    const channelsHz = Array.from({ length: 8 }, (_, index) => 867_100_000 + index * 200_000);
    const one = play(site({ channelsHz, nodes, gateways: [gateway(SHED, { demodulators: 1 })] }));
    const many = play(site({ channelsHz, nodes, gateways: [gateway(SHED, { demodulators: 200 })] })).truth;
    expect(count(one.truth, "no-demodulator")).toBeGreaterThan(1000);
    expect(count(many, "no-demodulator")).toBe(0);
    // With one demodulator the frames heard cannot overlap, whatever their channels.
    const heard = packetsOf(one.passages)
      .map(({ transmission }) => transmission)
      .sort((a, b) => a.startUs - b.startUs);
    expect(heard.every(({ startUs }, index) => index === 0 || startUs >= heard[index - 1]!.endUs)).toBe(true);
  });

  it("does not hear channels that the gateway is not tuned to", () => {
    const gateways = [gateway(SHED, { channelsHz: [868_100_000] })];
    const run = play(site({ gateways }));
    expect(new Set(packetsOf(run.passages).map(({ packet }) => packet.frequencyHz))).toEqual(
      new Set([868_100_000]),
    );
    expect(count(run.truth, "off-channel")).toBeGreaterThan(80);
  });
});
