import { createSocket, type Socket } from "node:dgram";
import { afterEach, describe, expect, it } from "vitest";
import { playSite } from "../../src/simulate/play-site.ts";
import type { Scenario } from "../../src/simulate/scenario.ts";
import { type LiveOutside, sendLive, thisMachine } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { encodePullResponse } from "../../src/wire/forwarder/encode.ts";
import { answerFor } from "../../src/wire/forwarder/header.ts";
import { decodeUpstream } from "../../src/wire/forwarder/upstream.ts";
import { gateway, lifeOf, node, SHED, START_US, site, TOWER } from "./small-site.ts";

const sockets: Socket[] = [];
afterEach(() => {
  for (const socket of sockets.splice(0)) socket.close();
});

/** A listener on the loopback that acknowledges, or does not. */
async function listener(answers: boolean) {
  const socket = createSocket({ type: "udp4", recvBufferSize: 1 << 20 });
  sockets.push(socket);
  const heard: { bytes: Uint8Array; port: number; atMs: number }[] = [];
  socket.on("message", (bytes, from) => {
    heard.push({ bytes, port: from.port, atMs: Date.now() });
    const answer = answerFor(bytes);
    if (answers && answer !== null) socket.send(answer, from.port, from.address);
  });
  await new Promise<void>((resolve) => socket.bind(0, "127.0.0.1", resolve));
  return { port: socket.address().port, heard };
}

async function live(scenario: Scenario, port: number, speed: number, signal = new AbortController().signal) {
  const outside = await thisMachine.openNetwork("127.0.0.1", port);
  const clock = { startUs: outside.nowUs(), speed };
  const play = playSite(scenario, createRandom(3), clock);
  const euis = scenario.gateways.map(({ eui }) => eui);
  const summary = await sendLive(play, euis, clock, scenario.duration, outside, signal);
  return { summary, truth: play.truth.finish(3, summary.untilUs), clock };
}

const twoGateways = (more: object = {}) =>
  site({
    duration: "0:05:00",
    gateways: [gateway(SHED, { statSeconds: 20 }), gateway(TOWER, { protocolVersion: 1 })],
    nodes: [node(), node({ name: "door", devAddr: "01F2A301", rhythmSeconds: 7 })],
    ...more,
  });

const REQUEST = {
  moment: { kind: "immediate" as const },
  rfChain: 0,
  powerDbm: 14,
  modulation: { kind: "lora" as const, spreadingFactor: 7, bandwidthHz: 125_000, codingRate: "4/5" as const },
  frequencyDeviationHz: null,
  invertedPolarity: true,
  preamble: null,
  payload: new Uint8Array(12),
  withoutCrc: true,
  implicitHeader: false,
};

describe("a live run", () => {
  it("reaches a listener through two sockets a gateway and is acknowledged", async () => {
    const { port, heard } = await listener(true);
    const { summary, truth } = await live(twoGateways(), port, 200);
    expect(heard.length).toBe(summary.sent);
    expect(summary.sent).toBe(truth.gateways.reduce((sum, { datagrams }) => sum + datagrams, 0));
    // How many of them in time is the machine's.
    expect(summary.answered).toBeGreaterThan(0);
    expect(summary.answered).toBeLessThanOrEqual(summary.answerable);
    const ports = new Map<string, Set<string>>();
    const counters = new Set<string>();
    for (const { bytes, port: from } of heard) {
      const decoded = decodeUpstream(bytes);
      if (!decoded.ok) throw new Error("a datagram cannot be read");
      const { kind, version } = decoded.datagram;
      const name = `${decoded.datagram.gatewayEui} ${kind} ${version}`;
      ports.set(name, (ports.get(name) ?? new Set()).add(String(from)));
      if (decoded.datagram.kind !== "push-data") continue;
      for (const { payload } of decoded.datagram.packets)
        counters.add(Buffer.from(payload!.subarray(1, 8)).toString("hex"));
    }
    expect([...ports.keys()].sort()).toEqual([
      `${SHED} pull-data 2`,
      `${SHED} push-data 2`,
      `${TOWER} pull-data 1`,
      `${TOWER} push-data 1`,
    ]);
    expect([...ports.values()].every(({ size }) => size === 1)).toBe(true);
    expect(new Set([...ports.values()].flatMap((from) => [...from])).size).toBe(4);
    expect(counters.size).toBe(truth.nodes.reduce((sum, { heard: count }) => sum + count, 0));
  }, 120_000);

  it("puts the share acknowledged into its status reports", async () => {
    const percents = async (answers: boolean) => {
      const { port, heard } = await listener(answers);
      await live(twoGateways(), port, 100);
      return heard.flatMap(({ bytes }) => {
        const decoded = decodeUpstream(bytes);
        const status = decoded.ok && decoded.datagram.kind === "push-data" ? decoded.datagram.status : null;
        return status === null ? [] : [status.ackPercent];
      });
    };
    expect(new Set(await percents(false))).toEqual(new Set([0]));
    const answered = await percents(true);
    expect(answered.length).toBeGreaterThan(10);
    // Not most of them: on a busy machine answers come later than a gateway waits.
    expect(answered.filter((percent) => percent! > 90)).not.toEqual([]);
  }, 120_000);

  it("dates nothing in the future: concentrator time runs with the world, not with the scenario", async () => {
    const { port, heard } = await listener(true);
    const scenario = twoGateways({ gateways: [gateway(SHED, { gpsTime: true })] });
    const { clock } = await live(scenario, port, 100);
    const packets = heard.flatMap(({ bytes, atMs }) => {
      const decoded = decodeUpstream(bytes);
      if (!decoded.ok || decoded.datagram.kind !== "push-data") return [];
      return decoded.datagram.packets.map((packet) => ({ packet, atMs }));
    });
    expect(packets.length).toBeGreaterThan(20);
    for (const { packet, atMs } of packets) {
      expect(packet.gatewayTimeUs! / 1000).toBeLessThanOrEqual(atMs + 1);
      expect(packet.gatewayTimeUs).toBeGreaterThanOrEqual(clock.startUs);
    }
    const [first, last] = [packets[0]!.packet, packets.at(-1)!.packet];
    const byCounter = (last.tmstUs! - first.tmstUs! + 2 ** 32) % 2 ** 32;
    expect(byCounter).toBeCloseTo(last.gatewayTimeUs! - first.gatewayTimeUs!, -2);
  }, 120_000);

  it("answers a PULL_RESP of the server by a TX_ACK from the socket that pulls, at once", async () => {
    const { port, heard } = await listener(true);
    const [socket] = sockets;
    const asked: number[] = [];
    socket!.on("message", (bytes, from) => {
      const decoded = decodeUpstream(bytes);
      if (!decoded.ok || decoded.datagram.kind !== "pull-data") return;
      const token = 1000 + asked.push(Date.now());
      const transmission = { ...REQUEST, frequencyHz: token % 2 === 0 ? 869_525_000 : 902_300_000 };
      socket!.send(encodePullResponse({ version: 2, token, transmission }), from.port, from.address);
    });
    const scenario = twoGateways({ duration: "0:02:00", gateways: [gateway(SHED)] });
    const { summary, truth } = await live(scenario, port, 60);
    const answers = heard.flatMap(({ bytes, port: from, atMs }) => {
      const decoded = decodeUpstream(bytes);
      return decoded.ok && decoded.datagram.kind === "tx-ack" ? [{ ...decoded.datagram, from, atMs }] : [];
    });
    expect(answers.length).toBe(summary.asked);
    expect(answers.length).toBeGreaterThan(8);
    expect(truth.gateways[0]).toMatchObject({ txAcks: answers.length, eui: SHED });
    for (const { token, outcome, gatewayEui } of answers) {
      expect(gatewayEui).toBe(SHED);
      expect(outcome).toMatchObject(
        token % 2 === 0 ? { result: "accepted" } : { result: "refused", word: "TX_FREQ" },
      );
    }
    const pulls = heard.filter(({ bytes }) => bytes[3] === 2);
    expect(new Set(answers.map(({ from }) => from))).toEqual(new Set(pulls.map((one) => one.port)));
  }, 120_000);

  it("sends on when nobody listens", async () => {
    const { port } = await listener(false);
    for (const socket of sockets.splice(0)) socket.close();
    const { summary, truth } = await live(twoGateways({ duration: "0:01:00" }), port, 100);
    expect(summary.answered).toBe(0);
    expect(summary.answerable).toBeGreaterThan(10);
    expect(lifeOf(truth).sent).toBeGreaterThan(1);
  }, 120_000);

  it("stops when told, with the truth so far", async () => {
    const { port, heard } = await listener(true);
    const controller = new AbortController();
    const told = setInterval(() => heard.length > 10 && controller.abort(), 10);
    const { summary, truth } = await live(twoGateways({ duration: "12:00:00" }), port, 50, controller.signal);
    clearInterval(told);
    expect(summary.untilUs).toBeGreaterThan(0);
    // It would have gone on for fourteen minutes.
    expect(summary.untilUs).toBeLessThan(6 * 3_600e6);
    expect(heard.length).toBe(summary.sent);
    for (const life of truth.nodes) {
      expect(life.counters.every(({ at }) => Date.parse(at) <= Date.parse(truth.to))).toBe(true);
      expect(life.expected).toBe(life.heard + life.missed);
    }
  }, 120_000);
});

describe("time", () => {
  it("waits for the moment of each datagram, and never for an answer", async () => {
    let nowUs = START_US;
    const sent: { atUs: number; socket: number }[] = [];
    let opened = 0;
    const outside: LiveOutside = {
      nowUs: () => nowUs,
      wait: (us) => {
        nowUs += us;
        return Promise.resolve();
      },
      openSocket: () => {
        const socket = opened++;
        return Promise.resolve({
          send: () => {
            sent.push({ atUs: nowUs, socket });
          },
          close: () => Promise.resolve(),
        });
      },
    };
    const scenario = site({ duration: "1:00:00" });
    const clock = { startUs: START_US, speed: 10 };
    const passages = [...playSite(scenario, createRandom(1), clock).passages];
    const play = playSite(scenario, createRandom(1), clock);
    await sendLive(play, [SHED], clock, scenario.duration, outside, new AbortController().signal);
    expect(sent.map(({ atUs }) => Math.round(atUs))).toEqual(
      passages.map(({ atUs }) => Math.round(START_US + atUs / 10)),
    );
    expect(new Set(sent.map(({ socket }) => socket))).toEqual(new Set([0, 1]));
  });
});
