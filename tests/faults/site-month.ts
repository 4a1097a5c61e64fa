/**
 * A site for the soak: three gateways and ten nodes that send rarely, to which everything happens that the simulator
 * can do, evenly spread over a duration.
 */

const SHED = "02005E1000000001";
const TOWER = "02005E1000000002";
const HEDGE = "02005E1000000003";
const CHANNELS_HZ = [868_100_000, 868_300_000, 868_500_000, 867_100_000, 867_300_000, 867_500_000];

/** The scenario as its file says it, of so many seconds. */
export function siteMonth(durationSeconds: number): object {
  const at = (share: number): number => Math.round(share * durationSeconds);
  /** A stretch from a share of the time on, so long or to the end of its share of the time. */
  const stretch = (share: number, seconds: number) => ({
    from: at(share),
    to: at(share) + Math.max(1, Math.min(seconds, at(0.03))),
  });
  const gateway = (eui: string, name: string, more: object = {}) => ({
    ...{ eui, name, keepaliveSeconds: 60, statSeconds: 300 },
    ...more,
  });
  const node = (n: number, rhythmSeconds: number, gains: [number, number, number | null], more = {}) => ({
    name: `Probe ${n}`,
    devAddr: `01F2B1${n.toString(16).toUpperCase().padStart(2, "0")}`,
    ...{ rhythmSeconds, payloadBytes: 8, spreadingFactor: 7 + (n % 4) },
    pathGainDb: { [SHED]: gains[0], [TOWER]: gains[1], [HEDGE]: gains[2] },
    ...more,
  });
  return {
    ...{ title: "Fennick Orchard, everything at once", site: "Fennick Orchard" },
    ...{ start: "2026-03-01T00:00:00Z", duration: durationSeconds, seed: 3_010 },
    channelsHz: CHANNELS_HZ,
    firstFrameWithinSeconds: 60,
    network: {
      ...{ latencyMs: 60, jitterMs: 30, lossShare: 0.01 },
      ...{ duplicateShare: 0.02, reorderShare: 0.02, lateShare: 0.005, lateSeconds: 40 },
    },
    server: { adr: { afterFrames: 20, marginDb: 10 } },
    gateways: [
      gateway(SHED, "Packing shed", { clockDriftPpm: 12, forwardsCrcBad: true }),
      gateway(TOWER, "Water tower", { hardware: "sx1301", gpsTime: true, antennas: [{}, { gainDb: -4 }] }),
      gateway(HEDGE, "Hedge", { protocolVersion: 1, ghostShare: 0.05 }),
    ],
    nodes: [
      node(1, 600, [-104, -118, -125]),
      node(2, 700, [-118, -110, null]),
      node(3, 800, [-127, -131, -122], { fastFadingDb: 2.5, transmissions: 2, repeatSeconds: 20 }),
      node(4, 900, [-125, -120, -130], { confirmed: true }),
      node(5, 650, [-112, -119, -121], { startCounter: 65_530 }),
      node(6, 750, [-116, -121, -110], { activation: "otaa", devEui: "02005E1000000036" }),
      node(7, 600, [-121, -117, -124], { activation: "otaa", devEui: "02005E1000000037" }),
      node(8, 700, [-123, -116, -119], { schedule: "random" }),
      node(9, 850, [-117, -123, -128], { constantPayload: true }),
      node(10, 950, [-114, -122, -116], { schedule: "clock", clockPpm: 60 }),
    ],
    strangers: [node(60, 900, [-124, -126, -129], { devAddr: "00C2B160" })],
    events: [
      { event: "gateway-backhaul-outage", gateway: SHED, ...stretch(0.03, 7_200) },
      { event: "gateway-power-outage", gateway: TOWER, ...stretch(0.07, 5_400) },
      { event: "node-reset", node: "Probe 1", at: at(0.1) },
      { event: "node-rejoin", node: "Probe 6", at: at(0.13), devAddr: "01F2B166", joinRequests: 3 },
      { event: "node-link-adr", node: "Probe 2", at: at(0.15), spreadingFactor: 10 },
      { event: "node-status", node: "Probe 3", at: at(0.17), battery: 40, marginDb: 4 },
      { event: "node-silent", node: "Probe 4", ...stretch(0.2, 20_000) },
      { event: "fading-link", node: "Probe 5", ...stretch(0.24, 50_000), until: at(0.3), changeDb: -20 },
      { event: "interferer", frequencyHz: 868_300_000, ...stretch(0.28, 20_000), noiseRiseDb: 20 },
      {
        event: "gateway-unreachable",
        gateway: HEDGE,
        ...stretch(0.32, 9_000),
        lossShare: 0.8,
        burstSeconds: 60,
      },
      { event: "gateway-restarted", gateway: SHED, at: at(0.36), seconds: 30 },
      { event: "gateway-deaf", gateway: TOWER, ...stretch(0.4, 12_000), counterStands: true },
      { event: "gateway-weakened", gateway: HEDGE, ...stretch(0.44, 40_000), lossDb: 14 },
      { event: "backhaul-loss", gateway: SHED, ...stretch(0.48, 20_000), lossShare: 0.3, burstSeconds: 5 },
      { event: "node-restarted", node: "Probe 8", at: at(0.52), silentSeconds: 90 },
      { event: "rejoin-loop", node: "Probe 7", ...stretch(0.56, 6_000), everySeconds: 40, dataFrames: 2 },
      { event: "weak-link", node: "Probe 9", ...stretch(0.6, 40_000), lossDb: 22, rampSeconds: 300 },
      { event: "interference", ...stretch(0.64, 15_000), noiseRiseDb: 15, periodSeconds: 60, onShare: 0.3 },
      { event: "congestion", ...stretch(0.68, 3_600), load: 0.1, devices: 40 },
      {
        ...{ event: "channel-mismatch", node: "Probe 10", ...stretch(0.72, 20_000) },
        channelsHz: [867_500_000],
      },
      { event: "gateway-transmitting", gateway: TOWER, ...stretch(0.76, 4_000), share: 0.4 },
      { event: "shared-address", node: "Probe 1", ...stretch(0.8, 50_000), rhythmSeconds: 500 },
      // Two at once, as it happens.
      { event: "gateway-backhaul-outage", gateway: HEDGE, ...stretch(0.9, 9_000) },
      { event: "gateway-restarted", gateway: TOWER, at: at(0.91), seconds: 120 },
    ],
  };
}
