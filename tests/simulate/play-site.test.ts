import { createHash } from "node:crypto";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { datagramOctets } from "../../src/simulate/gateway-output.ts";
import type { Passage } from "../../src/simulate/transmission.ts";
import { Truth } from "../../src/simulate/truth-schema.ts";
import { decodeUpstream } from "../../src/wire/forwarder/upstream.ts";
import { verifyDataMic10 } from "../../src/wire/lorawan/frame-mic.ts";
import { octetsOfHex } from "../../src/wire/lorawan/octets.ts";
import { gateway, lifeOf, node, packetsOf, play, SHED, START_US, site, TOWER } from "./small-site.ts";

/** Two gateways, links on the edge, a poor network, outages, a reset, a rejoin, repeats: whatever can go wrong. */
const busySite = (duration = "0:30:00") =>
  site({
    duration,
    network: {
      lossShare: 0.03,
      duplicateShare: 0.05,
      reorderShare: 0.05,
      lateShare: 0.02,
      latencyMs: 20,
      jitterMs: 10,
    },
    gateways: [
      gateway(SHED, { forwardsCrcBad: true }),
      gateway(TOWER, { hardware: "sx1301", antennas: [{}, { gainDb: -3 }] }),
    ],
    nodes: [
      node({ transmissions: 2, pathGainDb: { [SHED]: -138, [TOWER]: -137 } }),
      node({ name: "joiner", devAddr: "01F2A103", activation: "otaa", devEui: "02005E1000000031" }),
      node({
        name: "weak",
        devAddr: "01F2A104",
        spreadingFactor: 12,
        pathGainDb: { [SHED]: -151, [TOWER]: null },
      }),
      ...Array.from({ length: 8 }, (_, index) =>
        node({
          name: `chatterer ${index}`,
          devAddr: `01F2A20${index}`,
          rhythmSeconds: 3,
          spreadingFactor: 9,
        }),
      ),
    ],
    strangers: [node({ name: "stranger", devAddr: "5BFFFFFF", startCounter: 65_500, rhythmSeconds: 30 })],
    events: [
      { event: "gateway-backhaul-outage", gateway: SHED, from: "0:06:00", to: "0:10:00" },
      { event: "gateway-power-outage", gateway: TOWER, from: "0:08:00", to: "0:09:00" },
      { event: "node-reset", node: "probe", at: "0:15:00" },
      { event: "node-rejoin", node: "joiner", at: "0:20:00", devAddr: "01F2A1F3" },
    ],
  });

/** The busy site played once, for all that looks at one run only. */
const busyRun = play(busySite());

/** One digest of all that passed, so that a difference of one octet or microsecond shows. */
const digestOf = (passages: readonly Passage[]) => {
  const hash = createHash("sha256");
  for (const { gatewayEui, datagram, atUs, fate, isCopy } of passages)
    hash.update(`${atUs} ${fate} ${isCopy} `).update(datagramOctets(gatewayEui, datagram, 0));
  return hash.digest("hex");
};

describe("a run", () => {
  it("repeats octet for octet with the same seed, and does not with another", () => {
    const [first, second, other] = [9, 9, 10].map((seed) => play(busySite("0:12:00"), seed));
    expect(digestOf(second!.passages)).toEqual(digestOf(first!.passages));
    expect(JSON.stringify(second!.truth)).toBe(JSON.stringify(first!.truth));
    expect(digestOf(other!.passages)).not.toEqual(digestOf(first!.passages));
  });

  it("yields datagrams in order of time", () => {
    const { passages } = busyRun;
    expect(passages.every(({ atUs }, index) => index === 0 || atUs >= passages[index - 1]!.atUs)).toBe(true);
    expect(passages.length).toBeGreaterThan(2000);
  });

  it("sends only what the decoder reads without an oddity, but for wrong CRCs", () => {
    const unlike: unknown[] = [];
    for (const { gatewayEui, datagram } of busyRun.passages) {
      const decoded = decodeUpstream(datagramOctets(gatewayEui, datagram, 99.5));
      const isAsSent =
        decoded.ok &&
        decoded.datagram.gatewayEui === gatewayEui &&
        decoded.datagram.kind === datagram.kind &&
        decoded.oddities.every(({ reason }) => reason === "crc_bad");
      if (!isAsSent) unlike.push(decoded);
    }
    expect(unlike).toEqual([]);
  });

  it("signs every frame with the keys that the truth names", () => {
    const { passages, truth } = busyRun;
    let proved = 0;
    for (const { packet, transmission } of packetsOf(passages)) {
      if (packet.crc !== "ok" || transmission.counter === null) continue;
      const life = truth.nodes.find(
        (candidate) =>
          candidate.devAddr === transmission.life?.devAddr && candidate.began === transmission.life.cause,
      );
      const key = octetsOfHex(life!.keys.nwkSKey)!;
      const { devAddr } = life!;
      const frame = { direction: "up" as const, devAddr, fCnt32: transmission.counter };
      if (verifyDataMic10(key, packet.payload!, frame)) proved += 1;
    }
    expect(proved).toBe(
      packetsOf(passages).filter(
        ({ packet, transmission }) => packet.crc === "ok" && transmission.counter !== null,
      ).length,
    );
    expect(proved).toBeGreaterThan(1000);
  });
});

describe("the truth", () => {
  it("adds up for every seed", () => {
    fc.assert(
      fc.property(fc.integer({ min: 0, max: 2 ** 40 }), (seed) => {
        const { passages, truth } = play(busySite(), seed);
        expect(Truth.parse(truth)).toEqual(truth);
        for (const life of truth.nodes) {
          const heard = life.counters.filter(({ fate }) => fate === "heard");
          const inside = life.counters.filter(
            ({ counter }) =>
              counter >= (life.firstHeardCounter ?? 1) && counter <= (life.lastHeardCounter ?? 0),
          );
          expect(life.sent).toBe(life.counters.length);
          expect(life.heard).toBe(heard.length);
          expect(inside.length).toBe(life.heard + life.missed);
          expect(life.expected).toBe(inside.length);
          expect(life.missedDuringOutage).toBeLessThanOrEqual(life.missed);
          expect(life.repeats).toBe(
            heard.reduce((sum, { heardTransmissions }) => sum + heardTransmissions - 1, 0),
          );
          expect(life.receptions).toBe(heard.reduce((sum, { receptions }) => sum + receptions, 0));
          expect(Math.max(...Object.values(life.heardByGateway))).toBeLessThanOrEqual(life.heard);
          expect(Object.values(life.heardByGateway).reduce((a, b) => a + b)).toBeGreaterThanOrEqual(
            life.heard,
          );
        }
        const received = truth.nodes.reduce((sum, { receptions }) => sum + receptions, 0);
        const joins = truth.joins.reduce((sum, { receptions }) => sum + receptions, 0);
        const good = truth.gateways.reduce((sum, { receptions, crcBad }) => sum + receptions - crcBad, 0);
        expect(received + joins).toBe(good);
        expect(truth.channels.reduce((sum, { receptions }) => sum + receptions, 0)).toBe(
          truth.gateways.reduce((sum, { receptions }) => sum + receptions, 0),
        );
        for (const channel of truth.channels) {
          expect(channel.busySeconds).toBeLessThanOrEqual(channel.airtimeSeconds + 1e-9);
          expect(channel.transmissions).toBeLessThanOrEqual(channel.receptions);
        }
        const arrivals = passages.filter(({ fate }) => fate === "arrives").length;
        expect(truth.gateways.reduce((sum, { datagrams }) => sum + datagrams, 0)).toBe(arrivals);
        expect(truth.gateways.reduce((sum, { datagramsLost }) => sum + datagramsLost, 0)).toBe(
          passages.length - arrivals,
        );
      }),
      { numRuns: 6 },
    );
  });

  it("agrees with a count of what the decoder reads from the datagrams", () => {
    const { passages, truth } = play(busySite(), 4);
    const counters = new Map<string, Set<number>>();
    for (const { packet, transmission } of packetsOf(passages)) {
      if (packet.crc !== "ok" || transmission.life === null || transmission.counter === null) continue;
      const key = `${transmission.life.devAddr} ${transmission.life.cause}`;
      counters.set(key, (counters.get(key) ?? new Set()).add(transmission.counter));
    }
    for (const life of truth.nodes) {
      expect(life.heard).toBe(counters.get(`${life.devAddr} ${life.began}`)?.size ?? 0);
    }
  });

  it("numbers lives of one address by when they were heard, and leaves those that nobody heard without number", () => {
    const { truth } = play(
      site({
        nodes: [node(), node({ name: "deaf", devAddr: "01F2A109", pathGainDb: { [SHED]: null } })],
        events: [{ event: "node-reset", node: "probe", at: "0:30:00" }],
      }),
    );
    const lives = truth.nodes.map(({ name, life, began, firstHeardCounter }) => [
      name,
      life,
      began,
      firstHeardCounter,
    ]);
    expect(lives).toContainEqual(["probe", 1, "start", 0]);
    expect(lives).toContainEqual(["probe", 2, "reset", 0]);
    expect(lives).toContainEqual(["deaf", null, "start", null]);
  });

  it("counts counters beyond 16 bits through a rollover", () => {
    const life = lifeOf(play(site({ nodes: [node({ startCounter: 65_530 })] })).truth);
    expect(life.firstHeardCounter).toBe(65_530);
    expect(life.lastHeardCounter).toBeGreaterThan(65_600);
    expect(life.missed).toBe(0);
    expect(life.expected).toBe(life.sent);
  });
});

describe("nodes", () => {
  it("keep their rhythm within its jitter", () => {
    const { counters } = lifeOf(play(site({ nodes: [node({ rhythmSeconds: 60, jitterShare: 0.1 })] })).truth);
    const intervals = counters
      .slice(1)
      .map(({ at }, index) => (Date.parse(at) - Date.parse(counters[index]!.at)) / 1000);
    expect(intervals.length).toBeGreaterThan(50);
    for (const interval of intervals) {
      expect(interval).toBeGreaterThan(53.9);
      expect(interval).toBeLessThan(66.1);
    }
  });

  it("send first within the time that the scenario gives", () => {
    const nodes = Array.from({ length: 12 }, (_, index) =>
      node({ name: `probe ${index}`, devAddr: `01F2A1${String(index).padStart(2, "0")}`, rhythmSeconds: 60 }),
    );
    const { truth } = play(site({ firstFrameWithinSeconds: 3, nodes }));
    expect(truth.nodes).toHaveLength(12);
    for (const life of truth.nodes) {
      expect(Date.parse(life.counters[0]!.at) * 1000 - START_US).toBeLessThan(3_000_000);
    }
  });

  it("repeat a frame under its counter, later and with the same octets", () => {
    const { passages, truth } = play(site({ nodes: [node({ transmissions: 3, confirmed: true })] }));
    const life = lifeOf(truth);
    expect(life.transmissions).toBeGreaterThan(2.9 * life.sent);
    expect(life.repeats).toBeGreaterThan(1.8 * life.heard);
    const ofFirst = packetsOf(passages).filter(({ transmission }) => transmission.counter === 0);
    expect(ofFirst.map(({ transmission }) => transmission.repeat)).toEqual([0, 1, 2]);
    expect(new Set(ofFirst.map(({ packet }) => Buffer.from(packet.payload!).toString("hex"))).size).toBe(1);
    expect(ofFirst[0]!.packet.payload![0]! >> 5).toBe(0b100);
    for (const [index, { transmission }] of ofFirst.slice(1).entries()) {
      expect(transmission.startUs - ofFirst[index]!.transmission.endUs).toBeGreaterThanOrEqual(3e6);
    }
  });

  it("join before they send, where they join", () => {
    const { passages, truth } = play(
      site({ nodes: [node({ activation: "otaa", devEui: "02005E1000000031" })] }),
    );
    const [join, data] = packetsOf(passages);
    expect(join!.packet.payload).toHaveLength(23);
    expect(data!.transmission.counter).toBe(0);
    expect(data!.transmission.startUs - join!.transmission.endUs).toBeGreaterThan(5e6);
    expect(truth.joins).toMatchObject([{ name: "probe", receptions: 1 }]);
  });
});

describe("a node of its own kind", () => {
  it("changes between two rhythms, and the counter moves by one at either", () => {
    const slow = { rhythmSeconds: 60, slowRhythmSeconds: 180, framesARhythm: 6, jitterShare: 0 };
    const { truth } = play(site({ duration: "6:00:00", nodes: [node(slow)] }));
    const { counters } = lifeOf(truth);
    const steps = counters
      .slice(1)
      .map(({ at }, i) => Math.round((Date.parse(at) - Date.parse(counters[i]?.at ?? at)) / 60_000));
    expect(new Set(steps)).toEqual(new Set([1, 3]));
    expect(counters.every(({ counter }, i) => counter === i + (counters[0]?.counter ?? 0))).toBe(true);
  });

  it("sends the same octets at the same counter after a restart, with a constant payload only", () => {
    const octetsOf = (constantPayload: boolean) => {
      const bench = node({ constantPayload, rhythmSeconds: 60 });
      const events = [{ event: "node-reset", node: "probe", at: "0:20:00" }];
      const { passages } = play(site({ duration: "0:40:00", nodes: [bench], events }));
      return packetsOf(passages).map(({ packet }) => Buffer.from(packet.payload ?? []).toString("hex"));
    };
    const repeated = (all: readonly string[]) => all.length - new Set(all).size;
    expect(repeated(octetsOf(true))).toBeGreaterThan(10);
    expect(repeated(octetsOf(false))).toBe(0);
  });
});
