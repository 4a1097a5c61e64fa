/** Gateways with one fault each, as scripted datagrams of 60 s: the check that names it, its figure and its next step. */
import { describe, expect, it } from "vitest";
import type { BenchItem, BenchView } from "../../src/contract/index.ts";
import { planChoice } from "../../src/radio/regions/plan-choice.ts";
import { openStore, type Store } from "../../src/store/open.ts";
import { Recorder } from "../../src/store/recorder.ts";
import { type BenchOptions, benchView } from "../../src/views/bench.ts";
import { encodeTxAck } from "../../src/wire/forwarder/encode.ts";
import { downFrame, handOut } from "../store/down-traffic.ts";
import { arrivalOf, decoded, phy, SHED, START_US } from "../store/traffic.ts";
import { type Bend, benched, CHANNELS_HZ, streamOf } from "./a-faulty-gateway.ts";
import { listenedSite, windowOf } from "./a-site.ts";

const MINUTE = 61;

function bench(db: Store, options: BenchOptions = {}, seconds = MINUTE, eui = SHED): BenchView {
  const view = benchView(db, windowOf(0, seconds), eui, options);
  if (view === null) throw new Error("no such gateway");
  return view;
}

function check(view: BenchView, id: string): BenchItem {
  const item = view.items.find((one) => one.id === id);
  if (item === undefined) throw new Error(`no check ${id}`);
  return item;
}

/** Checks that fail or warn. */
const faults = (view: BenchView) =>
  view.items
    .filter(({ state }) => state === "fail" || state === "warn")
    .map(({ id, state }) => `${id} ${state}`);

const answer = (atS: number, token: number, word: string | null) =>
  decoded(
    arrivalOf(
      encodeTxAck({
        version: 2,
        token,
        gatewayEui: SHED,
        outcome: { result: word === null ? "accepted" : "refused", word, powerDbm: null },
      }),
      START_US + Math.round(atS * 1e6),
    ),
  );

/** A downlink in RX1 for each of eight uplinks, which passes `leadS` before its moment, and its TX_ACK. */
const downlinks = (leadS: number, word: string | null) =>
  Array.from({ length: 8 }, (_, n) => {
    const i = 10 + n * 5;
    // The uplink of second i has the count i + 7 s; RX1 is one second later, on its channel.
    const token = 500 + n;
    const handed = handOut(
      i + 1.4 - leadS,
      i + 8,
      downFrame(`01F2B1${(16 + (i % 8)).toString(16).toUpperCase()}`, n),
      {
        token,
        frequencyHz: CHANNELS_HZ[i % 3] ?? 0,
        spreadingFactor: 7 + (i % 4),
      },
    );
    return [handed, answer(i + 1.4 - leadS + 0.005, token, word)];
  }).flat();

describe("a sound gateway", () => {
  it("passes within 60 s, without a warning", () => {
    const view = bench(benched());
    expect(faults(view)).toEqual([]);
    expect(view.verdict).toBe("pass");
    expect(check(view, "radio")).toMatchObject({ state: "pass", figure: "60 packets" });
    // Four intervals of 15 s, 15 packets each.
    expect(check(view, "arrived")).toMatchObject({ state: "pass", figure: "none lost" });
    expect(check(view, "keepalives")).toMatchObject({ state: "pass", figure: "every 5\u202Fs" });
  });
});

interface Case {
  readonly fault: string;
  readonly bend: Bend;
  readonly options?: BenchOptions;
  readonly id: string;
  readonly state: "fail" | "warn";
  readonly figure: string;
  readonly reason: RegExp;
  readonly advice: RegExp;
}

const CASES: readonly Case[] = [
  {
    fault: "hears nothing at all",
    bend: { heard: () => null },
    id: "radio",
    state: "warn",
    figure: "hears nothing",
    reason: /^Its radio counted no packet in 1\u202Fmin 1\u202Fs/,
    advice: /test node.*antenna and its connector.*channel plan and sub-band.*power/,
  },
  {
    // 20 packets in 20 s, then 40 s without any: 40 were to be expected.
    fault: "radio hangs after 20 s",
    bend: { heard: (i) => (i < 20 ? {} : null) },
    id: "radio",
    state: "fail",
    figure: "deaf for 41\u202Fs",
    reason: /still sends.*no packet in the last 41\u202Fs\. About 4[0-4] were to be expected\./,
    advice: /restart the forwarder, then cut its power/,
  },
  {
    fault: "concentrator's counter stands still",
    bend: { heard: () => ({ tmstUs: 123_456_789 }) },
    id: "counter-drift",
    state: "fail",
    figure: "stands still",
    reason: /^60 packets over 59\u202Fs have the same count, 123456789/,
    advice: /power off.*reset line/,
  },
  {
    fault: "writes local time on its packets",
    bend: { packetTimeAheadS: () => 7_200 },
    id: "packet-time",
    state: "fail",
    figure: "+2\u202Fh",
    reason: /2\u202Fh ahead of their arrival.*local time as UTC/,
    advice: /time zone to UTC/,
  },
  {
    fault: "time of its packets is out of order",
    bend: { packetTimeAheadS: (i) => (i % 3 === 0 ? -2 : 0) },
    id: "packet-time",
    state: "fail",
    // Each third packet is dated 2 s back: of 60, 20 leave the line and 20 return, but for the first.
    figure: "39 out of order",
    reason: /ran backwards or jumped at 39 of 60 packets/,
    advice: /GPS.*PPS/,
  },
  {
    fault: "restarts in a loop",
    bend: { heard: (i) => ({ tmstUs: (i % 12) * 1e6 + 5e5 }) },
    id: "restarts",
    state: "fail",
    // The counter begins again at 12, 24, 36 and 48 s.
    figure: "4",
    reason: /restarted 4 times.*in a loop, about every 12\u202Fs/,
    advice: /weak supply, heat, or a watchdog/,
  },
  {
    fault: "one channel and one data rate only",
    bend: {
      heard: () => ({ frequencyHz: 868_100_000, spreadingFactor: 7 }),
    },
    id: "channels",
    state: "fail",
    figure: "1 channel",
    reason: /^All 60 packets came on 868\.1\u202FMHz: it listens to one channel only/,
    advice: /needs all channels of its plan/,
  },
  {
    fault: "sub-band 1 where sub-band 2 is expected",
    bend: { heard: (i) => ({ frequencyHz: 902_300_000 + (i % 8) * 200_000 }) },
    options: { expected: planChoice("US915/2") },
    id: "region",
    state: "fail",
    figure: "0 of 60",
    reason: /US902-928, sub-band 2, which you expect\. It hears US915, sub-band 1\./,
    advice: /^Set the forwarder to the channels of US902-928, sub-band 2: 903\.9 to 905\.3\u202FMHz/,
  },
  {
    fault: "forwards downlinks of other gateways",
    bend: {
      beside: (i) =>
        i % 5 === 0
          ? [
              {
                payload: downFrame("01F2B140", i),
                tmstUs: i * 1e6 + 7.2e6,
                crc: "none",
                frequencyHz: 869_525_000,
              },
            ]
          : [],
    },
    id: "overheard-downlinks",
    state: "fail",
    // Seconds 0, 5 … 55 bring one each: 12 of 72.
    figure: "12 downlinks",
    reason: /12 downlinks of other gateways.*17\u202F% of 72 packets.*without a CRC/,
    advice: /forward_crc_disabled to false/,
  },
  {
    fault: "test node at −5 dBm beside the antenna",
    bend: { heard: (i) => ({ rssiDbm: -5 - (i % 2), snrDb: 9 + (i % 3) }) },
    id: "overload",
    state: "fail",
    figure: "\u22125\u202FdBm",
    reason: /above the \u221212\u202FdBm that the receiver's input takes/,
    advice: /some metres away/,
  },
  {
    // 12 of 60 datagrams with packets are lost; the reports arrive. The first packet came before the first report.
    fault: "loses a fifth of its datagrams on the way",
    bend: { isLost: (i) => i % 5 === 2 },
    id: "arrived",
    state: "fail",
    figure: "20\u202F% lost",
    reason: /forwarded 59 packets by its own count, and 47 arrived/,
    advice: /try a cable/,
  },
  {
    fault: "answers come later than push_timeout_ms",
    bend: { ackPercent: 0 },
    id: "acknowledged",
    state: "fail",
    figure: "0\u202F%",
    reason: /nothing is lost on the way here: each answer comes later than push_timeout_ms/,
    advice: /set push_timeout_ms above it/,
  },
  {
    fault: "server is late, seen by the relay",
    bend: { serverMs: 230, ackPercent: 0 },
    id: "acknowledged",
    state: "fail",
    figure: "0\u202F%",
    reason: /From this relay to the server and back it takes 2\d\d\u202Fms.*not in the gateway's own network/,
    advice: /server and the way to it; else raise push_timeout_ms in the forwarder to [34]\d0\.$/,
  },
  {
    fault: "every downlink too late, handed out too late",
    bend: { further: downlinks(0.02, "TOO_LATE") },
    id: "downlinks",
    state: "fail",
    figure: "0 of 8",
    reason: /8 × TOO_LATE\. They passed here 20\.0\u202Fms before their moment.*server sends them too late/,
    advice: /Shorten the way to the server/,
  },
  {
    fault: "every downlink too early, the host clock is wrong",
    bend: { further: downlinks(0.9, "TOO_EARLY") },
    id: "downlinks",
    state: "fail",
    figure: "0 of 8",
    reason:
      /8 × TOO_EARLY\. They passed here 900\u202Fms before their moment.*the gateway's own clock is wrong/,
    advice: /NTP/,
  },
  {
    fault: "sends keepalives nowhere: the ports are mixed up",
    bend: { withoutKeepalives: true, seconds: 150 },
    id: "keepalives",
    state: "fail",
    figure: "none",
    reason: /^No keepalive came in .* other datagrams did/,
    advice: /port for downlinks/,
  },
  {
    // Noise of −100 dBm alike on all channels: RSSI of a packet at 0 dB SNR is 3 dB above the noise.
    fault: "local noise on every channel",
    bend: { heard: (i) => ({ rssiDbm: -97 + (i % 2), snrDb: -(i % 2) * 0.5 }) },
    id: "noise",
    state: "warn",
    figure: "\u2212100\u202FdBm, +17.0\u202FdB",
    reason: /Alike on all 3 channels.*the noise is local/,
    advice: /Look for the source beside the antenna/,
  },
];

describe("a gateway with one fault is named within 60 s with its next step", () => {
  it.each(CASES.map((one) => [one.fault, one] as const))("%s", (_, one) => {
    const view = bench(benched(one.bend), one.options, (one.bend.seconds ?? 60) + 1);
    expect(check(view, one.id)).toMatchObject({
      state: one.state,
      figure: one.figure,
      reason: expect.stringMatching(one.reason),
      advice: expect.stringMatching(one.advice),
    });
    expect(view.verdict).toBe(view.items.some(({ state }) => state === "fail") ? "fail" : "warn");
    expect(["fail", "warn"]).toContain(view.verdict);
  });

  it("two boards under one identifier are one finding, and no restarts", () => {
    // Two boards in turn, of which the second began 4,000 s later.
    const view = bench(
      benched({ heard: (i) => ({ tmstUs: i % 2 === 0 ? i * 1e6 + 4_000e6 : i * 1e6 + 2e6 }) }),
    );
    expect(check(view, "one-gateway")).toMatchObject({
      state: "fail",
      figure: "2 counters",
      reason: expect.stringMatching(/2 counters in turn, back and forth 5\d times: two gateways/),
      advice: expect.stringMatching(/identifier of its own/),
    });
    expect(check(view, "restarts")).toMatchObject({ state: "waiting", awaits: null });
    expect(check(view, "counter-drift").state).toBe("waiting");
  });

  it("an identifier from the sample configuration", () => {
    const eui = "AA555A0000000000";
    const view = bench(benched({ eui }), {}, MINUTE, eui);
    expect(faults(view)).toEqual(["identifier fail"]);
    expect(check(view, "identifier").advice).toMatch(/printed on the gateway/);
  });

  it("a counter 80 ppm fast, in a quarter of an hour", () => {
    const view = bench(
      benched({ seconds: 900, heard: (i) => ({ tmstUs: Math.round(i * 1e6 * (1 + 80e-6)) + 7_000_000 }) }),
      {},
      901,
    );
    expect(faults(view)).toEqual(["counter-drift fail"]);
    expect(check(view, "counter-drift").value).toBeCloseTo(80, 0);
  });
});

describe("what is no fault", () => {
  it("a node that stops alone leaves the radio in doubt, not condemned", () => {
    const one = (i: number) => (i < 20 ? { payload: phy("01F2B110", i) } : null);
    const view = bench(benched({ heard: one }));
    expect(check(view, "radio")).toMatchObject({
      state: "warn",
      reason: expect.stringMatching(/Only 1 node had been heard, so the node may have stopped/),
    });
  });

  it("ghosts are packets that arrived, not losses", () => {
    const view = bench(
      benched({
        heard: () => ({ rssiDbm: -35, snrDb: 9 }),
        // A weak copy of the same payload on another channel at the same count.
        beside: (i, first) => [
          { ...first, frequencyHz: CHANNELS_HZ[(i + 1) % 3] ?? 0, rssiDbm: -100, snrDb: -11 },
        ],
      }),
    );
    expect(check(view, "arrived")).toMatchObject({ state: "pass", figure: "none lost" });
    expect(check(view, "overload")).toMatchObject({
      state: "fail",
      reason: expect.stringMatching(/60 weak copies/),
    });
  });

  it("an interval whose report is missing is mentioned", () => {
    // Of seven reports, 15 s apart, that of second 45 is lost; its packets arrive.
    const stream = streamOf({ seconds: 90 }).filter(({ arrival }) => arrival.atUs !== START_US + 45.6e6);
    const view = bench(benched({ seconds: -1, further: stream }), {}, 91);
    expect(check(view, "arrived").reason).toMatch(
      /^It forwarded 59 packets by its own count, and 59 arrived\. In 2 further intervals a report is missing/,
    );
  });

  it("a 25 min outage hours ago stands in the list, however many keepalives came since", () => {
    const stream = streamOf({ seconds: 20_000 }).filter(({ arrival }) => {
      const atS = (arrival.atUs - START_US) / 1e6;
      return atS < 1_000 || atS >= 2_500;
    });
    const view = bench(benched({ seconds: -1, further: stream }), {}, 20_001);
    expect(check(view, "keepalives")).toMatchObject({
      state: "warn",
      reason: expect.stringMatching(/1 silence of more than three intervals/),
    });
  }, 120_000);
});

describe("a known gateway that is silent all along", () => {
  it("fails, and the last sign of it is dated", () => {
    const db = listenedSite(
      streamOf({}).filter((one) => "decoding" in one),
      1_200,
    );
    const view = benchView(db, windowOf(600, 1_200, true), SHED);
    expect(view?.verdict).toBe("fail");
    expect(view?.items[0]).toMatchObject({
      id: "keepalives",
      state: "fail",
      figure: "silent",
      reason: expect.stringMatching(
        /^Nothing came from it in the 10\u202Fmin that were recorded; it was last heard 18\u202Fmin 59\u202Fs ago/,
      ),
    });
  });
});

describe("time that nobody recorded", () => {
  it("is no silence of the gateway", () => {
    // The service was away from 300 to 600 s; the gateway went on.
    const db = openStore(":memory:");
    const recorder = new Recorder(db);
    for (const [fromS, toS] of [
      [0, 300],
      [600, 900],
    ] as const) {
      recorder.listen(START_US + fromS * 1e6, "start");
      const heard = streamOf({ seconds: 899 }).filter(
        ({ arrival }) => arrival.atUs >= START_US + fromS * 1e6 && arrival.atUs < START_US + toS * 1e6,
      );
      for (const one of heard.sort((a, b) => a.arrival.atUs - b.arrival.atUs))
        recorder.record([{ ...one, arrival: { ...one.arrival, door: "udp" } }]);
      recorder.heartbeat(START_US + toS * 1e6 - 1, true);
    }
    const view = bench(db, {}, 900);
    expect(check(view, "keepalives")).toMatchObject({ state: "pass", figure: "every 5\u202Fs" });
    expect(check(view, "status-reports").state).toBe("pass");
    expect(check(view, "arrived").reason).not.toMatch(/missing/);
  });
});

describe("while too little came", () => {
  it("the sentence counts down to what is needed", () => {
    const view = bench(benched({ seconds: 8 }), {}, 8);
    expect(view.verdict).toBe("waiting");
    expect(view.awaited?.seconds).toBeGreaterThan(0);
    expect(view.sentence.map(({ text }) => text).join("")).toMatch(/About \d+\u202Fs more: .*\.$/);
  });

  it("one status report is enough for a young gateway", () => {
    const view = bench(benched({ seconds: 20 }), {}, 21);
    expect(check(view, "status-reports")).toMatchObject({ state: "pass", awaits: null });
    expect(check(view, "status-reports").reason).toContain("the interval is judged from three on");
  });
});
