import { describe, expect, it } from "vitest";
import { datagramOctets } from "../../src/simulate/gateway-output.ts";
import { gateway, node, packetsOf, play, SHED, START_US, site } from "./small-site.ts";

const pushes = (run: ReturnType<typeof play>) =>
  run.passages.flatMap(({ datagram, isCopy, fate, sentUs, atUs }) =>
    datagram.kind === "push-data" ? [{ ...datagram, isCopy, fate, sentUs, atUs }] : [],
  );

describe("a gateway", () => {
  it("keeps alive at its interval, up to 0.2 s late", () => {
    const run = play(site({ gateways: [gateway(SHED, { keepaliveSeconds: 25 })] }));
    const sent = run.passages
      .filter(({ datagram }) => datagram.kind === "pull-data")
      .map(({ sentUs }) => sentUs);
    expect(sent.length).toBeGreaterThan(140);
    for (const [index, sentUs] of sent.slice(1).entries()) {
      expect(sentUs - sent[index]!).toBeGreaterThanOrEqual(25e6);
      expect(sentUs - sent[index]!).toBeLessThan(25.2e6);
    }
  });

  it("reports what it heard in each interval, frames with a wrong CRC included though it keeps them", () => {
    const run = play(site({ nodes: [node({ pathGainDb: { [SHED]: -138.5 } })] }));
    const reports = pushes(run).flatMap(({ status }) => (status === null ? [] : [status]));
    expect(reports.length).toBe(119);
    const sum = (figure: "rxReceived" | "rxCrcOk" | "rxForwarded") =>
      reports.reduce((total, report) => total + report[figure]!, 0);
    const forwarded = packetsOf(run.passages).length;
    expect(sum("rxForwarded")).toBeGreaterThan(forwarded - 3);
    expect(sum("rxForwarded")).toBeLessThanOrEqual(forwarded);
    expect(sum("rxCrcOk")).toBe(sum("rxForwarded"));
    expect(sum("rxReceived")).toBeGreaterThan(sum("rxCrcOk"));
    expect(packetsOf(run.passages).every(({ packet }) => packet.crc === "ok")).toBe(true);
  });

  it("forwards frames with a wrong CRC where told, with octets that differ from what was sent", () => {
    const gateways = [gateway(SHED, { forwardsCrcBad: true })];
    const run = play(site({ gateways, nodes: [node({ pathGainDb: { [SHED]: -138.5 } })] }));
    const bad = packetsOf(run.passages).filter(({ packet }) => packet.crc === "bad");
    expect(bad.length).toBeGreaterThan(5);
    for (const { packet, transmission } of bad) expect(packet.payload).not.toEqual(transmission.payload);
    expect(run.truth.gateways[0]!.crcBad).toBe(bad.length);
    expect(run.truth.nodes[0]!.receptions).toBe(packetsOf(run.passages).length - bad.length);
  });

  it("counts microseconds with its own drift", () => {
    const run = play(site({ gateways: [gateway(SHED, { clockDriftPpm: 8, uptimeSeconds: 0 })] }));
    for (const { packet, transmission } of packetsOf(run.passages)) {
      expect(packet.tmstUs! - transmission.endUs * (1 + 8e-6)).toBeGreaterThan(-1.001);
      expect(packet.tmstUs! - transmission.endUs * (1 + 8e-6)).toBeLessThan(0.001);
    }
  });

  it("wraps its counter after 2^32 microseconds", () => {
    const run = play(site({ gateways: [gateway(SHED, { uptimeSeconds: 4000 })] }));
    const ticks = packetsOf(run.passages).map(({ packet }) => packet.tmstUs!);
    expect(ticks.every((tick) => tick >= 0 && tick < 2 ** 32 && Number.isInteger(tick))).toBe(true);
    expect(ticks.filter((tick, index) => index > 0 && tick < ticks[index - 1]!)).toHaveLength(1);
  });

  it("sees all carriers shifted by its own drift, against its sign", () => {
    const mean = (clockDriftPpm: number) => {
      const gateways = [gateway(SHED, { clockDriftPpm })];
      const offsets = packetsOf(play(site({ gateways, nodes: [node({ crystalPpm: 2 })] })).passages).map(
        ({ packet }) => packet.signals[0]!.frequencyOffsetHz!,
      );
      return offsets.reduce((sum, value) => sum + value, 0) / offsets.length;
    };
    expect(mean(0)).toBeCloseTo(2 * 868.3, -1.5);
    expect(mean(3) - mean(0)).toBeCloseTo(-3 * 868.3, -1.5);
  });

  it("gives GPS time only where it has it, UTC and GPS 18 leap seconds apart", () => {
    const run = play(site({ gateways: [gateway(SHED, { gpsTime: true })] }));
    for (const { packet, transmission } of packetsOf(run.passages)) {
      expect(packet.gatewayTimeUs).toBe(START_US + transmission.endUs);
      const unixMs = Math.floor(packet.gatewayTimeUs! / 1000);
      expect(packet.gpsTimeMs).toBe(unixMs - Date.UTC(1980, 0, 6) + 18_000);
    }
    expect(packetsOf(play(site()).passages)[0]!.packet).toMatchObject({
      gatewayTimeUs: null,
      gpsTimeMs: null,
    });
  });

  it("writes the keys of its hardware and its protocol version", () => {
    const body = (more: object) => {
      const run = play(site({ gateways: [gateway(SHED, more)] }));
      const passage = run.passages.find(
        ({ datagram }) => datagram.kind === "push-data" && datagram.packets.length > 0,
      )!;
      const octets = datagramOctets(passage.gatewayEui, passage.datagram, 0);
      const json = JSON.parse(Buffer.from(octets.subarray(12)).toString());
      return { version: octets[0], keys: Object.keys(json.rxpk[0]) };
    };
    expect(body({ hardware: "sx1301", protocolVersion: 1 })).toEqual({
      version: 1,
      keys: "tmst chan rfch freq stat modu datr codr lsnr rssi size data".split(" "),
    });
    expect(body({ hardware: "sx1302" }).keys).toEqual(expect.arrayContaining(["rssis", "foff", "mid"]));
  });

  it("reports each antenna that read a frame; both count as receptions of one frame", () => {
    const gateways = [gateway(SHED, { antennas: [{}, { gainDb: -3.5 }] })];
    const run = play(site({ gateways, nodes: [node({ fastFadingDb: 0, pathGainDb: { [SHED]: -120 } })] }));
    const packets = packetsOf(run.passages);
    expect(packets.every(({ packet }) => packet.signals.length === 2)).toBe(true);
    const differences = packets.map(({ packet: { signals } }) => signals[0]!.snrDb! - signals[1]!.snrDb!);
    const life = run.truth.nodes[0]!;
    expect(life.receptions).toBe(2 * life.heard);
    expect(differences.reduce((sum, value) => sum + value, 0) / differences.length).toBeGreaterThan(0.5);
  });

  it("sends at most eight packets in a datagram as SX1301, and all that it has", () => {
    const nodes = Array.from({ length: 30 }, (_, index) =>
      node({
        name: `probe ${index}`,
        devAddr: `01F2A1${String(index).padStart(2, "0")}`,
        rhythmSeconds: 1,
        channelsHz: [868_100_000 + 200_000 * (index % 3)],
      }),
    );
    const run = play(site({ duration: 600, nodes, gateways: [gateway(SHED, { hardware: "sx1301" })] }));
    const sizes = pushes(run).map(({ packets }) => packets.length);
    expect(Math.max(...sizes)).toBeGreaterThan(1);
    expect(Math.max(...sizes)).toBeLessThanOrEqual(8);
  });
});

describe("the way to the listener", () => {
  const network = (more: object) => play(site({ network: more, nodes: [node({ rhythmSeconds: 5 })] }));

  it("loses, doubles and delays the share that was told", () => {
    const lost = network({ lossShare: 0.2 });
    expect(pushes(lost).filter(({ fate }) => fate === "lost").length / pushes(lost).length).toBeCloseTo(
      0.2,
      1,
    );
    expect(
      lost.truth.nodes[0]!.counters.filter(({ fate }) => fate === "datagram-lost").length,
    ).toBeGreaterThan(80);
    const doubled = network({ duplicateShare: 0.3 });
    const copies = pushes(doubled).filter(({ isCopy }) => isCopy);
    expect(copies.length / (pushes(doubled).length - copies.length)).toBeCloseTo(0.3, 1);
    expect(doubled.truth.nodes[0]!).toMatchObject({ missed: 0, repeats: 0 });
    expect(doubled.truth.nodes[0]!.receptions).toBe(doubled.truth.nodes[0]!.heard);
    const late = pushes(network({ lateShare: 0.25, lateSeconds: 40, jitterMs: 0 }));
    expect(late.filter(({ sentUs, atUs }) => atUs - sentUs > 39e6).length / late.length).toBeCloseTo(0.25, 1);
  });

  it("lets datagrams overtake one another without losing any", () => {
    const run = network({ reorderShare: 0.2 });
    const sent = pushes(run).map(({ sentUs }) => sentUs);
    const overtaken = sent.filter((sentUs, index) => index > 0 && sentUs < sent[index - 1]!);
    expect(overtaken.length / sent.length).toBeGreaterThan(0.08);
    expect(run.truth.nodes[0]!.missed).toBe(0);
  });
});
