/**
 * From which figure on does a check warn, and from which does it fail? One table, each entry with its basis, which is
 * shown beside the figure. Where no document gives a limit, the words "common practice, no source" say so.
 */
import type { BenchItem, BenchState } from "../../contract/index.ts";

export const LIMITS = {
  keepalives: {
    warnSeconds: 30,
    failSeconds: 120,
    warnLost: 0.01,
    failLost: 0.1,
    basis:
      "Longer than 120 s: a router may close the return path after two minutes (RFC 4787, REQ-5). Longer than 30 s, and the shares lost (1 % and 10 %): common practice, no source. The reference daemons send one every 5 s, or 10 s as configured.",
  },
  statusReports: {
    warnSeconds: 300,
    absentSeconds: 120,
    youngSeconds: 120,
    stoppedIntervals: 3,
    warnMissing: 0.01,
    failMissing: 0.1,
    basis:
      "The reference daemons report every 30 s and never stop, so that one or two are enough in the first 120 s. Missing for 120 s, rarer than every 300 s, and the shares missing (1 % and 10 %): common practice, no source.",
  },
  protocol: { basis: "Version 2 brought the answer to a downlink (TX_ACK); protocol text 1.3 and later." },
  identifier: {
    basis:
      "AA555A0000000000 and AA555A0000000101 stand in the configuration files that come with the reference daemons; all zero is what they send when none is set. Repeated octets: common practice, no source.",
  },
  oneGateway: {
    leastReadings: 10,
    warnReturns: 1,
    failReturns: 3,
    basis:
      "A counter that restarts never comes back to its old count; two gateways under one identifier go back and forth. One return: common practice, no source.",
  },
  gatewayClock: {
    warnSeconds: 5,
    failSeconds: 600,
    basis:
      "Within 5 s of arrival a gateway's time is usable, and beyond 10 min a certificate check or a schedule goes wrong: common practice, no source. Reports carry whole seconds.",
  },
  counterDrift: {
    warnPpm: 10,
    failPpm: 50,
    standstillPackets: 3,
    basis:
      "The reference daemons distrust a counter beyond ±10 ppm (timersync). Beyond ±50 ppm no concentrator's oscillator deviates: common practice, no source. A drift ten times its interval is shown at once. Three packets at one count, seconds apart, cannot be: the counter has 1 µs steps.",
  },
  restarts: {
    failCount: 3,
    loopSeconds: 600,
    basis: "Three in one window, and a loop when every 10 min or sooner: common practice, no source.",
  },
  packetTime: {
    leastPackets: 5,
    warnSeconds: 5,
    failSeconds: 600,
    warnShare: 0.01,
    failShare: 0.1,
    basis:
      "`time` is UTC at the end of reception (protocol text, section 4) and comes from GPS. Without a PPS line it is off by seconds and runs backwards (public issue 39 of the SX1301 driver). 5 s, 10 min, 1 % and 10 %: common practice, no source.",
  },
  radio: {
    warnQuietSeconds: 60,
    failQuietSeconds: 600,
    leastQuietSeconds: 30,
    leastBefore: 10,
    leastNodes: 3,
    expected: 6.91,
    basis:
      "A silence counts as deafness when 6.91 packets were to be expected: chance leaves none once in a thousand (Poisson, \u2212ln 0.001). 30 s, 60 s, 10 min and three nodes: common practice, no source.",
  },
  dataRates: {
    leastPackets: 60,
    leastNodes: 3,
    basis:
      "A concentrator hears SF7 to SF12 at once (SX1301 data sheet V2.4, SX1302 data sheet Rev 1.0). 60 packets and three nodes: common practice, no source.",
  },
  overheard: {
    least: 3,
    failShare: 0.1,
    basis:
      "Join-accepts and data frames down are sent by gateways only (LoRaWAN 1.0.4, section 4.2.1), with inverted polarity and without CRC. Three, and a tenth of all: common practice, no source.",
  },
  acknowledged: {
    warnPercent: 95,
    failPercent: 50,
    timeoutMs: 100,
    comfortableMs: 50,
    basis:
      "The gateway counts an answer within its push timeout, 100 ms in the reference daemons, and hears nothing while it waits. 95 % and 50 %: common practice, no source.",
  },
  forwarded: {
    failShare: 0.5,
    basis:
      "The reference daemons forward every packet whose CRC is right. A share under one half: common practice, no source.",
  },
  arrived: {
    failShare: 0.05,
    leastIntervals: 3,
    edgePackets: 2,
    warnUncompared: 0.1,
    basis:
      "The gateway's own count against what came: a direct proof. Two packets for each run of reports may belong to its neighbours. 5 %, and a tenth of the intervals without a report: common practice, no source.",
  },
  crcFailed: {
    leastPackets: 20,
    warnShare: 0.3,
    failShare: 0.7,
    basis:
      "Some wrong CRCs are normal: far nodes, collisions, and noise taken for a packet. 30 % and 70 %: common practice, no source.",
  },
  channels: {
    chance: 0.001,
    failShare: 0.5,
    leastElsewhere: 10,
    noisyDb: 6,
    basis:
      "Nodes spread their frames evenly over their channels (LoRaWAN 1.0.x, section 2). Silence counts when chance would explain it less than once in a thousand: common practice, no source.",
  },
  region: {
    leastPackets: 50,
    expectedShare: 0.95,
    basis:
      "Channels and data rates of the regional parameters (RP002); how surely, in words, beside the region. 95 % of the packets on a plan that was named: common practice, no source.",
  },
  overload: {
    warnDbm: -40,
    failDbm: -12,
    failGhosts: 0.1,
    basis:
      "At the radio chip +6 dBm is the absolute limit (SX1257 data sheet, RF input level; from memory). The reference design's LNA adds 18 dB (SX1302 data sheet Rev 1.0, section 3.6): \u221212 dBm at the antenna. Above about −40 dBm a concentrator decodes copies of one packet on further channels (public issue threads of the reference daemons). Copies for a tenth of all packets: common practice, no source.",
  },
  levels: {
    leastPackets: 20,
    saturatedDb: 10,
    saturatedShare: 0.9,
    basis:
      "The estimate of the SNR stops rising at +10 to +14 dB on concentrators; 20 packets of exactly one level are not measured: common practice, no source.",
  },
  noise: {
    noiseFigureDb: 6,
    warnAboveDb: 10,
    failAboveDb: 20,
    warnBelowDb: 3,
    warnApartDb: 6,
    basis:
      "−174 dBm/Hz at 290 K, plus the bandwidth, plus a receiver's noise figure of 6 dB: −117 dBm at 125 kHz. 10 dB and 20 dB above, 6 dB between channels: common practice, no source. Levels of uncalibrated gateways are off by some dB.",
  },
  order: {
    leastDatagrams: 20,
    warnShare: 0.01,
    failShare: 0.1,
    basis:
      "The protocol repeats nothing, so the same datagram twice comes from the network or from a second listener. 1 % and 10 %: common practice, no source.",
  },
  refused: { failShare: 0.01, basis: "1 % of all datagrams: common practice, no source." },
  roundTrip: {
    warnMs: 100,
    failMs: 500,
    basis:
      "A first receive window opens 1 s after an uplink, which leaves about 0.95 s for network and server together. 100 ms is the reference daemons' push timeout; 500 ms: common practice, no source.",
  },
  downlinks: {
    failShare: 0.05,
    failLeast: 20,
    allLeast: 3,
    leadMs: 50,
    basis:
      "More than 5 % refused of 20 or more: common practice, no source. The gateway needs 32.5 ms (SX1301) or 42.5 ms (SX1302) before the moment, and takes at most 512 s (jitqueue.c of the reference daemons).",
  },
} as const;

// What has a check found? The few words that every check fills in, and the item that the list shows.

export interface Found {
  readonly state: BenchState;
  readonly reason: string;
  /** With its unit; left out, a dash. */
  readonly figure?: string;
  readonly value?: number | null;
  readonly unit?: string;
  readonly advice?: string;
  /** Of a waiting item: what has yet to arrive. */
  readonly awaits?: string;
  /** Of a waiting item: about so long until that has arrived. */
  readonly awaitsSeconds?: number | null;
}

/** The item that a finding about the gateway itself makes. `basis`: where its limits come from. */
export function itemOf(id: string, title: string, basis: string, found: Found): BenchItem {
  const value = found.value ?? null;
  return {
    id,
    title,
    state: found.state,
    figure: found.figure ?? "–",
    value: value === null ? null : Math.round(value * 1000) / 1000,
    unit: found.unit ?? null,
    reason: found.reason,
    advice: found.advice ?? null,
    awaits: found.state === "waiting" ? (found.awaits ?? null) : null,
    awaitsSeconds: found.state === "waiting" ? roundedUp(found.awaitsSeconds ?? null) : null,
    basis,
    since: null,
    part: "gateway",
    channel: null,
  };
}

/** Whole seconds, and at least one: a countdown never shows nothing while something is awaited. */
function roundedUp(seconds: number | null): number | null {
  return seconds === null ? null : Math.max(1, Math.ceil(seconds));
}

/** Seconds until `missing` more have come, when `count` came in `seconds`; null before any came. */
export function secondsFor(missing: number, count: number, seconds: number): number | null {
  return count > 0 && seconds > 0 ? (missing * seconds) / count : null;
}
