import { describe, expect, it } from "vitest";
import type { BenchItem, BenchState } from "../../../src/contract/index.ts";
import { BenchItem as Shape } from "../../../src/contract/index.ts";
import { type BenchEvidence, judgeBench } from "../../../src/diagnosis/bench/judge.ts";
import { SOUND } from "./a-sound-gateway.ts";

type Part = keyof BenchEvidence;
type Change = {
  [P in Part]?: BenchEvidence[P] extends object | null ? Partial<BenchEvidence[P]> : BenchEvidence[P];
};

/** The sound gateway with other figures in some parts. */
function changed(change: Change): BenchEvidence {
  const entries = Object.entries(change).map(([part, figures]) => {
    const before: unknown = SOUND[part as Part];
    const isRecord = typeof figures === "object" && figures !== null && !Array.isArray(figures);
    return [part, isRecord && before !== null ? { ...(before as object), ...figures } : figures];
  });
  return { ...SOUND, ...(Object.fromEntries(entries) as Partial<BenchEvidence>) };
}

function judged(id: string, evidence: BenchEvidence): BenchItem {
  const item = judgeBench(evidence).find((one) => one.id === id);
  if (item === undefined) throw new Error(`no item ${id}`);
  return item;
}

const NOISE = (levels: readonly (number | null)[]): BenchEvidence["noise"] =>
  levels.map((noiseDbm, i) => ({
    frequencyHz: 868_100_000 + i * 200_000,
    bandwidthHz: 125_000,
    floor: {
      noiseDbm,
      median: noiseDbm,
      sampleCount: noiseDbm === null ? 3 : 40,
      trust: noiseDbm === null ? "none" : "good",
      reason: null,
    },
  }));
const LEVELS = (rssi: (i: number) => number, snr: (i: number) => number, count = 40) =>
  Array.from({ length: count }, (_, i) => ({ rssiDbm: rssi(i), snrDb: snr(i) }));
const HEARD = (...counts: number[]) =>
  counts.map((count, i) => ({ frequencyHz: 868_100_000 + i * 200_000, count }));

/** For each item, evidence that makes it warn, fail and wait, each with words that its reason must hold. */
const CASES: Record<string, Partial<Record<BenchState, [Change, RegExp][]>>> = {
  keepalives: {
    warn: [
      [{ keepalives: { intervalSeconds: 60, sinceNewestSeconds: 20 } }, /only every 60\u2009s/],
      [{ keepalives: { lost: 3 } }, /3 of 63 keepalives are missing/],
      [{ keepalives: { silences: 1 } }, /1 silence of more than three intervals/],
    ],
    fail: [
      [
        { keepalives: { count: 0, intervalSeconds: null, sinceNewestSeconds: null } },
        /No keepalive came in 10\u2009min, though 80 other datagrams did/,
      ],
      [{ keepalives: { sinceNewestSeconds: 200 } }, /came 3\u2009min 20\u2009s ago/],
      [{ keepalives: { intervalSeconds: 300 } }, /routers on the way may forget/],
      [{ keepalives: { lost: 20 } }, /loses datagrams/],
    ],
    waiting: [[{ keepalives: { count: 2, intervalSeconds: null, followedSeconds: 12 } }, /Three keepalives/]],
  },
  "status-reports": {
    warn: [
      [{ status: { count: 0, intervalSeconds: null, sinceNewestSeconds: null } }, /No status report came/],
      [{ status: { odd: 2 } }, /2 reports had to be repaired/],
      [{ status: { intervalSeconds: 600, sinceNewestSeconds: 30 } }, /only every 10\u2009min/],
    ],
    fail: [[{ status: { sinceNewestSeconds: 400 } }, /stopped 6\u2009min 40\u2009s ago/]],
    waiting: [[{ status: { count: 1, intervalSeconds: null, followedSeconds: 40 } }, /Three status reports/]],
  },
  "protocol-version": {
    warn: [
      [{ protocol: { versions: [1] } }, /Version 1 works/],
      [{ protocol: { versions: [1, 2] } }, /versions 1 and 2/],
    ],
    fail: [[{ protocol: { foreignVersion: 4 } }, /4 datagrams of another protocol version/]],
    waiting: [[{ protocol: { versions: [] } }, /No datagram/]],
  },
  identifier: {
    warn: [
      [{ eui: "1212121212121212" }, /Eight times the octet 12/],
      [{ eui: "03005E1000000001" }, /marks a group/],
    ],
    fail: [
      [{ eui: "0000000000000000" }, /All zero/],
      [{ eui: "FFFFFFFFFFFFFFFF" }, /All ones/],
      [{ eui: "AA555A0000000000" }, /sample configuration/],
      [{ eui: "AA555A0000000101" }, /sample configuration/],
    ],
  },
  "one-gateway": {
    warn: [[{ oneGateway: { returns: 1 } }, /came back once/]],
    fail: [[{ oneGateway: { returns: 9, lines: 2 } }, /2 counters in turn.*two gateways/]],
    waiting: [[{ oneGateway: { readings: 3 } }, /3 packets of 10/]],
  },
  "gateway-clock": {
    warn: [
      [{ gatewayClock: { offsetsUs: [-42_500_000] } }, /42\u2009s behind/],
      [{ gatewayClock: { offsetsUs: [null, null] } }, /no readable time/],
    ],
    fail: [
      [{ gatewayClock: { offsetsUs: [7_199_800_000] } }, /local time for UTC/],
      [{ gatewayClock: { offsetsUs: [700_000_000] } }, /ahead of/],
      [{ gatewayClock: { offsetsUs: [-SOUND.gatewayClock.newestAtUs!] } }, /1970/],
      [{ gatewayClock: { offsetsUs: [315_964_800e6 - SOUND.gatewayClock.newestAtUs!] } }, /GPS time/],
      [{ gatewayClock: { offsetsUs: [-1024 * 7 * 86_400e6] } }, /1024 weeks/],
    ],
    waiting: [[{ gatewayClock: { offsetsUs: [], newestAtUs: null } }, /none came yet/]],
  },
  "counter-drift": {
    warn: [[{ drift: { ppm: 14, lowPpm: 12, highPpm: 16 } }, /14\.0\u2009ppm fast/]],
    fail: [[{ drift: { ppm: -80, lowPpm: -82, highPpm: -78 } }, /80\.0\u2009ppm slow.*No sound oscillator/]],
    waiting: [
      [
        { drift: { ppm: null, lowPpm: -9, highPpm: 9, spanSeconds: 600 } },
        /± 9\u2009ppm so far.*about 17\u2009min more/,
      ],
      [{ drift: { ppm: null, lowPpm: null, highPpm: null } }, /Not enough yet/],
      [{ drift: null as never }, /Two counters in turn/],
    ],
  },
  restarts: {
    warn: [[{ restarts: { restarts: ["2026-03-14T09:05:06.000Z"] } }, /once, last at 09:05:06 UTC/]],
    fail: [[{ restarts: { restarts: Array(3).fill("2026-03-14T09:05:06.000Z") } }, /3 times/]],
    waiting: [[{ restarts: { readings: 1 } }, /not two yet/]],
  },
  acknowledged: {
    warn: [[{ ackPercents: [0, 90, 92, 91] as never }, /91\u2009% of its datagrams/]],
    fail: [
      [{ ackPercents: [0, 10, 20, 30] as never }, /fetches nothing from its radio/],
      [{ ackPercents: [0, 0, 0, 0] as never }, /Every report says 0/],
    ],
    waiting: [
      [{ ackPercents: [0] as never }, /from the second one on/],
      [{ ackPercents: [null, null, null] as never }, /do not say/],
    ],
  },
  forwarded: {
    warn: [
      [{ counts: { forwarded: 100 } }, /110 had a right CRC and 100 were forwarded/],
      [{ counts: { received: 10, crcOk: 20 } }, /That cannot be/],
    ],
    fail: [[{ counts: { forwarded: 0 } }, /0 were forwarded/]],
    waiting: [
      [{ counts: { received: null, crcOk: null, forwarded: null, reports: 0 } }, /none came yet/],
      [{ counts: { received: 0, crcOk: 0, forwarded: 0 } }, /received nothing in 10\u2009min/],
    ],
  },
  arrived: {
    warn: [
      [
        { intervals: Array(40).fill({ forwarded: 50, arrived: 48 }) as never },
        /forwarded 2,000 packets.*1,920 arrived/,
      ],
      [{ intervals: Array(4).fill({ forwarded: 5, arrived: 9 }) as never }, /More than it sent/],
    ],
    fail: [[{ intervals: Array(10).fill({ forwarded: 10, arrived: 6 }) as never }, /60 arrived/]],
    waiting: [
      [{ intervals: [] as never }, /it takes three/],
      [{ intervals: Array(5).fill({ forwarded: 0, arrived: 0 }) as never }, /it takes three/],
    ],
  },
  "crc-failed": {
    warn: [
      [{ crc: { crcOk: 70 } }, /50 of 120 packets had a wrong CRC, by its own count/],
      [{ crc: { received: null, crcOk: null, arrivedBad: 44 } }, /44 of 110 packets.*as they arrived/],
    ],
    fail: [[{ crc: { crcOk: 20 } }, /100 of 120/]],
    waiting: [
      [{ crc: { received: null, crcOk: null } }, /Neither/],
      [{ crc: { received: 5, crcOk: 4 } }, /5 packets of 20/],
    ],
  },
  region: {
    warn: [
      [{ region: { contradictions: ["12 receptions at 902.3 MHz."] } }, /Against it: 12 receptions/],
      [{ region: { verdict: "ambiguous", name: null, reason: "Ambiguous: fits A, B." } }, /Ambiguous/],
      [{ region: { verdict: "no-known-plan", name: null, packets: 20 } }, /./],
      [
        { region: { verdict: "nothing-heard", name: null, againstSubBand: ["Another heard 60."] } },
        /Another heard 60/,
      ],
      [{ region: { name: "US915", heardSubBands: [1, 2], heardChannels: 8 } }, /across sub-bands 1 and 2/],
    ],
    fail: [
      [{ region: { verdict: "no-known-plan", name: null } }, /./],
      [
        { region: { name: "US915", subBand: 1, againstSubBand: ["13 of 104 frames were heard."] } },
        /Wrong sub-band: 13 of 104 frames/,
      ],
      [
        { region: { name: "AU915", subBand: 1, wantedElsewhere: { plan: "Orchard plan", subBand: 2 } } },
        /Wrong sub-band: .*sub-band 1, and the plan Orchard plan lies in sub-band 2/,
      ],
    ],
    waiting: [
      [{ region: { verdict: "nothing-heard", name: null } }, /./],
      [{ region: { verdict: "ambiguous", name: null, packets: 10 } }, /./],
    ],
  },
  channels: {
    warn: [
      [{ channels: { heard: HEARD(40, 40) } }, /Never on 868\.5\u2009MHz, which EU863-870 asks for/],
      [{ channels: { heard: [], quietSeconds: 900 } }, /counted no packet in 15\u2009min/],
      [
        { channels: { heard: HEARD(20, 20, 20, 20, 20, 20), expectedHz: [], plan: "CN470-510" } },
        /120 packets came on 6/,
      ],
    ],
    fail: [
      [{ channels: { heard: HEARD(90) } }, /one channel only/],
      [
        {
          channels: {
            heard: HEARD(50, 50),
            expectedHz: [868_100_000, 868_300_000, 868_500_000, 868_700_000],
          },
        },
        /no chance/,
      ],
    ],
    waiting: [
      [{ channels: { heard: [] } }, /No packet/],
      [{ channels: { heard: HEARD(4, 3) } }, /may be chance: 7 packets/],
      [{ channels: { plan: null, expectedHz: [] } }, /not known before the plan/],
    ],
  },
  overload: {
    warn: [
      [
        {
          levels: {
            packets: LEVELS(
              (i) => -30 - (i % 5),
              () => 9,
            ),
          },
        },
        /\u221230\u2009dBm/,
      ],
      [{ levels: { ghosts: 2 } }, /2 weak copies/],
    ],
    fail: [[{ levels: { ghosts: 30 } }, /overloaded: 25\u2009%/]],
    waiting: [[{ levels: { packets: [] } }, /No packet with a level/]],
  },
  levels: {
    warn: [
      [
        {
          levels: {
            packets: LEVELS(
              (i) => -70 - (i % 4),
              (i) => 11 + (i % 2),
            ),
          },
        },
        /stops rising/,
      ],
    ],
    fail: [
      [
        {
          levels: {
            packets: LEVELS(
              () => -80,
              () => 7,
            ),
          },
        },
        /RSSI and SNR are the same in all of 40 packets/,
      ],
      [
        {
          levels: {
            packets: LEVELS(
              (i) => -80 - i,
              () => 7,
            ),
          },
        },
        /SNR is the same/,
      ],
    ],
    waiting: [
      [
        {
          levels: {
            packets: LEVELS(
              () => -80,
              () => 7,
              5,
            ),
          },
        },
        /5 packets with RSSI and SNR of 20/,
      ],
    ],
  },
  noise: {
    warn: [
      [{ noise: NOISE([-103, -103, -104]) as never }, /\+14\.0\u2009dB against a good receiver/],
      [{ noise: NOISE([-108, -116, -116]) as never }, /Loudest at 868\.1/],
      [{ noise: NOISE([-130, -131, -130]) as never }, /below that of any resistor/],
    ],
    fail: [[{ noise: NOISE([-94, -116, -116]) as never }, /\+23\.0\u2009dB/]],
    waiting: [
      [{ noise: NOISE([null, null]) as never }, /the best channel has 3/],
      [{ noise: [] as never }, /has 0/],
    ],
  },
  "datagram-order": {
    warn: [[{ order: { duplicates: 3 } }, /3 came twice and none after/]],
    fail: [[{ order: { duplicates: 10, reordered: 20 } }, /10 came twice and 20 after a later one/]],
    waiting: [[{ order: { datagrams: 6 } }, /6 datagrams of 20/]],
  },
  refused: {
    warn: [
      [
        { refused: { datagrams: 5_000, refused: [{ reason: "json_syntax", count: 1 }] } },
        /1 × body is no valid JSON/,
      ],
    ],
    fail: [[{ refused: { refused: [{ reason: "version", count: 140 }] } }, /140 × protocol version other/]],
    waiting: [[{ refused: { datagrams: 0 } }, /No datagram/]],
  },
  "round-trip": {
    warn: [
      [{ roundTrip: { pairsMs: [220, 240, 260] } }, /3 pairs/],
      [{ roundTrip: { pairsMs: [], ackPercent: 10 } }, /later than its push timeout/],
    ],
    fail: [[{ roundTrip: { pairsMs: [700, 800] } }, /2 pairs/]],
    waiting: [
      [{ roundTrip: { pairsMs: [], ackPercent: null } }, /cannot be known here/],
      [{ roundTrip: { pairsMs: [], ackPercent: 80 } }, /cannot be known here/],
    ],
  },
  downlinks: {
    warn: [
      [
        { downlinks: { refused: [{ word: "TOO_LATE", count: 1 }] } },
        /refused 1 of 13 downlinks.*it came too late/,
      ],
      [{ downlinks: { accepted: 0, asked: 5, emitted: 3 } }, /asked 5 times and sent 3/],
    ],
    fail: [
      [{ downlinks: { accepted: 0, refused: [{ word: "TX_FREQ", count: 2 }] } }, /2 of 2.*not allowed/],
      [{ downlinks: { accepted: 18, refused: [{ word: "ODD", count: 4 }] } }, /no known reason/],
      [{ downlinks: { test: { result: "unanswered", word: null } } }, /did not answer/],
      [{ downlinks: { test: { result: "refused", word: "GPS_UNLOCKED" } } }, /no GPS time/],
    ],
    waiting: [[{ downlinks: { accepted: 0, asked: 0, emitted: 0 } }, /No downlink was sent/]],
  },
};

describe("a sound gateway", () => {
  it("passes every check", () => {
    expect(judgeBench(SOUND).map(({ id, state }) => `${id} ${state}`)).toEqual(
      judgeBench(SOUND).map(({ id }) => `${id} pass`),
    );
  });

  it("gives every check a figure, a sentence and the basis of its limits", () => {
    for (const item of judgeBench(SOUND)) {
      expect(Shape.parse(item)).toEqual(item);
      expect(item.figure, item.id).not.toBe("–");
      expect(item.reason, item.id).toMatch(/^\S.*\.$/);
      expect(item.basis, item.id).toMatch(/\.$/);
    }
  });

  it("has no check that cannot be brought to pass, warn and fail", () => {
    const ids = judgeBench(SOUND).map(({ id }) => id);
    expect(Object.keys(CASES).sort()).toEqual([...ids].sort());
    for (const id of ids)
      expect([CASES[id]?.warn?.length, CASES[id]?.fail?.length], id).not.toContain(undefined);
  });
});

const EACH = Object.entries(CASES).flatMap(([id, states]) =>
  Object.entries(states).flatMap(([state, cases]) =>
    cases.map(([change, words], n) => [id, state, n + 1, change, words] as const),
  ),
);

describe("a check", () => {
  it.each(EACH)("%s: %s, case %i", (id, state, _, change, words) => {
    const item = judged(id, changed(change));
    expect([item.state, item.reason]).toEqual([state, expect.stringMatching(words)]);
    if (state === "warn" || state === "fail") expect(item.advice).toMatch(/\.$/);
    else expect(item.advice).toBeNull();
    if (state !== "waiting") expect(item.awaits).toBeNull();
  });
});

describe("what a gateway does without a network of its own", () => {
  it("passes on a test downlink that was sent, on what the gateway itself counts, on a round trip under its timeout", () => {
    const none = { accepted: 0, refused: [], asked: null, emitted: null };
    expect(
      judged("downlinks", changed({ downlinks: { ...none, test: { result: "sent", word: null } } })).state,
    ).toBe("pass");
    expect(judged("downlinks", changed({ downlinks: { ...none, asked: 4, emitted: 4 } })).state).toBe("pass");
    expect(judged("round-trip", changed({ roundTrip: { pairsMs: [], ackPercent: 100 } }))).toMatchObject({
      state: "pass",
      figure: "under 100\u2009ms",
      value: null,
    });
  });

  it("passes with eight channels of a plan that does not name them", () => {
    const eight = HEARD(9, 9, 9, 9, 9, 9, 9, 9);
    expect(
      judged("channels", changed({ channels: { heard: eight, expectedHz: [], plan: "CN470-510" } })).state,
    ).toBe("pass");
  });
});
