/** The figures of each check and both sides of each of its limits. Worked out by hand from the evidence. */
import { describe, expect, it } from "vitest";
import type { BenchItem } from "../../../src/contract/index.ts";
import {
  awaitedOf,
  type BenchEvidence,
  benchSentence,
  judgeBench,
} from "../../../src/diagnosis/bench/judge.ts";
import { type Change, changed, judged, SOUND } from "./a-sound-gateway.ts";

const plain = (text: string | null) => (text === null ? null : text.replaceAll(/[\u202F\u00A0]/g, " "));
const of = (id: string, change: Change) => judged(id, changed(change));
const states = (id: string, ...changes: readonly Change[]) => changes.map((change) => of(id, change).state);
/** Figure, value and unit as they are shown. */
const shown = (id: string, change: Change) => {
  const { figure, value, unit } = of(id, change);
  return [plain(figure), value, unit];
};
/** What is waited for, and how long. */
const awaited = (id: string, change: Change) => {
  const { state, awaits, awaitsSeconds } = of(id, change);
  return [state, plain(awaits), awaitsSeconds];
};
const reason = (id: string, change: Change) => plain(of(id, change).reason);
const times = <T>(count: number, one: (i: number) => T) => Array.from({ length: count }, (_, i) => one(i));

describe("keepalives", () => {
  const item = (keepalives: Partial<BenchEvidence["keepalives"]>): Change => ({ keepalives });
  const none = { count: 0, intervalSeconds: null, sinceNewestSeconds: null };

  it("are shown with their interval", () => {
    expect(shown("keepalives", {})).toEqual(["every 10.1 s", 10.1, "s"]);
    expect(reason("keepalives", {})).toBe("60 keepalives, one every 10.1 s, none missing.");
    expect(reason("keepalives", item({ lost: 0, count: 9, intervalSeconds: 10 }))).toBe(
      "9 keepalives, one every 10 s, none missing.",
    );
    expect(shown("keepalives", item({ intervalSeconds: 119.96, sinceNewestSeconds: 1 }))[0]).toBe(
      "every 120 s",
    );
    expect(shown("keepalives", item({ intervalSeconds: 120, sinceNewestSeconds: 1 }))[0]).toBe("every 2 min");
  });

  it("come too seldom above 30 s, and fail above 120 s", () => {
    const every = (intervalSeconds: number) => item({ intervalSeconds, sinceNewestSeconds: 1 });
    expect(states("keepalives", every(30), every(30.1), every(120), every(120.1))).toEqual([
      "pass",
      "warn",
      "warn",
      "fail",
    ]);
  });

  it("are lost above 1 %, and fail above 10 %, of ten and more", () => {
    const lost = (count: number, missing: number) => item({ count, lost: missing });
    expect(states("keepalives", lost(99, 1), lost(98, 2), lost(90, 10), lost(89, 11))).toEqual([
      "pass",
      "warn",
      "warn",
      "fail",
    ]);
    expect(states("keepalives", lost(8, 1), lost(9, 1), lost(8, 2))).toEqual(["pass", "warn", "fail"]);
    expect(reason("keepalives", lost(99, 1))).toBe("99 keepalives, one every 10.1 s.");
  });

  it("have silences told, apart from the single ones that are missing", () => {
    const silent = (silences: number, lost: number) =>
      reason("keepalives", item({ silences, lost, count: 97 }));
    expect(silent(2, 3)).toBe(
      "2 silences of more than three intervals; apart from that 3 of 100 keepalives are missing (3.0 %).",
    );
    expect(silent(1, 0)).toBe("1 silence of more than three intervals.");
    expect(silent(0, 3)).toBe("3 of 100 keepalives are missing (3.0 %).");
  });

  it("fail where the newest is older than an outage", () => {
    expect(
      states("keepalives", item({ sinceNewestSeconds: 30 }), item({ sinceNewestSeconds: 30.1 })),
    ).toEqual(["pass", "fail"]);
  });

  it("are waited for until three have come, ten seconds each", () => {
    const few = (count: number) => awaited("keepalives", item({ ...none, count, followedSeconds: 20 }));
    expect(few(0)).toEqual(["waiting", "3 more keepalives", 30]);
    expect(few(1)).toEqual(["waiting", "2 more keepalives", 20]);
    expect(few(2)).toEqual(["waiting", "1 more keepalive", 10]);
    expect(few(3)).toEqual(["waiting", "1 more keepalive", 10]);
  });

  it("fail where none came in 120 s though others did, or where nothing came at all", () => {
    const others = (followedSeconds: number) => item({ ...none, followedSeconds, others: 1 });
    expect(states("keepalives", others(119), others(120))).toEqual(["waiting", "fail"]);
    const nothing = (recordedSeconds: number) =>
      item({ ...none, others: 0, recordedSeconds, lastHeardSeconds: 90 });
    expect(shown("keepalives", nothing(30))[0]).toBe("silent");
    expect(awaited("keepalives", nothing(29))).toEqual(["waiting", "three keepalives", null]);
  });
});

describe("status reports", () => {
  const item = (status: Partial<BenchEvidence["status"]>): Change => ({ status });

  it("are shown with their interval, and those that are missing", () => {
    expect(shown("status-reports", {})).toEqual(["every 30 s", 30, "s"]);
    expect(reason("status-reports", item({ count: 99, missing: 1 }))).toBe(
      "99 reports, one every 30 s; 1 missing.",
    );
  });

  it("are two in the first two minutes, and judged from three on", () => {
    const young = (count: number, followedSeconds: number) =>
      of("status-reports", item({ count, followedSeconds, intervalSeconds: null, sinceNewestSeconds: 5 }));
    expect([young(1, 119).state, young(1, 120).state]).toEqual(["pass", "waiting"]);
    expect(plain(young(1, 60).reason)).toBe(
      "1 report in the first 1 min; the interval is judged from three on.",
    );
    expect(plain(young(2, 60).reason)).toBe(
      "2 reports in the first 1 min; the interval is judged from three on.",
    );
    const odd = of("status-reports", item({ count: 2, odd: 1, followedSeconds: 60, intervalSeconds: null }));
    expect(odd.state).toBe("waiting");
  });

  it("are waited for, 30 s each, less what has passed since the newest", () => {
    const wait = (count: number, sinceNewestSeconds: number | null, followedSeconds = 110) =>
      awaited(
        "status-reports",
        item({ count, odd: 1, intervalSeconds: null, sinceNewestSeconds, followedSeconds }),
      );
    expect(wait(0, null, 20)).toEqual(["waiting", "1 more status report", 10]);
    expect(wait(0, null, 110)).toEqual(["waiting", "1 more status report", 1]);
    expect(wait(1, 5)).toEqual(["waiting", "2 more status reports", 55]);
    expect(wait(2, 12)).toEqual(["waiting", "1 more status report", 18]);
    expect(wait(2, 90)).toEqual(["waiting", "1 more status report", 1]);
    const none = (followedSeconds: number) =>
      item({ count: 0, intervalSeconds: null, sinceNewestSeconds: null, followedSeconds });
    expect(states("status-reports", none(119), none(120))).toEqual(["waiting", "warn"]);
  });

  it("stopped where the newest is three intervals, and a minute, older than anything else", () => {
    const since = (sinceNewestSeconds: number, intervalSeconds = 30) =>
      item({ sinceNewestSeconds, intervalSeconds, sinceAnythingSeconds: 3 });
    expect(states("status-reports", since(93), since(93.1), since(63, 10), since(63.1, 10))).toEqual([
      "pass",
      "fail",
      "pass",
      "fail",
    ]);
  });

  it("are missing above 1 %, two and more, and fail above 10 %; come too seldom above 300 s", () => {
    const missing = (count: number, missed: number) => item({ count, missing: missed });
    expect(
      states(
        "status-reports",
        missing(10, 1),
        missing(198, 2),
        missing(197, 2),
        missing(18, 2),
        missing(17, 2),
      ),
    ).toEqual(["pass", "pass", "warn", "warn", "fail"]);
    const every = (intervalSeconds: number) => item({ intervalSeconds, sinceNewestSeconds: 20 });
    expect(states("status-reports", every(300), every(301))).toEqual(["pass", "warn"]);
  });
});

describe("who speaks", () => {
  it("is one gateway of protocol version 2", () => {
    expect(shown("protocol-version", {})).toEqual(["version 2", 2, "version"]);
    expect(shown("protocol-version", { protocol: { versions: [1, 2] } })).toEqual([
      "version 1 and 2",
      2,
      "version",
    ]);
    expect(shown("protocol-version", { protocol: { foreignVersion: 1 } })[0]).toBe("unknown version");
    expect(shown("identifier", {})).toEqual([SOUND.eui, null, null]);
    expect(shown("one-gateway", {})).toEqual(["one counter", 1, "counters"]);
  });

  it("is two gateways from three returns on; one or two are a doubt; ten readings are needed", () => {
    const one = (returns: number, readings = 80): Change => ({ oneGateway: { returns, readings, lines: 2 } });
    expect(states("one-gateway", one(0), one(1), one(2), one(3), one(0, 9), one(0, 10), one(3, 5))).toEqual([
      "pass",
      "warn",
      "warn",
      "fail",
      "waiting",
      "pass",
      "fail",
    ]);
    expect(reason("one-gateway", one(2))).toContain("came back twice");
    // Four came in ten minutes: six more take fifteen.
    expect(awaited("one-gateway", one(0, 4))).toEqual(["waiting", "6 more packets", 900]);
    expect(awaited("one-gateway", one(0, 0))).toEqual(["waiting", "10 more packets", null]);
  });
});

describe("the gateway's clock", () => {
  const clock = (...offsetsS: (number | null)[]): Change => ({
    gatewayClock: { offsetsUs: offsetsS.map((s) => (s === null ? null : s * 1e6)) },
  });

  it("is told by the median of the newest ten, half a second added for what was cut off", () => {
    expect(shown("gateway-clock", {})).toEqual(["0.0 s", 0, "s"]);
    expect(shown("gateway-clock", clock(-3.5))).toEqual(["\u22123.0 s", -3, "s"]);
    expect(shown("gateway-clock", clock(...times(5, () => 900), ...times(10, () => 1.5)))).toEqual([
      "+2.0 s",
      2,
      "s",
    ]);
    expect(shown("gateway-clock", clock(119.4))[0]).toBe("+119.9 s");
    expect(shown("gateway-clock", clock(-120.5))[0]).toBe("\u22122 min");
    expect(shown("gateway-clock", clock(null, -0.5, null))[0]).toBe("0.0 s");
  });

  it("is off beyond 5 s, and fails beyond 10 min", () => {
    expect(states("gateway-clock", clock(4.5), clock(4.6), clock(-5.5), clock(599.5), clock(599.6))).toEqual([
      "pass",
      "warn",
      "pass",
      "warn",
      "fail",
    ]);
    expect(reason("gateway-clock", clock(9.5))).toBe(
      "It is 10 s ahead of the clock that stamped its datagrams.",
    );
  });

  it("is a local time by half hours, up to fourteen, to a minute", () => {
    const isZone = (seconds: number) =>
      of("gateway-clock", clock(seconds - 0.5)).reason.includes("local time");
    expect([1_800, 1_860, 1_861, 1_739, 50_400, 52_200, 19_800, -7_200].map(isZone)).toEqual([
      true,
      true,
      false,
      false,
      true,
      false,
      true,
      true,
    ]);
    expect(of("gateway-clock", clock(3_599.5)).advice).toContain("time zone");
    expect(of("gateway-clock", clock(2_600)).advice).toContain("NTP");
  });
});

describe("the counter's clock", () => {
  const drift = (ppm: number, half: number): Change => ({
    drift: { ppm, lowPpm: ppm - half, highPpm: ppm + half },
  });

  it("is shown with its interval", () => {
    expect(shown("counter-drift", {})).toEqual(["+1.2 ± 0.3 ppm", 1.2, "ppm"]);
    expect(shown("counter-drift", drift(-2, 0.05))[0]).toBe("\u22122.0 ± 0.05 ppm");
    expect(reason("counter-drift", {})).toBe(
      "Its counter runs 1.2 ppm fast against the clock that stamped its datagrams, from 900 packets in 1 h.",
    );
    expect(
      reason("counter-drift", { drift: { against: "gateway-time", ppm: -1.2, lowPpm: -1.5, highPpm: -0.9 } }),
    ).toContain("1.2 ppm slow against the gateway's own GPS time");
  });

  it("is off where all of its interval lies beyond 10 ppm, and fails beyond 50", () => {
    expect(
      states(
        "counter-drift",
        drift(11, 1),
        drift(11.1, 1),
        drift(-11, 1),
        drift(-11.1, 1),
        drift(51, 1),
        drift(51.1, 1),
        drift(-51.1, 1),
      ),
    ).toEqual(["pass", "warn", "pass", "warn", "warn", "fail", "fail"]);
  });

  it("stands still from three packets at one count on", () => {
    const still = (packets: number): Change => ({ standstill: { packets, seconds: 5, tmstUs: 7 } });
    expect(states("counter-drift", still(2), still(3))).toEqual(["pass", "fail"]);
  });
});

describe("restarts", () => {
  const at = (...minutes: number[]): Change => ({
    restarts: { restarts: minutes.map((minute) => new Date(Date.UTC(2026, 2, 14, 9, minute)).toISOString()) },
  });

  it("are counted; three fail, and ten minutes apart or less they are a loop", () => {
    expect(shown("restarts", {})).toEqual(["none", 0, "restarts"]);
    expect(reason("restarts", {})).toBe("Its counter ran through in 1 h.");
    expect(shown("restarts", at(5, 9))).toEqual(["2", 2, "restarts"]);
    expect(states("restarts", at(5), at(5, 9), at(5, 9, 20))).toEqual(["warn", "warn", "fail"]);
    expect(reason("restarts", at(0, 10, 20))).toBe(
      "Its counter restarted 3 times, last at 2026-03-14T09:20:00Z. It restarts in a loop, about every 10 min.",
    );
    expect(reason("restarts", at(0, 11, 22))).toBe(
      "Its counter restarted 3 times, last at 2026-03-14T09:22:00Z.",
    );
    expect(states("restarts", { restarts: { readings: 1 } }, { restarts: { readings: 2 } })).toEqual([
      "waiting",
      "pass",
    ]);
    expect(of("restarts", { restarts: { ...at(5).restarts, readings: 0 } }).state).toBe("warn");
  });
});

describe("the time of packets", () => {
  const dated = (offsetUs: (i: number) => number, count = 40): Change => ({
    packetTime: {
      dated: SOUND.packetTime.dated.slice(0, count).map((one, i) => ({ ...one, timeOffsetUs: offsetUs(i) })),
    },
  });

  it("is off beyond 5 s, and fails beyond 10 min; five packets are needed", () => {
    const off = (seconds: number) => dated(() => seconds * 1e6);
    expect(states("packet-time", off(5), off(5.1), off(-5.1), off(600), off(600.1))).toEqual([
      "pass",
      "warn",
      "warn",
      "warn",
      "fail",
    ]);
    expect(shown("packet-time", off(-42))).toEqual(["\u221242 s", -42, "s"]);
    expect(reason("packet-time", off(-42))).toBe(
      "`time` of its packets is 42 s behind their arrival (median of 40 packets).",
    );
    expect(
      awaited(
        "packet-time",
        dated(() => 0, 4),
      ),
    ).toEqual(["waiting", "1 more packets with a time", null]);
    expect(
      of(
        "packet-time",
        dated(() => 0, 5),
      ).state,
    ).toBe("pass");
  });

  it("is known for what it is by its size", () => {
    const why = (seconds: number) => {
      const { reason: text } = of(
        "packet-time",
        dated(() => seconds * 1e6),
      );
      return ["local time", "one wrap", "leap seconds"].find((words) => text.includes(words)) ?? null;
    };
    expect([1_860, 1_861, 50_400, 52_200].map(why)).toEqual(["local time", null, "local time", null]);
    // A wrap takes 4 294.97 s.
    expect([4_235, 4_234, 4_354, 4_356].map(why)).toEqual(["one wrap", null, "one wrap", null]);
    expect([16.5, 16.4, 19.5, 19.6, -18].map(why)).toEqual([
      "leap seconds",
      null,
      "leap seconds",
      null,
      "leap seconds",
    ]);
  });

  it("runs backwards at one packet in a hundred, and fails at one in ten", () => {
    const jumps = (...at: number[]) => dated((i) => (at.includes(i) ? -90e6 : 0));
    // Each is a jump there and one back.
    expect(shown("packet-time", jumps(20))).toEqual(["2 out of order", 2, "packets"]);
    expect(states("packet-time", jumps(39), jumps(10, 20), jumps(10, 20, 39))).toEqual([
      "warn",
      "fail",
      "fail",
    ]);
    // Two packets of one fetch, 10 ms apart, may stand the other way round by 50 ms.
    const fetched = (backMs: number): Change => ({
      packetTime: {
        dated: SOUND.packetTime.dated.map((one, i) => {
          const earlierUs = i < 20 ? 0 : 990_000;
          return {
            tmstUs: one.tmstUs - earlierUs,
            atUs: one.atUs - earlierUs,
            timeOffsetUs: i < 20 ? 0 : -(10 + backMs) * 1e3,
          };
        }),
      },
    });
    expect(states("packet-time", fetched(50), fetched(51))).toEqual(["pass", "warn"]);
    const ahead = (us: number) => dated((i) => (i >= 20 ? us : 0));
    expect(states("packet-time", ahead(1_000_000), ahead(1_000_001))).toEqual(["pass", "warn"]);
  });
});

describe("acknowledgements", () => {
  const ack = (more: Partial<BenchEvidence["acknowledged"]>): Change => ({ acknowledged: more });
  const trip = (p99Ms: number, lostShare = 0, source: "relay" | "capture" = "relay") => ({
    source,
    medianMs: 12,
    p99Ms,
    lostShare,
    asked: 200,
  });

  it("are the mean of the reports but the first", () => {
    expect(shown("acknowledged", ack({ ackPercents: [0, 97, null, 99] }))).toEqual(["98 %", 98, "%"]);
    expect(reason("acknowledged", ack({ ackPercents: [0, 97, null, 99] }))).toBe(
      "By its own count 98 % of its datagrams were answered in time (mean of 2 reports).",
    );
    const mean = (percent: number) => ack({ ackPercents: [0, percent] });
    expect(states("acknowledged", mean(95), mean(94.9), mean(50), mean(49.9))).toEqual([
      "pass",
      "warn",
      "warn",
      "fail",
    ]);
  });

  it("are waited for in the second report", () => {
    expect(awaited("acknowledged", ack({ ackPercents: [] }))).toEqual([
      "waiting",
      "2 more status reports",
      60,
    ]);
    expect(awaited("acknowledged", ack({ ackPercents: [0] }))).toEqual([
      "waiting",
      "1 more status report",
      30,
    ]);
    expect(awaited("acknowledged", ack({ ackPercents: [0, null] }))).toEqual([
      "waiting",
      "1 more status report",
      30,
    ]);
    expect(awaited("acknowledged", ack({ ackPercents: [0, null, null] }))).toEqual(["waiting", null, null]);
  });

  it("are lost on one side or the other, as the round trip to the server tells", () => {
    const side = (one: ReturnType<typeof trip> | null, nothingLost: boolean | null = true, percent = 90) =>
      reason(
        "acknowledged",
        ack({ ackPercents: [0, percent, percent, percent], trip: one, nothingLost }),
      )?.split("3 reports). ")[1];
    const figures = (place: string, p99: number) =>
      `From ${place} to the server and back it takes 12.0 ms (median), ${p99 < 100 ? `${p99}.0` : p99} ms at the 99th percentile`;
    expect(side(trip(101))).toBe(
      `${figures("this relay", 101)}: the delay lies beyond this relay, not in the gateway's own network.`,
    );
    expect(side(trip(100))).toBe(`${figures("this relay", 100)}.`);
    expect(side(trip(51))).toBe(`${figures("this relay", 51)}.`);
    expect(side(trip(50))).toBe(
      `${figures("this relay", 50)}: the time is lost between the gateway and this relay.`,
    );
    expect(side(trip(50, 0.06))).toBe(
      `${figures("this relay", 50)}, and 6.0 % stay unanswered: the delay lies beyond this relay, not in the gateway's own network.`,
    );
    expect(side(trip(101, 0.05, "capture"))).toBe(
      `${figures("the place of capture", 101)}: the delay lies beyond that place.`,
    );
    expect(side(trip(50, 0, "capture"))).toBe(`${figures("the place of capture", 50)}.`);
    expect(side(null)).toBe("While it waits for an answer it fetches nothing from its radio.");
    expect(side(null, true, 0)).toMatch(/^Every report says 0 %, though nothing is lost/);
    expect(side(null, null, 0)).toMatch(/^Every report says 0 %: no answer/);
    const advice = (nothingLost: boolean | null) =>
      of("acknowledged", ack({ ackPercents: [0, 90], nothingLost })).advice?.slice(0, 12);
    expect([advice(true), advice(false)]).toEqual(["Nothing is l", "Look for los"]);
    // Half as much again as 101 ms, in steps of 50.
    expect(of("acknowledged", ack({ ackPercents: [0, 90], trip: trip(101) })).advice).toContain("to 200.");
    expect(of("acknowledged", ack({ ackPercents: [0, 90], trip: trip(1_000) })).advice).toContain("to 1500.");
  });
});

describe("what the gateway counts", () => {
  const counts = (more: Partial<BenchEvidence["counts"]>): Change => ({ counts: more });

  it("is forwarded of what had a right CRC", () => {
    expect(shown("forwarded", {})).toEqual(["110 of 110", 100, "%"]);
    expect(shown("forwarded", counts({ forwarded: 99 }))).toEqual(["99 of 110", 90, "%"]);
    // More than had a right CRC: it forwards broken ones.
    expect(shown("forwarded", counts({ forwarded: 120 }))).toEqual(["110 of 110", 100, "%"]);
    expect(
      states("forwarded", counts({ forwarded: 109 }), counts({ forwarded: 55 }), counts({ forwarded: 54 })),
    ).toEqual(["warn", "warn", "fail"]);
    expect(shown("forwarded", counts({ crcOk: 0, forwarded: 0 }))).toEqual(["0 of 0", 0, "%"]);
    expect(of("forwarded", counts({ crcOk: 0, forwarded: 0 })).state).toBe("pass");
    expect(shown("forwarded", counts({ crcOk: 0, forwarded: 5 }))[1]).toBe(100);
    expect(
      states("forwarded", counts({ crcOk: 120 }), counts({ crcOk: 121 }), counts({ forwarded: 121 })),
    ).toEqual(["warn", "warn", "warn"]);
    expect(reason("forwarded", counts({ crcOk: 121 }))).toContain("That is impossible");
    expect(reason("forwarded", counts({ crcOk: 120 }))).not.toContain("That is impossible");
    expect(awaited("forwarded", counts({ received: null, reports: 2 }))).toEqual([
      "waiting",
      "a status report",
      null,
    ]);
    expect(awaited("forwarded", counts({ received: null, reports: 3 }))).toEqual(["waiting", null, null]);
    expect(shown("forwarded", counts({ received: 0 }))).toEqual(["0 received", 0, "%"]);
  });

  it("arrived, but for two packets a run of reports that may belong to its neighbours", () => {
    const runs = (...all: [intervals: number, forwarded: number, arrived: number][]): Change => ({
      arrived: { runs: all.map(([intervals, forwarded, arrived]) => ({ intervals, forwarded, arrived })) },
    });
    expect(shown("arrived", {})).toEqual(["none lost", 0, "%"]);
    // Two of 200: open. Three: one is lost for sure; ten beyond the two are 5 %.
    expect(shown("arrived", runs([9, 200, 198]))).toEqual(["2 of 200 open", 1, "%"]);
    expect(shown("arrived", runs([9, 200, 197]))).toEqual(["1.5 % lost", 1.5, "%"]);
    expect(
      states("arrived", runs([9, 200, 198]), runs([9, 200, 197]), runs([9, 200, 189]), runs([9, 200, 188])),
    ).toEqual(["pass", "warn", "warn", "fail"]);
    // Two runs: four may belong to others.
    expect(states("arrived", runs([5, 100, 98], [4, 100, 98]), runs([5, 100, 98], [4, 100, 97]))).toEqual([
      "pass",
      "warn",
    ]);
    // Two of 40 are 5 %: not settled; of 41 less.
    expect(awaited("arrived", runs([9, 40, 38]))).toEqual(["waiting", "2 more status reports", 60]);
    expect(shown("arrived", runs([9, 40, 38]))).toEqual(["2 of 40 open", 5, "%"]);
    expect(of("arrived", runs([9, 41, 39])).state).toBe("pass");
    // Two too many may belong to others, three do not.
    expect(states("arrived", runs([9, 200, 202]), runs([9, 200, 203]))).toEqual(["pass", "warn"]);
    expect(shown("arrived", runs([9, 200, 203]))).toEqual(["3 too many", -3, "packets"]);
  });

  it("is waited for until there are three intervals", () => {
    const wait = (runs: BenchEvidence["arrived"]["runs"]) => awaited("arrived", { arrived: { runs } });
    expect(wait([])).toEqual(["waiting", "4 more status reports", 120]);
    expect(wait([{ intervals: 1, forwarded: 5, arrived: 5 }])).toEqual([
      "waiting",
      "2 more status reports",
      60,
    ]);
    expect(wait([{ intervals: 2, forwarded: 5, arrived: 5 }])).toEqual([
      "waiting",
      "1 more status report",
      30,
    ]);
    expect(wait([{ intervals: 3, forwarded: 0, arrived: 0 }])).toEqual([
      "waiting",
      "1 more status report",
      null,
    ]);
    expect(of("arrived", { arrived: { runs: [{ intervals: 3, forwarded: 50, arrived: 50 }] } }).state).toBe(
      "pass",
    );
  });

  it("is not known of more than a tenth of the intervals", () => {
    const open = (uncompared: number): Change => ({
      arrived: { runs: [{ intervals: 18, forwarded: 105, arrived: 105 }], uncompared },
    });
    expect(states("arrived", open(2), open(3))).toEqual(["pass", "warn"]);
    expect(reason("arrived", open(1))).toBe(
      "It forwarded 105 packets by its own count, and 105 arrived. In 1 further interval a report is missing: what was sent then is not known.",
    );
  });

  it("had a wrong CRC: from three tenths on a warning, from seven on a failure, of twenty packets", () => {
    const crc = (received: number, bad: number): Change => ({ crc: { received, crcOk: received - bad } });
    expect(shown("crc-failed", crc(100, 12))).toEqual(["12 %", 12, "%"]);
    expect(states("crc-failed", crc(100, 29), crc(100, 30), crc(100, 69), crc(100, 70))).toEqual([
      "pass",
      "warn",
      "warn",
      "fail",
    ]);
    expect(awaited("crc-failed", crc(19, 0))).toEqual(["waiting", "1 more packets on the air", null]);
    expect(of("crc-failed", crc(20, 0)).state).toBe("pass");
    // Counts that contradict each other are left aside for what arrived.
    expect(reason("crc-failed", { crc: { received: 10, crcOk: 11, arrived: 40, arrivedBad: 4 } })).toBe(
      "4 of 40 packets had a wrong CRC, as they arrived.",
    );
    expect(reason("crc-failed", { crc: { received: 0, crcOk: 0, arrived: 40, arrivedBad: 4 } })).toContain(
      "as they arrived",
    );
  });
});

describe("the radio", () => {
  const radio = (more: Partial<BenchEvidence["radio"]>): Change => ({ radio: more });

  it("is shown with its packets", () => {
    expect(shown("radio", {})).toEqual(["120 packets", 120, "packets"]);
    expect(reason("radio", radio({ byReports: false }))).toBe(
      "It brought 120 packets, the last 5 s ago or less.",
    );
    expect(reason("radio", {})).toBe("Its radio counted 120 packets, the last 5 s ago or less.");
  });

  it("is deaf where 6.91 packets were to be expected in half a minute and more, of ten before", () => {
    const quiet = (packets: number, quietSeconds: number, heardSeconds: number, nodes = 3) =>
      radio({ packets, quietSeconds, heardSeconds, nodes });
    // 100 in 1 000 s: 69.1 s owe 6.91.
    expect(
      states("radio", quiet(100, 69, 1_000), quiet(100, 69.2, 1_000), quiet(100, 69.2, 1_000, 2)),
    ).toEqual(["pass", "fail", "warn"]);
    expect(states("radio", quiet(100, 29, 100), quiet(100, 30, 100))).toEqual(["pass", "fail"]);
    expect(states("radio", quiet(9, 100, 100), quiet(10, 100, 100))).toEqual(["pass", "fail"]);
    expect(shown("radio", quiet(100, 90, 1_000))).toEqual(["deaf for 1 min 30 s", 90, "s"]);
    expect(of("radio", quiet(100, 90, 0)).state).toBe("pass");
    expect(reason("radio", quiet(100, 90, 1_000, 2))).toContain(
      "Only 2 nodes had been heard, so the nodes may have stopped.",
    );
  });

  it("is deaf where other gateways heard seven frames in a minute and more", () => {
    const others = (heardByOthers: number | null, quietSeconds: number) =>
      radio({ packets: 5, quietSeconds, heardSeconds: 1_000, nodes: 1, heardByOthers });
    expect(states("radio", others(7, 60), others(6, 60), others(7, 59), others(null, 60))).toEqual([
      "fail",
      "pass",
      "pass",
      "pass",
    ]);
  });

  it("that never heard anything is waited for, a minute long, and fails after ten", () => {
    const never = (quietSeconds: number, expectedPlan: string | null = null) =>
      radio({ packets: 0, quietSeconds, heardSeconds: 0, expectedPlan });
    expect(awaited("radio", never(20))).toEqual(["waiting", "a packet on the air", 40]);
    expect(states("radio", never(59), never(60), never(599), never(600))).toEqual([
      "waiting",
      "warn",
      "warn",
      "fail",
    ]);
    expect(of("radio", never(60, "US915, sub-band 2")).advice).toContain(
      "that it is set to US915, sub-band 2,",
    );
    expect(of("radio", never(60)).advice).toContain("its channel plan and sub-band (--expect names one),");
  });

  it("hears more than one data rate: sixty packets of three nodes at one are a doubt", () => {
    const one = (count: number, nodes: number, channels = 3): Change => ({
      dataRates: { heard: [{ dataRate: "SF7BW125", count }], nodes, channels },
    });
    expect(shown("data-rates", {})).toEqual(["2 data rates", 2, "data rates"]);
    expect(reason("data-rates", {})).toBe("Heard with SF7BW125 (70), SF9BW125 (40).");
    expect(states("data-rates", one(59, 3), one(60, 3), one(60, 2), one(60, 3, 1))).toEqual([
      "waiting",
      "warn",
      "pass",
      "fail",
    ]);
    // 40 in ten minutes: 20 more take five.
    expect(awaited("data-rates", one(40, 3))).toEqual(["waiting", "20 more packets", 300]);
  });

  it("hears downlinks of others: three matter, and a tenth of all fails", () => {
    const down = (downlinks: number, packets: number, withCrc = 0): Change => ({
      overheard: { downlinks, packets, withCrc },
    });
    expect(shown("overheard-downlinks", {})).toEqual(["none", 0, "downlinks"]);
    expect(reason("overheard-downlinks", {})).toBe("None of 110 packets is a downlink.");
    expect(reason("overheard-downlinks", down(2, 100))).toBe(
      "2 of 100 packets may be a downlink, too few to matter.",
    );
    expect(states("overheard-downlinks", down(2, 100), down(3, 100), down(10, 101), down(10, 100))).toEqual([
      "pass",
      "warn",
      "warn",
      "fail",
    ]);
    const crc = (withCrc: number) => reason("overheard-downlinks", down(10, 200, withCrc))?.split(", ")[1];
    expect([crc(5), crc(6)]).toEqual(["without a CRC.", "most with a CRC."]);
    expect(of("overheard-downlinks", down(10, 200, 5)).advice).toContain("forward_crc_disabled");
    expect(of("overheard-downlinks", down(10, 200, 6)).advice).toContain("ncrc");
  });
});

describe("levels and noise", () => {
  const levels = (
    rssi: (i: number) => number | null,
    snr: (i: number) => number | null,
    more: Partial<BenchEvidence["levels"]> & { count?: number } = {},
  ): Change => ({
    levels: { packets: times(more.count ?? 40, (i) => ({ rssiDbm: rssi(i), snrDb: snr(i) })), ...more },
  });
  const vary = (i: number) => i % 5;

  it("are overloaded by the strongest but for one in twenty", () => {
    // 41 packets: the 95 % quantile is the third strongest.
    const strong = (count: number, dbm: number) =>
      levels((i) => (i < count ? dbm : -90 - vary(i)), vary, { count: 41 });
    expect(shown("overload", strong(2, -5))[1]).toBeLessThan(-89);
    expect(shown("overload", strong(3, -45))).toEqual(["\u221245 dBm", -45, "dBm"]);
    expect(states("overload", strong(3, -40), strong(3, -39), strong(3, -12), strong(3, -11))).toEqual([
      "pass",
      "warn",
      "warn",
      "fail",
    ]);
    const ghosts = (count: number): Change => ({ levels: { ghosts: count, all: 120 } });
    expect(states("overload", ghosts(0), ghosts(1), ghosts(11), ghosts(12))).toEqual([
      "pass",
      "warn",
      "warn",
      "fail",
    ]);
    expect(reason("overload", ghosts(1))).toContain("1 weak copy of strong packets came");
    expect(of("overload", { levels: { ghosts: 0, all: 0 } }).state).toBe("pass");
  });

  it("are believable where twenty of them vary, and the SNR is not at its stop", () => {
    const rssi = (i: number) => -80 - vary(i);
    expect(shown("levels", levels(rssi, vary))).toEqual(["\u221282 dBm, 2.0 dB", -82, "dBm"]);
    expect(states("levels", levels(rssi, vary, { count: 19 }), levels(rssi, vary, { count: 20 }))).toEqual([
      "waiting",
      "pass",
    ]);
    expect(
      reason(
        "levels",
        levels(rssi, (i) => (i < 5 ? null : vary(i)), { count: 24 }),
      ),
    ).toBe("19 packets with RSSI and SNR of 20 that are needed.");
    expect(
      shown(
        "levels",
        levels(() => null, vary),
      )[0],
    ).toBe("–");
    expect(
      reason(
        "levels",
        levels(() => -80, vary),
      ),
    ).toContain("RSSI is the same in all of 40 packets");
    // Nine in ten at 10 dB and more.
    const at10 = (high: number) => levels(rssi, (i) => (i < high ? 10 + (i % 2) : 5));
    expect(states("levels", at10(35), at10(36))).toEqual(["pass", "warn"]);
  });

  const noise = (...dbm: (number | null)[]): Change => ({
    noise: dbm.map((noiseDbm, i) => ({
      frequencyHz: 868_100_000 + i * 200_000,
      bandwidthHz: 125_000,
      floor: {
        noiseDbm,
        median: noiseDbm,
        sampleCount: noiseDbm === null ? i : 40,
        trust: "good" as const,
        reason: null,
      },
    })) as never,
  });

  it("of the air is held against a receiver of 6 dB noise figure: -117.0 dBm in 125 kHz", () => {
    // -174 dBm/Hz at 290 K is -173.98: with 50.97 dB and 6 dB -117.01 dBm.
    const [figure, value, unit] = shown("noise", noise(-114, -115, -116));
    expect([figure, unit]).toEqual(["\u2212114 dBm, +3.0 dB", "dB"]);
    expect(value).toBeCloseTo(3, 1);
    expect(
      states(
        "noise",
        noise(-107.1, -108, -109),
        noise(-106.9, -107, -108),
        noise(-97.1, -98, -98),
        noise(-96.9, -98, -98),
      ),
    ).toEqual(["pass", "warn", "warn", "fail"]);
  });

  it("of one channel is told where it lies 6 dB above the middle of three, or all are alike", () => {
    expect(
      states("noise", noise(-110, -116, -116.1), noise(-109.9, -116, -116.1), noise(-109, -116)),
    ).toEqual(["pass", "warn", "pass"]);
    const alike = (...dbm: number[]) => reason("noise", noise(...dbm))?.includes("the noise is local");
    expect([alike(-103, -109), alike(-103, -109.1), alike(-108, -109), alike(-103)]).toEqual([
      true,
      false,
      false,
      false,
    ]);
  });

  it("cannot lie more than 9 dB below that receiver", () => {
    // -117.01 - 9 = -126.01.
    expect(states("noise", noise(-126, -125, -125), noise(-126.1, -125, -125))).toEqual(["pass", "warn"]);
    expect(shown("noise", noise(-130, -125))[0]).toBe("\u221213.0 dB");
  });

  it("is rough where every channel's is, and waited for where none tells it", () => {
    const rough = (...trusts: ("good" | "rough")[]) => {
      const channels = (noise(...trusts.map(() => -114)).noise as BenchEvidence["noise"]).map((one, i) => ({
        ...one,
        floor: { ...one.floor, trust: trusts[i] ?? "good" },
      }));
      return reason("noise", { noise: channels as never })?.includes("Rough");
    };
    expect([rough("rough", "rough"), rough("rough", "good")]).toEqual([true, false]);
    expect(reason("noise", noise(null, null, null))).toContain("the best channel has 2.");
  });
});

describe("datagrams and refusals", () => {
  it("come once and in order, but for one in a hundred; one in ten fails", () => {
    const order = (duplicates: number, reordered: number, datagrams = 1_000): Change => ({
      order: { datagrams, duplicates, reordered },
    });
    expect(shown("datagram-order", order(3, 5))).toEqual(["3 twice, 5 late", 0.798, "%"]);
    expect(
      states(
        "datagram-order",
        order(0, 9),
        order(0, 10),
        order(0, 99),
        order(0, 100),
        order(10, 0),
        order(11, 0),
      ),
    ).toEqual(["pass", "warn", "warn", "fail", "pass", "warn"]);
    expect(of("datagram-order", order(20, 20)).advice).toContain("twice, or two networks");
    expect(of("datagram-order", order(20, 21)).advice).toContain("take turns");
    expect(states("datagram-order", order(0, 0, 19), order(0, 0, 20))).toEqual(["waiting", "pass"]);
  });

  it("are refused: any is a warning, one in a hundred a failure", () => {
    const refused = (count: number): Change => ({
      refused: { datagrams: 990, refused: [{ reason: "version", count }] },
    });
    expect(shown("refused", refused(1))).toEqual(["1 time", 1, "refusals"]);
    expect(shown("refused", {})).toEqual(["none", 0, "refusals"]);
    expect(states("refused", refused(9), refused(10))).toEqual(["warn", "fail"]);
    expect(
      of("refused", { refused: { datagrams: 0, refused: [{ reason: "version", count: 1 }] } }).state,
    ).toBe("fail");
  });
});

describe("the downlink path", () => {
  const trip = (medianMs: number, p99Ms: number, source: "relay" | "capture" = "relay") => ({
    source,
    medianMs,
    p99Ms,
    lostShare: 0,
    asked: 200,
  });

  it("takes as long as both parts together: more than 100 ms is a warning, more than 500 a failure", () => {
    const round = (pairsMs: number[], server: ReturnType<typeof trip> | null = null): Change => ({
      roundTrip: { pairsMs, trip: server },
    });
    expect(shown("round-trip", {})).toEqual(["13.0 ms", 13, "ms"]);
    expect(shown("round-trip", round([4, 5, 6], trip(4.5, 9)))).toEqual(["9.5 ms", 9.5, "ms"]);
    expect(reason("round-trip", round([4, 5, 6], trip(40, 90, "capture")))).toBe(
      "5.0 ms from the place of capture to the gateway and back (median from a downlink to its TX_ACK, 3 pairs); 40.0 ms from the place of capture to the server and back (median of 200 PUSH_DATA, 90.0 ms at the 99th percentile).",
    );
    expect(
      states("round-trip", round([100]), round([101]), round([60], trip(41, 50)), round([500]), round([501])),
    ).toEqual(["pass", "warn", "warn", "warn", "fail"]);
    // The longest, half as much again, in steps of 50 ms: 60 + 300.
    expect(of("round-trip", round([60], trip(41, 300))).advice).toContain("push_timeout_ms to 550 ");
    const byCount = (ackPercent: number): Change => ({ roundTrip: { pairsMs: [], ackPercent } });
    expect(states("round-trip", byCount(95), byCount(94), byCount(50), byCount(49))).toEqual([
      "pass",
      "waiting",
      "waiting",
      "warn",
    ]);
  });

  const down = (more: Partial<BenchEvidence["downlinks"]>): Change => ({ downlinks: more });
  const refused = (word: string, count: number, accepted: number): Change =>
    down({ accepted, refused: [{ word, count }] });

  it("is used by downlinks that the gateway takes: above 5 % of twenty refused it fails", () => {
    expect(shown("downlinks", {})).toEqual(["12 of 12", 100, "%"]);
    expect(shown("downlinks", refused("TX_FREQ", 1, 3))).toEqual(["3 of 4", 75, "%"]);
    expect(
      states(
        "downlinks",
        refused("TX_FREQ", 1, 19),
        refused("TX_FREQ", 2, 18),
        refused("TX_FREQ", 2, 17),
        refused("TX_FREQ", 1, 0),
      ),
    ).toEqual(["warn", "fail", "warn", "fail"]);
    const own = (asked: number | null, emitted: number | null) => down({ accepted: 0, asked, emitted });
    expect(shown("downlinks", own(4, 3))).toEqual(["3 of 4", 75, "%"]);
    expect(states("downlinks", own(4, 3), own(4, 4), own(0, 0), own(null, 3), own(4, null))).toEqual([
      "warn",
      "pass",
      "waiting",
      "waiting",
      "waiting",
    ]);
  });

  it("is late by one clock where three refusals, nine in ten, and half of all are of time", () => {
    const timed = (late: number, other: number, accepted: number) =>
      reason(
        "downlinks",
        down({
          accepted,
          refused: [
            { word: "TOO_LATE", count: late },
            ...(other === 0 ? [] : [{ word: "TX_FREQ", count: other }]),
          ],
        }),
      )?.includes("They did not pass here");
    expect([timed(2, 0, 0), timed(3, 0, 0), timed(3, 0, 3), timed(3, 0, 4)]).toEqual([
      false,
      true,
      true,
      false,
    ]);
    expect([timed(9, 1, 0), timed(8, 1, 0)]).toEqual([true, false]);
  });

  it("is the server's where what passed here was less than 50 ms ahead, else the gateway's clock", () => {
    const lead = (leadMs: number | null, answers: number, count = 5) =>
      plain(
        of(
          "downlinks",
          down({
            accepted: 0,
            refused: [{ word: "TOO_LATE", count: 5 }],
            refusedHere: times(count, (i) => ({ word: "TOO_LATE", leadMs, answersUplink: i < answers })),
          }),
        ).reason,
      );
    expect(lead(49, 5)).toContain("49.0 ms before their moment (median), and the gateway needs 42.5 ms");
    expect(lead(-20, 5)).toContain("They passed here 0 s before their moment");
    expect(lead(50, 5)).toContain("50.0 ms before their moment (median), early enough");
    // More than half of them answer no uplink.
    expect(lead(50, 2)).toContain("answer no uplink heard here");
    expect(lead(50, 2, 4)).toContain("early enough");
    expect(lead(null, 5)).toContain("They did not pass here");
  });
});

describe("the channels and their plan", () => {
  const heard = (...counts: number[]) =>
    counts.map((count, i) => ({ frequencyHz: 868_100_000 + i * 200_000, count }));
  const channels = (more: Partial<BenchEvidence["channels"]>): Change => ({ channels: more });
  const region = (more: Partial<BenchEvidence["region"]>): Change => ({ region: more });

  it("are shown as those of the plan that are heard, and how many more", () => {
    expect(shown("channels", {})).toEqual(["3 of 3", 3, "channels"]);
    expect(reason("channels", {})).toBe(
      "All 3 channels that EU863-870 asks for. Heard on 868.1 (30), 868.3 (30) and 868.5 (30) MHz.",
    );
    expect(shown("channels", channels({ heard: heard(30, 30, 30, 9) }))).toEqual([
      "3 of 3 and 1 more",
      4,
      "channels",
    ]);
    expect(reason("channels", channels({ heard: heard(30, 30, 30, 9) }))).toContain(
      "asks for, and 1 further one.",
    );
    expect(shown("channels", channels({ plan: null, expectedHz: [] }))).toEqual([
      "3 channels",
      3,
      "channels",
    ]);
    // Within 1.5 kHz it is the same channel.
    const shifted = (hz: number) =>
      channels({ heard: heard(30, 30, 30).map((one) => ({ ...one, frequencyHz: one.frequencyHz + hz })) });
    expect([shown("channels", shifted(1_500))[0], shown("channels", shifted(1_501))[0]]).toEqual([
      "3 of 3",
      "0 of 3 and 3 more",
    ]);
  });

  it("that never bring a packet are waited for while that is chance: less than one in a thousand is none", () => {
    const two = (count: number) => channels({ heard: heard(count, count) });
    // (2/3)^17 is 0.00101, (2/3)^18 0.00068.
    expect(states("channels", channels({ heard: heard(9, 8) }), two(9))).toEqual(["waiting", "warn"]);
    expect(awaited("channels", channels({ heard: heard(9, 8) }))).toEqual([
      "waiting",
      "about 1 more packet",
      36,
    ]);
    expect(awaited("channels", channels({ heard: heard(4, 3) }))).toEqual([
      "waiting",
      "about 11 more packets",
      943,
    ]);
    // Half of the plan fails.
    const of4 = [868_100_000, 868_300_000, 868_500_000, 868_700_000];
    expect(
      states(
        "channels",
        channels({ heard: heard(30, 30, 30), expectedHz: of4 }),
        channels({ heard: heard(30, 30), expectedHz: of4 }),
      ),
    ).toEqual(["warn", "fail"]);
  });

  it("is one alone from sixty packets on", () => {
    const one = (count: number, plan: string | null) =>
      channels({ heard: heard(count), plan, expectedHz: plan === null ? [] : [868_100_000, 868_300_000] });
    expect(states("channels", one(59, null), one(60, null), one(60, "EU863-870"))).toEqual([
      "waiting",
      "fail",
      "fail",
    ]);
    expect(
      of("channels", channels({ heard: heard(60), expectedHz: [868_100_000], elsewhere: [] })).state,
    ).toBe("pass");
  });

  it("are eight of a plan that does not name them", () => {
    const eight = (count: number, each: number) =>
      channels({ heard: heard(...times(count, () => each)), expectedHz: [], plan: "CN470-510" });
    // (7/8)^51 is 0.0011, (7/8)^52 0.00096.
    expect(states("channels", eight(8, 1), eight(3, 17), eight(4, 13), eight(5, 20))).toEqual([
      "pass",
      "waiting",
      "fail",
      "warn",
    ]);
  });

  it("are hardly heard where even use would bring so few less than once in a thousand", () => {
    const few = (count: number) => channels({ heard: heard(60, count, 60) });
    expect(states("channels", few(36), few(25))).toEqual(["pass", "warn"]);
    const elsewhere = (count: number) =>
      channels({ elsewhere: [...heard(30, 30, 30), { frequencyHz: 867_500_000, count }] });
    // Nine frames elsewhere tell nothing; ten of a hundred would be nine of ninety here, and (0.9)^90 is 0.00008.
    expect(states("channels", elsewhere(9), elsewhere(10))).toEqual(["pass", "warn"]);
  });

  it("are blamed on noise that is 6 dB above the middle, or on one radio chain where they lie side by side", () => {
    const noisy = (aboveDb: number) =>
      channels({
        heard: heard(60, 2, 60),
        noise: [1, aboveDb, 1].map((db, i) => ({ frequencyHz: 868_100_000 + i * 200_000, aboveDb: db })),
      });
    expect(reason("channels", noisy(7))).toContain(
      "The noise on 868.3 MHz is 6.0 dB above the other channels: interference.",
    );
    expect(reason("channels", noisy(6.9))).toContain("The noise there is no higher than elsewhere.");
    const six = times(6, (i) => 868_100_000 + i * 200_000);
    const missing = (...counts: number[]) =>
      reason(
        "channels",
        channels({ heard: heard(...counts).filter(({ count }) => count > 0), expectedHz: six }),
      )?.includes("side by side");
    expect([
      missing(30, 30, 30, 30, 0, 0),
      missing(0, 0, 30, 30, 30, 30),
      missing(30, 0, 0, 30, 30, 30),
    ]).toEqual([true, true, false]);
    expect(missing(30, 30, 30, 30, 30, 0)).toBe(false);
  });

  it("make a plan that is sure, ambiguous, none, or another than was expected", () => {
    expect(shown("region", {})).toEqual(["EU868", 99.9, "%"]);
    expect(shown("region", region({ name: "US915", subBand: 2, confidence: 0.97 }))).toEqual([
      "US915, sub-band 2",
      97,
      "%",
    ]);
    expect(reason("region", {})).toBe("More than 99 % sure: EU863-870, from 110 receptions.");
    expect(reason("region", region({ confidence: 0.995 }))).toMatch(/^99\.5 % sure/);
    const open = (packets: number) => region({ verdict: "ambiguous", name: null, packets });
    expect(awaited("region", open(10))).toEqual(["waiting", "about 40 more packets", 2_400]);
    expect(states("region", open(49), open(50))).toEqual(["waiting", "warn"]);
    const none = (packets: number) => region({ verdict: "no-known-plan", name: null, packets });
    expect(states("region", none(49), none(50))).toEqual(["warn", "fail"]);
    expect(of("region", region({ name: null })).figure).toBe("none known");
  });

  it("lie across two sub-bands where nine channels at the most are heard in fifty packets", () => {
    const across = (heardChannels: number, packets: number, ...heardSubBands: number[]) =>
      region({ name: "US915", heardSubBands, heardChannels, packets });
    expect(
      states(
        "region",
        across(8, 50, 1, 2),
        across(9, 50, 1, 2),
        across(10, 50, 1, 2),
        across(8, 49, 1, 2),
        across(8, 50, 1),
        across(8, 50, 1, 2, 3),
      ),
    ).toEqual(["warn", "warn", "pass", "pass", "pass", "pass"]);
  });

  it("are held against the plan that was named: 95 % pass, less than a half fails", () => {
    const expected = (fitting: number, packets = 100) =>
      region({
        packets,
        expected: { name: "US902-928, sub-band 2", channels: "903.9 to 905.3 MHz", fitting },
      });
    expect(shown("region", expected(97))).toEqual(["97 of 100", 97, "%"]);
    expect(states("region", expected(95), expected(94), expected(50), expected(49))).toEqual([
      "pass",
      "warn",
      "warn",
      "fail",
    ]);
    expect(reason("region", expected(49))).toBe(
      "49 of 100 packets lie on the channels and data rates of US902-928, sub-band 2, which you expect. It hears EU868.",
    );
    // Two in ten minutes: three more take fifteen.
    expect(awaited("region", expected(2, 2))).toEqual(["waiting", "3 more packets", 900]);
    expect(awaited("region", expected(4, 4))).toEqual(["waiting", "1 more packet", 150]);
    expect(of("region", expected(5, 5)).state).toBe("pass");
  });
});

describe("a list as a whole", () => {
  const item = (more: Partial<BenchItem>): BenchItem => ({ ...judged("noise", SOUND), ...more });

  it("marks checks that rest on the newest part of the window", () => {
    const items = judgeBench({ ...SOUND, since: { levels: "2026-03-14T09:05:06.789Z" } });
    const levels = items.find(({ id }) => id === "levels");
    expect(levels?.since).toBe("2026-03-14T09:05:06.789Z");
    expect(levels?.reason).toMatch(/ From 2026-03-14T09:05:06Z on; what came before was not read\.$/);
    expect(items.filter(({ since }) => since !== null)).toHaveLength(1);
  });

  it("awaits the longest of its essential checks", () => {
    const waiting = (id: string, awaitsSeconds: number | null, awaits: string | null = `of ${id}`) =>
      item({ id, state: "waiting", awaitsSeconds, awaits });
    const all = [waiting("radio", 20), waiting("region", 90), waiting("channels", 60), waiting("noise", 900)];
    expect(awaitedOf(all)).toEqual({ seconds: 90, text: "of region" });
    expect(awaitedOf([waiting("radio", null), waiting("region", 5, null)])).toBeNull();
    expect(awaitedOf([item({ id: "radio", state: "pass", awaitsSeconds: 5, awaits: "x" })])).toBeNull();
    const said = benchSentence("Shed", all)
      .map(({ text }) => plain(text))
      .join("");
    expect(said).toBe(
      "Shed cannot be judged yet: 0 of 4 checks passed, 4 still open. About 1 min 30 s more: of region.",
    );
  });

  it("counts a channel's own check only where it stands worse than all together", () => {
    const whole = item({
      id: "reference-loss",
      part: "reference",
      unit: "points",
      state: "warn",
      title: "Loss",
    });
    const one = (state: BenchItem["state"]) =>
      item({ id: "x", part: "reference", unit: "points", channel: "868.1", state, title: "Loss on 868.1" });
    const said = (...items: BenchItem[]) =>
      benchSentence("Shed", items)
        .map(({ text }) => plain(text))
        .join("");
    expect(said(whole, one("warn"))).toBe("Shed works, with 1 warning (loss); 0 of 1 check passed.");
    expect(said(whole, one("fail"))).toBe("Shed fails 1 check (loss on 868.1); 0 of 2 checks passed.");
    expect(said(whole, one("pass"))).toBe("Shed works, with 1 warning (loss); 0 of 1 check passed.");
    expect(said({ ...whole, state: "fail" }, one("warn"))).toBe(
      "Shed fails 1 check (loss); 0 of 1 check passed.",
    );
    expect(said(one("warn"))).toBe("Shed works, with 1 warning (loss on 868.1); 0 of 1 check passed.");
  });
});
