/**
 * From which figure on does a check warn, and from which does it fail? One table, each entry with its basis, which is
 * shown beside the figure. Where no document gives a limit, the words "common practice, no source" say so.
 */

export const LIMITS = {
  keepalives: {
    warnSeconds: 30,
    failSeconds: 120,
    warnLost: 0.01,
    failLost: 0.1,
    silentIntervals: 3,
    silentSeconds: 30,
    basis:
      "Longer than 120 s: a router may forget the way back after two minutes (RFC 4787, REQ-5). Longer than 30 s, and the shares lost (1 % and 10 %): common practice, no source. The reference daemons send one every 5 s, or 10 s as configured.",
  },
  statusReports: {
    warnSeconds: 300,
    absentSeconds: 120,
    stoppedIntervals: 3,
    basis:
      "The reference daemons report every 30 s and never stop. Missing for 120 s, or rarer than every 300 s: common practice, no source.",
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
      "A counter that begins anew never comes back to its old count; two gateways under one identifier go back and forth. One return: common practice, no source.",
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
    basis:
      "The reference daemons distrust a counter beyond ±10 ppm (timersync). Beyond ±50 ppm no concentrator's oscillator strays: common practice, no source.",
  },
  restarts: { failCount: 3, basis: "Three in one window: common practice, no source." },
  acknowledged: {
    warnPercent: 95,
    failPercent: 50,
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
    basis:
      "The gateway's own count against what came: a direct proof, less one interval's packets for the edges. 5 %: common practice, no source.",
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
    quietSeconds: 600,
    basis:
      "Nodes spread their frames evenly over their channels (LoRaWAN 1.0.x, section 2). Silence counts when chance would explain it less than once in a thousand: common practice, no source.",
  },
  region: {
    leastPackets: 50,
    basis:
      "Channels and data rates of the regional parameters (RP002); how surely, in words, beside the region.",
  },
  overload: {
    warnDbm: -40,
    failGhosts: 0.1,
    basis:
      "Above about −40 dBm a concentrator decodes copies of one packet on further channels (public issue threads of the reference daemons). Copies for a tenth of all packets: common practice, no source.",
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
    basis: "More than 5 % refused of 20 or more: common practice, no source.",
  },
} as const;
