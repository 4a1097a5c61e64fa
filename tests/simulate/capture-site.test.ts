import { describe, expect, it } from "vitest";
import type { Arrival } from "../../src/model/datagram.ts";
import { playSite } from "../../src/simulate/play-site.ts";
import type { Scenario } from "../../src/simulate/scenario.ts";
import { captureOctets, captureSite } from "../../src/simulate/site-output.ts";
import { createRandom } from "../../src/simulate/time-and-chance.ts";
import { createCaptureDecoder } from "../../src/wire/capture/capture-decoder.ts";
import { decodeUpstream } from "../../src/wire/forwarder/upstream.ts";
import { gateway, node, SHED, START_US, site, TOWER } from "./small-site.ts";

function capture(scenario: Scenario, seed = 1) {
  const clock = { startUs: START_US, speed: 1 };
  const play = playSite(scenario, createRandom(seed), clock);
  const datagrams = captureSite(play, scenario, clock);
  return { datagrams, truth: play.truth.finish(seed, scenario.duration) };
}

const busy = () =>
  site({
    network: { lossShare: 0.05, duplicateShare: 0.05, latencyMs: 10 },
    gateways: [gateway(SHED), gateway(TOWER, { address: "198.51.100.77" })],
    nodes: [node(), node({ name: "door", devAddr: "01F2A301", rhythmSeconds: 9 })],
    events: [{ event: "gateway-backhaul-outage", gateway: SHED, from: "0:20:00", to: "0:30:00" }],
  });

describe("a capture", () => {
  it("is the same, octet for octet, for the same scenario and seed", () => {
    const octets = captureOctets(capture(busy()).datagrams);
    expect(Buffer.compare(octets, captureOctets(capture(busy()).datagrams))).toBe(0);
    expect(Buffer.compare(octets, captureOctets(capture(busy(), 2).datagrams))).not.toBe(0);
  });

  it("reads back as what was written", () => {
    const { datagrams } = capture(busy());
    const decoder = createCaptureDecoder();
    const items = [...decoder.push(captureOctets(datagrams)), ...decoder.end()];
    const arrivals = items.map((item): Omit<Arrival, "door"> => {
      if (item.kind !== "datagram") throw new Error(`a ${item.kind} in the capture`);
      const { atUs, from, to, bytes } = item.arrival;
      return { atUs, from, to, bytes: Uint8Array.from(bytes) };
    });
    expect(arrivals.length).toBe(datagrams.length);
    expect(arrivals).toEqual(
      datagrams.map((datagram) => ({ ...datagram, bytes: Uint8Array.from(datagram.bytes) })),
    );
  });

  it("holds what reached the listener, each datagram with its acknowledgement, in order of time", () => {
    const { datagrams, truth } = capture(busy());
    const upstream = datagrams.filter(({ to }) => to.port === 1700);
    expect(upstream.length).toBe(
      truth.gateways.reduce((sum, gatewayTruth) => sum + gatewayTruth.datagrams, 0),
    );
    expect(datagrams.length).toBe(2 * upstream.length);
    expect(datagrams.every(({ atUs }, index) => index === 0 || atUs >= datagrams[index - 1]!.atUs)).toBe(
      true,
    );
    expect(new Set(upstream.map(({ from }) => from.address))).toEqual(
      new Set(["198.51.100.11", "198.51.100.77"]),
    );
    expect(new Set(upstream.map(({ from }) => from.port)).size).toBe(4);
  });

  it("tells in status reports what share was acknowledged, less after an outage", () => {
    const percents = capture(busy()).datagrams.flatMap(({ bytes, to, atUs }) => {
      const decoded = to.port === 1700 ? decodeUpstream(bytes) : null;
      if (decoded === null || !decoded.ok || decoded.datagram.kind !== "push-data") return [];
      const { status, gatewayEui } = decoded.datagram;
      return status === null || gatewayEui !== SHED ? [] : [{ percent: status.ackPercent!, atUs }];
    });
    const whole = percents.filter(({ percent }) => percent === 100).length;
    expect(whole / percents.length).toBeGreaterThan(0.5);
    expect(percents.every(({ percent }) => percent >= 0 && percent <= 100)).toBe(true);
    const first = percents.find(({ atUs }) => atUs >= START_US + 1800e6)!;
    expect(first.percent).toBeLessThan(100);
  });

  it("shows no acknowledgement in time on a way that is longer than the daemon waits", () => {
    const slow = site({ network: { latencyMs: 60, jitterMs: 0 } });
    const percents = capture(slow).datagrams.flatMap(({ bytes, to }) => {
      const decoded = to.port === 1700 ? decodeUpstream(bytes) : null;
      if (decoded === null || !decoded.ok || decoded.datagram.kind !== "push-data") return [];
      return decoded.datagram.status === null ? [] : [decoded.datagram.status.ackPercent];
    });
    expect(percents.length).toBeGreaterThan(100);
    expect(new Set(percents)).toEqual(new Set([0]));
  });
});
