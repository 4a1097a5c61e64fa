/** The way back at Fennick Orchard, as the service would tell it: invented, and of every state something. */
import type {
  DownlinkRow,
  DownlinksView,
  DownlinkTestAnswer,
  DownlinkTestPlan,
  GatewayDownlinks,
  NodeAnswers,
  Passage,
} from "../../src/contract/index.ts";

const iso = (ms: number) => new Date(ms).toISOString();

export function gatewayDownlinks(part: Partial<GatewayDownlinks> = {}): GatewayDownlinks {
  return {
    standing: "look",
    clause: "4 of 61 timed downlinks came too late",
    server: { state: "answering", words: "the server answers" },
    push: {
      asked: 3_812,
      answered: 3_806,
      lost: 6,
      lostRatio: 6 / 3_812,
      medianMs: 21.5,
      p99Ms: 72.4,
      overPatience: 3,
    },
    pull: { asked: 360, answered: 360, lost: 0, lostRatio: 0, medianMs: 21.5, p99Ms: 51.2, overPatience: 0 },
    tripMeaning:
      "Measured at this relay: from here to the server and back. The way from the gateway to here is not in it.",
    oneSided: 0,
    asked: 63,
    outcomes: [
      { outcome: "accepted", word: null, words: "taken for sending", count: 57 },
      { outcome: "refused", word: "TOO_LATE", words: "refused: came too late", count: 4 },
      { outcome: "unanswered", word: null, words: "the gateway did not say", count: 2 },
    ],
    windows: [
      { window: "rx1", words: "RX1", count: 52 },
      { window: "join-rx1", words: "join, RX1", count: 6 },
      { window: "rx2", words: "RX2", count: 5 },
    ],
    timed: 61,
    late: 4,
    lateShare: 4 / 61,
    lead: { medianMs: 612.4, p10Ms: 88.1, leastMs: -61.2, count: 63 },
    transmitBasis: "confirmed",
    transmitSeconds: 9.4,
    unconfirmedSeconds: 0,
    transmitShare: 0.0026,
    deafSeconds: 9.46,
    budgets: [
      {
        subBand: "M",
        fromHz: 868_000_000,
        toHz: 868_600_000,
        airtimeSeconds: 8.1,
        share: 0.00225,
        limit: 0.01,
        text: "At most 1 % of an hour for one transmitter from 868 to 868.6 MHz.",
        source: "LoRaMac-node region bands; ERP of EN 300 220-2 from memory",
        standing: "good",
      },
      {
        subBand: "P",
        fromHz: 869_400_000,
        toHz: 869_650_000,
        airtimeSeconds: 1.3,
        share: 0.00036,
        limit: 0.1,
        text: "At most 10 % of an hour for one transmitter from 869.4 to 869.65 MHz.",
        source: "LoRaMac-node region bands; ERP of EN 300 220-2 from memory",
        standing: "good",
      },
    ],
    caution:
      "An indication from public tables, not a statement of conformity: local rules and newer editions prevail.",
    ...part,
  };
}

export function nodeAnswers(nowMs: number): NodeAnswers {
  return {
    seen: true,
    sentence:
      "4 of 6 confirmed uplinks were answered; the join-request was accepted; 1 of 2 data-rate commands took effect.",
    confirmed: { sent: 6, answered: 4 },
    joins: { requested: 1, accepted: 1 },
    commands: { asked: 2, effective: 1 },
    rows: [
      {
        at: iso(nowMs - 240_000),
        what: "confirmed uplink",
        counter: 1_241,
        fate: "late",
        standing: "bad",
        words: "sent 3 times; the answer came too late to be sent",
      },
      {
        at: iso(nowMs - 840_000),
        what: "confirmed uplink",
        counter: 1_231,
        fate: "answered",
        standing: "good",
        words: "sent once, answered",
      },
      {
        at: iso(nowMs - 900_000),
        what: "data-rate command",
        counter: 12,
        fate: "without effect",
        standing: "bad",
        words: "The network asked for data rate 4; the next 3 uplinks did not answer it",
      },
    ],
    rowsCut: false,
  };
}

export function downlinksView(nowMs: number): DownlinksView {
  const row = (part: Partial<DownlinkRow>): DownlinkRow => ({
    id: 1,
    at: iso(nowMs - 60_000),
    gatewayEui: "02005E1000000001",
    gatewayName: "packing shed",
    messageType: "UnconfirmedDataDown",
    devAddr: "01A2B3C4",
    counter: 12,
    ack: true,
    window: "rx1",
    windowWords: "RX1",
    delaySeconds: 1,
    uplinkAt: iso(nowMs - 60_400),
    leadMs: 557.5,
    frequencyHz: 868_300_000,
    dataRate: "SF9BW125",
    powerDbm: 14,
    airtimeMs: 144.384,
    size: 12,
    hex: "60C4B3A201A00C00AABBCCDD",
    commands: [],
    outcome: "accepted",
    word: null,
    outcomeWords: "taken for sending",
    answeredAfterMs: 4.1,
    standing: "good",
    ...part,
  });
  return {
    window: { from: iso(nowMs - 3_600_000), to: iso(nowMs), live: true },
    sentence: [{ text: "3 downlinks: 1 refused." }],
    downlinks: [
      row({}),
      row({
        id: 2,
        at: iso(nowMs - 240_000),
        window: "rx2",
        windowWords: "RX2",
        delaySeconds: 2,
        leadMs: -61.2,
        frequencyHz: 869_525_000,
        dataRate: "SF12BW125",
        airtimeMs: 1_155.072,
        outcome: "refused",
        word: "TOO_LATE",
        outcomeWords: "refused: came too late",
        standing: "bad",
      }),
      row({
        id: 3,
        at: iso(nowMs - 900_000),
        messageType: "JoinAccept",
        devAddr: null,
        counter: null,
        ack: false,
        window: "join-rx1",
        windowWords: "join, RX1",
        delaySeconds: 5,
        leadMs: 4_320,
        size: 17,
      }),
    ],
    cut: false,
  };
}

export function passage(part: Partial<Passage> = {}): Passage {
  return {
    standing: "good",
    words: "Relaying to ns.example:1700, answering; 2 gateways.",
    upstreams: [
      {
        host: "ns.example",
        port: 1700,
        address: "192.0.2.10",
        role: "server",
        state: "answering",
        standing: "good",
        words: "answering",
        sent: 4_211,
        unsent: 0,
        received: 4_268,
        refusals: 0,
        lastAnswerAt: iso(Date.now() - 3_000),
      },
    ],
    gateways: 2,
    associations: 4,
    up: 4_211,
    down: 4_268,
    notRelayed: [
      { reason: "unreadable", words: "no readable head, from a source that never sent one", count: 3 },
    ],
    strayDownlinks: 0,
    notRecorded: 0,
    ...part,
  };
}

export function testPlan(gatewayEui: string, forbidden = ""): DownlinkTestPlan {
  const rates = ["SF7BW125", "SF8BW125", "SF9BW125", "SF10BW125", "SF11BW125", "SF12BW125"];
  return {
    gatewayEui,
    allowed: forbidden === "",
    why: forbidden,
    region: "EU868",
    channels: [
      {
        frequencyHz: 868_300_000,
        dataRates: rates,
        mostPowerDbm: 14,
        text: "At most 1 % of an hour for one transmitter from 868 to 868.6 MHz.",
        source: "LoRaMac-node region bands; ERP of EN 300 220-2 from memory",
      },
      {
        frequencyHz: 869_525_000,
        dataRates: rates,
        mostPowerDbm: 27,
        text: "At most 10 % of an hour for one transmitter from 869.4 to 869.65 MHz.",
        source: "LoRaMac-node region bands; ERP of EN 300 220-2 from memory",
      },
    ],
    cautions: [
      "The rules of the region and a licence-exempt band's limits apply.",
      "Nothing is transmitted unless you confirm it.",
      "Never key a transmitter without an antenna or a load.",
    ],
    calledSecondsAgo: 4.1,
  };
}

export function testAnswer(nowMs: number): DownlinkTestAnswer {
  return {
    at: iso(nowMs),
    outcome: "accepted",
    word: null,
    words: "taken for sending",
    standing: "good",
    answeredAfterMs: 4.2,
    sentPowerDbm: null,
    airtimeMs: 144.384,
    to: "192.0.2.10 40212",
    hex: "E06D6173746C6F6774657374",
  };
}
