import { describe, expect, it } from "vitest";
import type { BenchState } from "../../../src/contract/index.ts";
import { BenchItem as Shape } from "../../../src/contract/index.ts";
import { type BenchEvidence, judgeBench } from "../../../src/diagnosis/bench/judge.ts";
import { type Change, changed, judged, SOUND } from "./a-sound-gateway.ts";

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
const DATED = (offsetUs: (i: number) => number) =>
  SOUND.packetTime.dated.map((one, i) => ({ ...one, timeOffsetUs: offsetUs(i) }));
const TRIP = (medianMs: number, p99Ms: number) => ({
  source: "relay" as const,
  medianMs,
  p99Ms,
  lostShare: 0,
  asked: 200,
});
const ABOVE = (...levels: number[]) =>
  levels.map((aboveDb, i) => ({ frequencyHz: 868_100_000 + i * 200_000, aboveDb }));
/** Five downlinks, all refused with one word. */
const REFUSED = (
  word: string,
  leadMs: number,
  answersUplink = true,
): Partial<BenchEvidence["downlinks"]> => ({
  accepted: 0,
  refused: [{ word, count: 5 }],
  refusedHere: Array.from({ length: 5 }, () => ({ word, leadMs, answersUplink })),
});
const LEVELS = (rssi: (i: number) => number, snr: (i: number) => number, count = 40) =>
  Array.from({ length: count }, (_, i) => ({ rssiDbm: rssi(i), snrDb: snr(i) }));
const HEARD = (...counts: number[]) =>
  counts.map((count, i) => ({ frequencyHz: 868_100_000 + i * 200_000, count }));

/** For each item, evidence that makes it warn, fail and wait, each with words that its reason must hold. */
const CASES: Record<string, Partial<Record<BenchState, [Change, RegExp][]>>> = {
  keepalives: {
    warn: [
      [{ keepalives: { intervalSeconds: 60, sinceNewestSeconds: 20 } }, /only every 60\u202Fs/],
      [{ keepalives: { lost: 3 } }, /3 of 63 keepalives are missing/],
      [{ keepalives: { silences: 1 } }, /1 silence of more than three intervals/],
    ],
    fail: [
      [
        { keepalives: { count: 0, intervalSeconds: null, sinceNewestSeconds: null } },
        /No keepalive came in 10\u202Fmin, though 80 other datagrams did/,
      ],
      [{ keepalives: { sinceNewestSeconds: 200 } }, /came 3\u202Fmin 20\u202Fs ago/],
      [{ keepalives: { intervalSeconds: 300 } }, /routers on the path may close/],
      [{ keepalives: { lost: 20 } }, /loses datagrams/],
      [
        {
          keepalives: {
            count: 0,
            intervalSeconds: null,
            sinceNewestSeconds: null,
            followedSeconds: 0,
            others: 0,
            lastHeardSeconds: 7_200,
            recordedSeconds: 3_600,
          },
        },
        /Nothing came from it in the 1\u202Fh that were recorded; it was last heard 2\u202Fh ago/,
      ],
    ],
    waiting: [
      [{ keepalives: { count: 2, intervalSeconds: null, followedSeconds: 12 } }, /2 keepalives of three/],
      [
        {
          keepalives: { count: 0, others: 0, followedSeconds: 0, recordedSeconds: 0, intervalSeconds: null },
        },
        /Nothing was recorded/,
      ],
    ],
  },
  "status-reports": {
    warn: [
      [{ status: { count: 0, intervalSeconds: null, sinceNewestSeconds: null } }, /No status report came/],
      [{ status: { odd: 2 } }, /2 reports had to be repaired/],
      [{ status: { intervalSeconds: 600, sinceNewestSeconds: 30 } }, /only every 10\u202Fmin/],
      [{ status: { count: 38, missing: 2 } }, /2 of 40 reports are missing \(5\.0\u202F%\)/],
    ],
    fail: [
      [{ status: { sinceNewestSeconds: 400 } }, /stopped 6\u202Fmin 40\u202Fs ago/],
      [{ status: { count: 16, missing: 4 } }, /4 of 20 reports are missing/],
    ],
    waiting: [
      [{ status: { count: 0, intervalSeconds: null, followedSeconds: 20 } }, /0 status reports of three/],
      [{ status: { count: 1, intervalSeconds: null, followedSeconds: 140 } }, /1 status report of three/],
    ],
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
      [{ gatewayClock: { offsetsUs: [-42_500_000] } }, /42\u202Fs behind/],
      [{ gatewayClock: { offsetsUs: [null, null] } }, /no readable time/],
    ],
    fail: [
      [{ gatewayClock: { offsetsUs: [7_199_800_000] } }, /local time as UTC/],
      [{ gatewayClock: { offsetsUs: [700_000_000] } }, /ahead of/],
      [{ gatewayClock: { offsetsUs: [-SOUND.gatewayClock.newestAtUs!] } }, /1970/],
      [{ gatewayClock: { offsetsUs: [315_964_800e6 - SOUND.gatewayClock.newestAtUs!] } }, /GPS time/],
      [{ gatewayClock: { offsetsUs: [-1024 * 7 * 86_400e6] } }, /1024 weeks/],
    ],
    waiting: [[{ gatewayClock: { offsetsUs: [], newestAtUs: null } }, /none came yet/]],
  },
  "counter-drift": {
    warn: [[{ drift: { ppm: 14, lowPpm: 12, highPpm: 16 } }, /14\.0\u202Fppm fast/]],
    fail: [
      [
        { standstill: { packets: 12, seconds: 55, tmstUs: 123_456 } },
        /12 packets over 55\u202Fs have the same count, 123456/,
      ],
      [{ drift: { ppm: -80, lowPpm: -82, highPpm: -78 } }, /80\.0\u202Fppm slow.*No sound oscillator/],
    ],
    waiting: [
      [
        { drift: { ppm: null, lowPpm: -9, highPpm: 9, spanSeconds: 600 } },
        /± 9\u202Fppm so far.*about 17\u202Fmin more/,
      ],
      [{ drift: { ppm: null, lowPpm: null, highPpm: null } }, /Not enough yet/],
      [{ drift: null as never }, /Two counters in turn/],
    ],
  },
  "packet-time": {
    warn: [
      [{ packetTime: { dated: DATED(() => 18_000_000) } }, /leap seconds between GPS and UTC/],
      [
        { packetTime: { dated: DATED((i) => (i === 20 ? -90_000_000 : 0)) } },
        /ran backwards or jumped at 2 of 40/,
      ],
    ],
    fail: [
      [{ packetTime: { dated: DATED(() => 7_200_000_000) } }, /2\u202Fh ahead of.*local time as UTC/],
      [{ packetTime: { dated: DATED(() => 4_294_967_296) } }, /one wrap of the counter/],
      [{ packetTime: { dated: DATED((i) => (i % 2) * -3_000_000) } }, /ran backwards or jumped at 39 of 40/],
    ],
    waiting: [
      [{ packetTime: { packets: 0, dated: [] } }, /No packet came yet/],
      [{ packetTime: { dated: [] } }, /no time of their own/],
      [{ packetTime: { dated: DATED(() => 0).slice(0, 3) } }, /3 of 5 packets/],
    ],
  },
  radio: {
    warn: [
      [
        { radio: { packets: 0, quietSeconds: 70, heardSeconds: 0, nodes: 0 } },
        /no packet in 1\u202Fmin 10\u202Fs: nobody sent nearby/,
      ],
      // 60 packets in 60 s from one node, then none for 40 s.
      [
        { radio: { packets: 60, quietSeconds: 40, heardSeconds: 60, nodes: 1 } },
        /About 40 were to be expected\. Only 1 node had been heard, so the node may have stopped/,
      ],
    ],
    fail: [
      [
        { radio: { packets: 60, quietSeconds: 40, heardSeconds: 60, nodes: 5 } },
        /no packet in the last 40\u202Fs/,
      ],
      [
        { radio: { packets: 9, quietSeconds: 90, heardSeconds: 900, nodes: 1, heardByOthers: 8 } },
        /Other gateways heard 8 frames meanwhile/,
      ],
      [{ radio: { packets: 0, quietSeconds: 900, heardSeconds: 0, nodes: 0 } }, /no packet in 15\u202Fmin/],
    ],
    waiting: [
      [{ radio: { packets: 0, quietSeconds: 20, heardSeconds: 0, nodes: 0 } }, /No packet yet in 20\u202Fs/],
    ],
  },
  "data-rates": {
    warn: [[{ dataRates: { heard: [{ dataRate: "SF7BW125", count: 80 }] } }, /hears one data rate only/]],
    fail: [
      [
        { dataRates: { heard: [{ dataRate: "SF7BW125", count: 80 }], channels: 1 } },
        /one channel and one data rate/,
      ],
    ],
    waiting: [
      [{ dataRates: { heard: [] } }, /No packet with a right CRC/],
      [{ dataRates: { heard: [{ dataRate: "SF7BW125", count: 20 }] } }, /All 20 packets came with SF7BW125/],
    ],
  },
  "overheard-downlinks": {
    warn: [
      [{ overheard: { downlinks: 5 } }, /5 downlinks of other gateways came in as uplinks \(4\.5\u202F% of/],
    ],
    fail: [[{ overheard: { downlinks: 30, withCrc: 30 } }, /30 downlinks.*most with a CRC/]],
    waiting: [[{ overheard: { packets: 0 } }, /No packet came yet/]],
  },
  restarts: {
    warn: [[{ restarts: { restarts: ["2026-03-14T09:05:06.000Z"] } }, /once, last at 2026-03-14T09:05:06Z/]],
    fail: [
      [
        {
          restarts: {
            restarts: ["2026-03-14T09:05:06.000Z", "2026-03-14T09:05:26.000Z", "2026-03-14T09:05:46.000Z"],
          },
        },
        /3 times.*in a loop, about every 20\u202Fs/,
      ],
    ],
    waiting: [
      [{ restarts: { readings: 1 } }, /not two yet/],
      [
        { restarts: { isTwoBoards: true, restarts: Array(1974).fill("2026-03-14T09:05:06.000Z") } },
        /Two boards use/,
      ],
    ],
  },
  acknowledged: {
    warn: [
      [{ acknowledged: { ackPercents: [0, 90, 92, 91] } }, /91\u202F% of its datagrams/],
      [
        { acknowledged: { ackPercents: [0, 90, 92, 91], trip: TRIP(180, 240) } },
        /beyond this relay, not in the gateway's own network/,
      ],
      [
        { acknowledged: { ackPercents: [0, 90, 92, 91], trip: TRIP(12, 20) } },
        /between the gateway and this relay/,
      ],
    ],
    fail: [
      [{ acknowledged: { ackPercents: [0, 10, 20, 30] } }, /fetches nothing from its radio/],
      [{ acknowledged: { ackPercents: [0, 0, 0, 0], nothingLost: false } }, /no answer reaches it in time/],
      [{ acknowledged: { ackPercents: [0, 0, 0, 0] } }, /nothing is lost.*later than push_timeout_ms/],
    ],
    waiting: [
      [{ acknowledged: { ackPercents: [0] } }, /from the second one on/],
      [{ acknowledged: { ackPercents: [null, null, null] } }, /do not say/],
    ],
  },
  forwarded: {
    warn: [
      [{ counts: { forwarded: 100 } }, /110 had a right CRC and 100 were forwarded/],
      [{ counts: { received: 10, crcOk: 20 } }, /That is impossible/],
    ],
    fail: [[{ counts: { forwarded: 0 } }, /0 were forwarded/]],
    waiting: [
      [{ counts: { received: null, crcOk: null, forwarded: null, reports: 0 } }, /none came yet/],
      [{ counts: { received: 0, crcOk: 0, forwarded: 0 } }, /received nothing in 10\u202Fmin/],
    ],
  },
  arrived: {
    warn: [
      [
        { arrived: { runs: [{ intervals: 40, forwarded: 2_000, arrived: 1_920 }] } },
        /forwarded 2\u202F000 packets.*1\u202F920 arrived/,
      ],
      [{ arrived: { runs: [{ intervals: 4, forwarded: 20, arrived: 36 }] } }, /More than it sent/],
      [
        { arrived: { uncompared: 6 } },
        /In 6 further intervals a report is missing: what was sent then is not known/,
      ],
    ],
    // 15 forwarded, 12 arrived: two may belong to the reports beside them, one of 15 is lost for sure.
    fail: [
      [
        { arrived: { runs: [{ intervals: 3, forwarded: 15, arrived: 12 }] } },
        /forwarded 15 packets.*12 arrived/,
      ],
      [{ arrived: { runs: [{ intervals: 10, forwarded: 100, arrived: 60 }] } }, /60 arrived/],
    ],
    waiting: [
      [{ arrived: { runs: [] } }, /Waiting for 3 intervals/],
      [{ arrived: { runs: [{ intervals: 5, forwarded: 0, arrived: 0 }] } }, /Waiting for 3 intervals/],
      // One of five is 20 %, which is no pass, and may yet come with the next report.
      [{ arrived: { runs: [{ intervals: 3, forwarded: 5, arrived: 4 }] } }, /may belong to the next report/],
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
        {
          region: {
            expected: { name: "US902-928, sub-band 2", channels: "903.9 to 905.3\u202FMHz", fitting: 0 },
          },
        },
        /0 of 110 packets lie on.*US902-928, sub-band 2, which you expect\. It hears EU868/,
      ],
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
      [
        { region: { packets: 3, expected: { name: "EU863-870", channels: "868.1\u202FMHz", fitting: 3 } } },
        /3 packets of 5/,
      ],
    ],
  },
  channels: {
    warn: [
      [{ channels: { heard: HEARD(40, 40) } }, /Never on 868\.5\u202FMHz, which EU863-870 asks for/],
      [
        { channels: { heard: HEARD(60, 2, 60), noise: ABOVE(1, 14, 2) } },
        /Far fewer packets.*868\.3 \(2\).*noise on 868\.3\u202FMHz is 12\.0\u202FdB above the other channels: interference/,
      ],
      [
        { channels: { heard: HEARD(60, 2, 60), noise: ABOVE(1, 2, 1) } },
        /868\.3 \(2\).*noise there is no higher than elsewhere/,
      ],
      [
        { channels: { elsewhere: [...HEARD(30, 30, 30), { frequencyHz: 867_500_000, count: 30 }] } },
        /came on 867\.5 \(none\)\u202FMHz/,
      ],
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
        /not chance\. They lie side by side, as the channels of one radio chain do/,
      ],
    ],
    waiting: [
      [{ channels: { heard: [] } }, /No packet.*see Radio/],
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
        /\u221230\u202FdBm/,
      ],
      [{ levels: { ghosts: 2 } }, /2 weak copies/],
    ],
    fail: [
      [{ levels: { ghosts: 30 } }, /overloaded: 25\u202F%/],
      [
        {
          levels: {
            packets: LEVELS(
              (i) => -5 - (i % 3),
              () => 9,
            ),
          },
        },
        /above the \u221212\u202FdBm that the receiver's input takes/,
      ],
    ],
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
      [
        { noise: NOISE([-103, -103, -104]) as never },
        /\+14\.0\u202FdB against a good receiver.*Alike on all 3 channels, within 1\.0\u202FdB: the noise is local/,
      ],
      [{ noise: NOISE([-108, -116, -116]) as never }, /Loudest at 868\.1/],
      [{ noise: NOISE([-130, -131, -130]) as never }, /below that of any resistor/],
    ],
    fail: [[{ noise: NOISE([-94, -116, -116]) as never }, /\+23\.0\u202FdB/]],
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
        /1 × body is not valid JSON/,
      ],
    ],
    fail: [[{ refused: { refused: [{ reason: "version", count: 140 }] } }, /140 × protocol version other/]],
    waiting: [[{ refused: { datagrams: 0 } }, /No datagram/]],
  },
  "round-trip": {
    warn: [
      [{ roundTrip: { pairsMs: [220, 240, 260] } }, /3 pairs.*above push_timeout_ms/],
      [
        { roundTrip: { pairsMs: [], trip: TRIP(180, 400) } },
        /180\u202Fms from here to the server and back.*push_timeout_ms/,
      ],
      [{ roundTrip: { pairsMs: [], ackPercent: 10 } }, /later than push_timeout_ms/],
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
      [{ downlinks: { test: { result: "unanswered", word: null } } }, /The gateway may still transmit it/],
      [
        { downlinks: REFUSED("TOO_LATE", 12) },
        /5 × TOO_LATE.*12\.0\u202Fms before their moment.*server sends them too late/,
      ],
      [{ downlinks: REFUSED("TOO_EARLY", 950) }, /TOO_EARLY.*early enough: the gateway's own clock is wrong/],
      [{ downlinks: REFUSED("TOO_EARLY", 950, false) }, /answer no uplink heard here/],
      [
        { downlinks: { ...REFUSED("TOO_EARLY", 1), refusedHere: [] } },
        /TOO_EARLY mostly means that the moment had just passed/,
      ],
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
      figure: "under 100\u202Fms",
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
