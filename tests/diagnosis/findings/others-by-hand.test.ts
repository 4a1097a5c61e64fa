/** What noise, neighbours and channels weigh, each piece whole, both sides of each limit. Counted by hand. */
import { describe, expect, it } from "vitest";
import { channelEvidence } from "../../../src/diagnosis/findings/channels.ts";
import {
  countedIn,
  innerStretch,
  lossesAreAlike,
  neighboursMeanwhile,
  proportionIn,
  surpriseOfOthers,
} from "../../../src/diagnosis/findings/company.ts";
import type { EvidencePiece } from "../../../src/diagnosis/findings/evidence.ts";
import { neighbourEvidence } from "../../../src/diagnosis/findings/neighbours.ts";

import { noiseEvidence } from "../../../src/diagnosis/findings/noise.ts";
import { sightOf } from "../../../src/diagnosis/findings/observations.ts";
import { heardChannels } from "../../../src/diagnosis/findings/silent-channels.ts";
import type { Scene, SceneGap, SceneReception, SceneReport } from "../../../src/model/gap.ts";
import { binomialPmf } from "../../../src/statistics/proportions.ts";
import { every, gateway, heard, MINUTE, said, scene } from "./by-minutes.ts";

const EUI = "02005E1000000001";
const tenMissed = [110, 111, 112, 120, 121, 130, 140, 150, 160, 170];
const from = (first: number, last: number, step = 1) =>
  Array.from({ length: Math.floor((last - first) / step + 1e-9) + 1 }, (_, i) => first + step * i);
const told = (all: readonly EvidencePiece[]) => all.map((piece) => ({ ...piece, sentence: said(piece) }));
const of = (weight: number, ...causes: string[]) =>
  Object.fromEntries(causes.map((cause) => [cause, weight]));
const WITHIN = { fromUs: 100 * MINUTE, toUs: 200 * MINUTE };
const restsOn = { ...WITHIN, ofNode: false, gatewayEui: EUI };
const OF_ONE_NODE = [
  "node-silent",
  "node-restarted",
  "rejoin-loop",
  "weak-link",
  "channel-mismatch",
  "shared-address",
];
const OF_THE_AIR = ["interference", "congestion", "gateway-transmitting"];
const OF_THE_GATEWAY = ["gateway-unreachable", "gateway-restarted"];
const keepalivesUs = from(40, 260).map((minute) => minute * MINUTE);
const alive = gateway({ keepalivesUs, keepaliveUs: MINUTE });
const all99 = from(101, 199);

describe("the noise of the weak frames", () => {
  /** At -20 dB SNR the channel's power is noise. */
  const tells = (minute: number, noiseDbm: number, more: Partial<SceneReception> = {}) =>
    heard(2, minute, minute, { rssiDbm: noiseDbm, snrDb: -20, ...more });
  const before = from(40, 98, 2).map((minute) => tells(minute, -118));
  const strong = every(1, 40, 260, tenMissed, { snrDb: 9 });
  /** Of an unknown SNR: no strong one, as far as is known. */
  const weak = every(1, 40, 260, tenMissed, { snrDb: null });
  const noise = (frames: readonly SceneReception[], own: readonly SceneReception[] = strong) =>
    told(noiseEvidence(sightOf(scene([...own, ...frames]))));
  const within = (count: number, noiseDbm: number) =>
    from(0, count - 1).map((i) => tells(101 + (98 * i) / count, noiseDbm));

  it("rose by 3 dB and more, or by 6, which is severe", () => {
    const rose = (db: number) => noise([...before, ...within(30, -118 + db)])[0];
    expect(rose(4)).toEqual({
      sentence: "The noise rose by up to 4.0 dB against before (30 weak frames tell it).",
      lane: "noise",
      restsOn,
      weights: {
        interference: 3.5,
        "weak-link": -2.5,
        "channel-mismatch": -2,
        congestion: -0.5,
        "gateway-transmitting": -1,
      },
    });
    expect(rose(3)?.weights.interference).toBe(3.5);
    expect(rose(6)?.weights.interference).toBe(5);
    expect(rose(5.9)?.weights.interference).toBe(3.5);
    // Less, but not nothing: neither a rise nor none.
    expect(rose(2.9)?.sentence).toBe("The noise stayed as it was (2.9 dB at most, 30 weak frames tell it).");
  });

  it("stayed as it was: that says the more, the more frames tell it, and little of a strong node", () => {
    const stayed = (db: number, count: number, own: readonly SceneReception[]) =>
      noise([...before, ...within(count, -118 + db)], own)[0]?.weights;
    expect(stayed(1, 20, weak)).toEqual({ interference: -1.5 });
    expect(stayed(1, 19, weak)).toEqual({ interference: -0.7 });
    expect(stayed(1.5, 20, weak)).toEqual({ interference: -0.7 });
    expect(stayed(1, 20, strong)).toEqual({ interference: -0.3 });
  });

  it("is compared channel by channel, and says on how many it rose", () => {
    const there = (frequencyHz: number) => (one: SceneReception) => ({ ...one, frequencyHz });
    const frames = [
      ...before,
      ...before.map(there(868_300_000)),
      ...within(10, -118),
      ...within(10, -110).map(there(868_300_000)),
    ];
    expect(noise(frames)[0]?.sentence).toBe(
      "The noise rose by up to 8.0 dB against before on 1 of 2 channels (20 weak frames tell it).",
    );
    // Four frames of a channel do not tell it.
    const few = [...before, ...before.map(there(868_300_000)), ...within(10, -118)];
    expect(noise([...few, ...within(4, -110).map(there(868_300_000))])[0]?.sentence).toContain(
      "stayed as it was",
    );
  });

  it("says less where a channel that told it before tells it no more: noise takes such frames away", () => {
    const other = before.map((one) => ({ ...one, frequencyHz: 868_300_000 }));
    expect(noise([...before, ...other, ...within(30, -118)], weak)[0]?.weights).toEqual({
      interference: -0.3,
    });
    // It had half of the frames; six tenths of that share are three in ten: of 43 thirteen are enough, of 42 twelve are not.
    const there = (count: number) =>
      within(count, -118).map((one) => ({ ...one, atUs: one.atUs + 1, frequencyHz: 868_300_000 }));
    const left = (count: number) =>
      noise([...before, ...other, ...within(30, -118), ...there(count)], weak)[0]?.weights;
    expect([left(12), left(13)]).toEqual([{ interference: -0.3 }, { interference: -1.5 }]);
  });

  it("is told by frames up to 5 dB of SNR with a right CRC", () => {
    const with5 = (more: Partial<SceneReception>) =>
      noise([...before, ...within(30, -110).map((one) => ({ ...one, ...more }))]).filter(
        ({ lane }) => lane === "noise",
      ).length;
    expect(with5({})).toBe(1);
    expect([
      with5({ crcOk: false }),
      with5({ snrDb: 5.1 }),
      with5({ snrDb: null }),
      with5({ rssiDbm: null }),
    ]).toEqual([0, 0, 0, 0]);
  });

  it("is what nodes lost of their SNR at the same strength", () => {
    // Three nodes at -110 dBm: SNR 0 before, -6 in the gap, so that their noise is 6 dB above what it was.
    const nodes = [2, 3, 4].flatMap((life) =>
      every(life, 40, 260).map((one) => {
        const snrDb = one.atUs >= WITHIN.fromUs && one.atUs < WITHIN.toUs ? -6 : 0;
        return { ...one, snrDb, rssiDbm: -110 - snrDb + 10 * Math.log10(1 + 10 ** (snrDb / 10)) };
      }),
    );
    // On a channel of which nothing is known of before.
    const strays = from(110, 190, 10).map((minute) =>
      heard(2, minute + 0.5, minute + 1_000, { frequencyHz: 868_900_000, snrDb: -15, rssiDbm: -70 }),
    );
    const own = every(1, 40, 260, tenMissed, { snrDb: null });
    // Above 5 dB of SNR no frame tells the noise by itself; here it does as well.
    const fall = noise([...nodes, ...strays], own).find(({ sentence }) => sentence.includes("lost SNR"));
    expect(fall).toEqual({
      sentence: "3 of 3 nodes lost SNR at unchanged strength, 6.0 dB in the middle.",
      lane: "noise",
      restsOn,
      weights: {
        interference: expect.closeTo(4, 9),
        "weak-link": -2,
        "channel-mismatch": -1.5,
        congestion: -0.5,
      },
    });
    const two = nodes.filter(({ lifeId }) => lifeId !== 4);
    expect(noise(two, own).some(({ sentence }) => sentence.includes("lost SNR"))).toBe(false);
    // Beside three that went on as before: three of six, 3 dB in the middle; beside two, three of five.
    const steady = (...lives: number[]) =>
      lives.flatMap((life) => every(life, 40, 260, [], { snrDb: 0, rssiDbm: -110 + 10 * Math.log10(2) }));
    const beside = (...lives: number[]) =>
      noise([...nodes, ...steady(...lives)], own).find(({ sentence }) => sentence.includes("lost SNR"))
        ?.sentence;
    expect(beside(5, 6, 7)).toBeUndefined();
    expect(beside(5, 6)).toBe("3 of 5 nodes lost SNR at unchanged strength, 6.0 dB in the middle.");
  });
});

describe("packets that came broken", () => {
  const report = (minute: number, received: number, crcOk: number): SceneReport => ({
    atUs: minute * MINUTE,
    received,
    crcOk,
    forwarded: null,
    emitted: null,
    ackPercent: null,
  });
  const broken = (reports: readonly SceneReport[], gap: Partial<SceneGap> = {}) =>
    told(
      noiseEvidence(
        sightOf(scene(every(1, 40, 260, tenMissed, { snrDb: 9 }), gap, { homes: [gateway({ reports })] })),
      ),
    );

  it("are more than twice as many as before, by the gateway's own counts", () => {
    const reports = [
      ...[50, 60, 70].map((minute) => report(minute, 40, 38)),
      ...[120, 140, 160].map((minute) => report(minute, 40, 30)),
    ];
    expect(broken(reports)).toEqual([
      {
        sentence: "More packets arrived broken: 25 % of 120 packets came broken, 5.0 % before.",
        lane: "load",
        restsOn,
        weights: { interference: 1, congestion: 1.5, "weak-link": 0, "channel-mismatch": -1 },
      },
    ]);
    // Against the 60 packets that came before, where no report counts those.
    expect(broken(reports.slice(3))[0]?.sentence).toBe(
      "More packets arrived broken: 25 % of 120 packets came broken, 0 % before.",
    );
  });

  it("are more by one and a half roots of their number, beyond twice as many as before", () => {
    // Ten of a hundred before. 28 of a hundred: 8 beyond twenty, 1.5 × √28 = 7.9; 27: 7, 1.5 × √27 = 7.8.
    const of = (bad: number) =>
      broken([
        report(50, 40, 36),
        report(60, 30, 27),
        report(70, 30, 27),
        report(120, 50, 50 - bad + 10),
        report(140, 30, 20),
        report(160, 20, 20),
      ])[0]?.sentence;
    expect(of(28)).toBe("More packets arrived broken: 28 % of 100 packets came broken, 10 % before.");
    expect(of(27)).toBeUndefined();
  });

  it("are no more than before, where the loss is ten times as large", () => {
    const quiet = [...from(50, 95, 5), ...from(110, 190, 10)].map((minute) => report(minute, 20, 20));
    expect(broken(quiet)).toEqual([
      {
        sentence: "No more packets arrived broken than before: 0 % of 180 packets came broken, 0 % before.",
        lane: "load",
        restsOn,
        weights: { congestion: -0.5 },
      },
    ]);
    // Fewer than a hundred packets do not tell.
    expect(broken(quiet.map((one) => ({ ...one, received: 11, crcOk: 11 })))).toEqual([]);
    // One in a hundred broken: more than a tenth of the tenth that was lost.
    expect(broken(quiet.map((one, i) => (i === 15 ? { ...one, crcOk: 18 } : one)))).toEqual([]);
  });

  it("are those that were forwarded where fewer than three reports count", () => {
    const frames = every(1, 40, 260, tenMissed, { snrDb: 9 });
    const bad = from(101, 199, 3).map((minute) => heard(8, minute + 0.5, 0, { crcOk: false, lifeId: null }));
    expect(told(noiseEvidence(sightOf(scene([...frames, ...bad]))))[0]?.sentence).toBe(
      // 90 of the node's own within (that of minute 100 among them) and 33 broken ones.
      "More packets arrived broken: 27 % of 123 packets came broken, 0 % before.",
    );
  });
});

describe("the neighbours of a node that lost all", () => {
  const own = every(1, 40, 260, all99);
  const meanwhile = (
    others: readonly SceneReception[],
    gap: Partial<SceneGap> = {},
    more: Partial<Scene> = {},
  ) => told(neighbourEvidence(sightOf(scene([...own, ...others], { missed: 99, ...gap }, more))));
  const three = [2, 3, 4].flatMap((life) => every(life, 40, 260));
  const without = (missed: readonly number[]) => [2, 3, 4].flatMap((life) => every(life, 40, 260, missed));

  it("went on: it is the node's own trouble", () => {
    // Inside half a minute from both ends 99 frames of each; 120 of each beside the gap in 120 min make 99 of 99 min.
    expect(meanwhile(three)).toEqual([
      {
        sentence:
          "The others were heard as usual: 297 frames of 3 other nodes were heard there meanwhile, 297 were to be expected.",
        lane: "neighbours",
        restsOn,
        weights: { ...of(1, ...OF_ONE_NODE), ...of(-3.5, ...OF_THE_AIR), ...of(-5, ...OF_THE_GATEWAY) },
      },
    ]);
    expect(meanwhile(every(2, 40, 260))[0]?.sentence).toContain("99 frames of 1 other node were heard");
  });

  it("went on: of four counters lost in a row that says less of the air than of five", () => {
    const few = (missed: number) => {
      const range = { fromUs: 100 * MINUTE, toUs: (101 + missed) * MINUTE };
      const made = scene(
        [...every(1, 40, 260, from(101, 100 + missed)), ...three],
        { ...range, missed },
        {
          within: range,
          after: { fromUs: range.toUs, toUs: 260 * MINUTE },
        },
      );
      return neighbourEvidence(sightOf(made))[0]?.weights;
    };
    const sure = (missed: number) => (3 * missed) / 12;
    expect(few(4)?.interference).toBe(-1 * Math.min(1, sure(4)));
    expect(few(5)?.interference).toBe(-3.5);
    // Three frames due of twelve make a quarter of it.
    expect(few(1)?.["weak-link"]).toBeCloseTo(0.25, 9);
  });

  it("came in less than nine tenths: transmissions in step with the node take some of theirs", () => {
    const most = meanwhile(without(from(110, 120)))[0];
    expect(most?.weights["gateway-transmitting"]).toBe(-1.5);
    expect(meanwhile(without(from(110, 118)))[0]?.weights["gateway-transmitting"]).toBe(-3.5);
  });

  it("came in part, from three to seven tenths", () => {
    const part = (missed: readonly number[]) => meanwhile(without(missed))[0];
    expect(part(from(110, 159))).toEqual({
      sentence:
        "The others came through in part: 147 frames of 3 other nodes were heard there meanwhile, 297 were to be expected.",
      lane: "neighbours",
      restsOn,
      weights: { ...of(-1, ...OF_ONE_NODE), "channel-mismatch": 0, ...of(1, ...OF_THE_AIR) },
    });
    const begins = (count: number) => part(from(101, 100 + count))?.sentence.slice(0, 20);
    // 99 less 29 are 70.7 %, less 30 69.7 %; less 69 30.3 %, less 70 29.3 %.
    expect([29, 30, 69, 70].map(begins)).toEqual([
      "The others were hear",
      "The others came thro",
      "The others came thro",
      "Neighbours were lost",
    ]);
  });

  it("were lost at the same time: it is the gateway's or the air's, the more where it was reachable", () => {
    const lost = meanwhile(without(from(101, 190)), {}, { homes: [alive] });
    expect(lost[0]).toEqual({
      sentence:
        "Neighbours were lost at the same time; the gateway was reachable: 27 frames of 3 other nodes were heard there meanwhile, 297 were to be expected.",
      lane: "neighbours",
      restsOn,
      weights: {
        ...of(-4, ...OF_ONE_NODE),
        "channel-mismatch": -1,
        ...of(1.5, ...OF_THE_GATEWAY),
        ...of(0.5, ...OF_THE_AIR),
        interference: 1.5,
        congestion: -1,
      },
    });
    // Of one node's 99 frames, 98 are lost.
    const single = meanwhile(every(2, 40, 260, from(102, 199)), {}, { homes: [alive] })[0];
    expect(single?.sentence).toContain(
      ": 1 frame of 1 other node was heard there meanwhile, 99 were to be expected.",
    );
    const none = meanwhile(without(all99), {}, { homes: [alive] })[0];
    expect(none?.weights).toEqual({
      ...of(-4, ...OF_ONE_NODE),
      ...of(1.5, ...OF_THE_GATEWAY),
      ...of(0.5, ...OF_THE_AIR),
      interference: 4,
      congestion: -1,
      "gateway-weakened": 4.5,
    });
    expect(none?.leavesOpen).toEqual(["interference", "gateway-deaf"]);
    // Not known to be reachable: nothing of the receiver.
    const unknown = meanwhile(without(all99))[0];
    expect(unknown?.sentence).toMatch(/^Neighbours were lost at the same time: 0 frames/);
    expect(unknown?.weights).toEqual({
      ...of(-4, ...OF_ONE_NODE),
      ...of(1.5, ...OF_THE_GATEWAY),
      ...of(0.5, ...OF_THE_AIR),
    });
    expect(unknown?.leavesOpen).toBeUndefined();
  });

  it("were lost while it goes on: what a receiver still reads says that it is not broken", () => {
    const open = (missed: readonly number[]) =>
      meanwhile(without(missed), { open: true }, { homes: [alive] })[0]?.weights.interference;
    // Of 298 expected (to the end of the gap) 15 are one in twenty.
    expect(open(from(101, 185))).toBe(2.5);
    expect(open(from(101, 198))).toBe(4);
    expect(open(from(101, 200))).toBe(1.5);
  });

  it("went on, which says nothing of an outage that made the gap, or of few that were due", () => {
    const outages = [{ ...WITHIN, restarted: null, open: false }];
    const weights = (home: ReturnType<typeof gateway>) =>
      told(neighbourEvidence(sightOf(scene([...own, ...three], { missed: 99 }, { homes: [home] })))).find(
        ({ sentence }) => sentence.startsWith("The others were heard as usual"),
      )?.weights;
    expect(weights(gateway())).toMatchObject(of(-5, ...OF_THE_GATEWAY));
    expect(Object.keys(weights(gateway({ outages })) ?? {})).not.toContain("gateway-unreachable");
    // One that sends every ten minutes, of whose ten frames half came.
    const slow = every(2, 40, 260).filter(
      ({ counter }) => (counter ?? 0) % 10 === 0 && ![120, 140, 160, 180].includes(counter ?? 0),
    );
    const sight = sightOf(scene([...own, ...slow], { missed: 99 }));
    const { expected } = proportionIn(sight, innerStretch(sight));
    expect(expected).toBeLessThan(12);
    const part = told(neighbourEvidence(sight)).find(({ sentence }) =>
      sentence.startsWith("The others came through in part"),
    );
    expect(part?.weights).toEqual({
      ...Object.fromEntries(OF_ONE_NODE.map((cause) => [cause, expect.closeTo(-expected / 12, 9)])),
      "channel-mismatch": 0,
      ...Object.fromEntries(OF_THE_AIR.map((cause) => [cause, expect.closeTo(expected / 12, 9)])),
    });
  });

  it("are no witness where none was due: a weak link looks like a loss that all share", () => {
    const nobody = (more: Partial<Scene>) => meanwhile([], {}, more);
    expect(nobody({})).toEqual([
      {
        sentence:
          "No other node was due there meanwhile, and no keepalives show that the gateway was reachable: nothing tells a weak link from a loss that all share.",
        lane: "neighbours",
        restsOn,
        weights: {},
        leavesOpen: ["weak-link", "interference", "gateway-unreachable"],
      },
    ]);
    expect(nobody({ homes: [alive] })[0]).toMatchObject({
      sentence:
        "No other node was due there meanwhile: nothing tells a weak link from a loss that all share.",
      leavesOpen: ["weak-link", "interference"],
    });
    // Eighty of a hundred keepalives show it, 79 do not.
    const some = (count: number) =>
      nobody({
        homes: [gateway({ keepaliveUs: MINUTE, keepalivesUs: from(100, 99 + count).map((m) => m * MINUTE) })],
      });
    expect([some(80), some(79)].map(([piece]) => piece?.leavesOpen?.length)).toEqual([2, 3]);
    expect(meanwhile([], { kind: "silence" })).toEqual([]);
    expect(
      neighbourEvidence(
        sightOf(
          scene(
            every(1, 40, 260, from(101, 104)),
            { missed: 4 },
            { within: { fromUs: 100 * MINUTE, toUs: 105 * MINUTE } },
          ),
        ),
      ),
    ).toEqual([]);
  });

  it("came far weaker than before: noise takes no strength", () => {
    const weaker = (db: number, lives: readonly number[], first = 40) =>
      meanwhile(
        lives.flatMap((life) =>
          every(life, first, 260).map((one) => ({
            ...one,
            snrDb: 20,
            rssiDbm: one.atUs >= WITHIN.fromUs && one.atUs < WITHIN.toUs ? -90 - db : -90,
          })),
        ),
      ).find(({ lane }) => lane === "margin");
    expect(weaker(7, [2, 3])).toEqual({
      sentence:
        "What came of 2 other nodes came 7.0 dB weaker than before: noise takes no strength from a signal.",
      lane: "margin",
      restsOn,
      weights: {
        ...of(-3, "interference", "congestion", "gateway-transmitting", "channel-mismatch", "weak-link"),
        "gateway-weakened": 6.5,
      },
    });
    expect(weaker(6, [2, 3])?.sentence).toContain("6.0 dB weaker");
    expect(weaker(5.9, [2, 3])).toBeUndefined();
    expect(weaker(7, [2, 3], 100)?.sentence).toContain("7.0 dB weaker than after");
    // One alone does not tell where the others went on.
    expect(weaker(7, [2])).toBeUndefined();
  });

  it("are compared without the gap's edges, an eighth of it each, where enough is left, and with them else", () => {
    const fall = (isLeft: (minute: number) => boolean) =>
      meanwhile(
        [2, 3].flatMap((life) =>
          every(life, 40, 260)
            .filter(({ counter }) => counter === null || counter < 100 || counter >= 200 || isLeft(counter))
            .map((one) => {
              const isIn = one.atUs >= 100 * MINUTE && one.atUs < 200 * MINUTE;
              const isEdge = isIn && (one.atUs < 112 * MINUTE || one.atUs >= 188 * MINUTE);
              return { ...one, snrDb: 20, rssiDbm: isEdge ? -98 : isIn ? -107 : -90 };
            }),
        ),
      ).find(({ lane, sentence }) => lane === "margin" && sentence.includes("weaker"))?.sentence;
    expect(fall((minute) => minute % 4 === 0)).toContain("17.0 dB weaker");
    expect(fall((minute) => minute < 112 || minute >= 188)).toContain("8.0 dB weaker");
  });

  it("are counted by their rates before and after, in the time that was recorded", () => {
    const made = scene([...own, ...three], { missed: 99 });
    const { neighbours, ...figures } = neighboursMeanwhile(made);
    expect(neighbours).toHaveLength(3);
    expect(figures).toEqual({
      expected: 297,
      heard: 297,
      nodes: 3,
      each: [2, 3, 4].map((lifeId) => ({ lifeId, expected: 99, heard: 99 })),
    });
    // Ten minutes of the gap were not recorded, and twenty of before: 120 less 20 frames beside it, in 100 min.
    const notRecorded = [
      { fromUs: 60 * MINUTE, toUs: 80 * MINUTE },
      { fromUs: 150 * MINUTE, toUs: 160 * MINUTE },
    ];
    const recorded = [2, 3, 4].flatMap((life) => every(life, 40, 260, [...from(60, 79), ...from(150, 159)]));
    const away = sightOf(scene([...own, ...recorded], { missed: 99 }, { homes: [gateway({ notRecorded })] }));
    expect(proportionIn(away, WITHIN)).toMatchObject({ expected: 3 * 90, heard: 3 * 90, nodes: 3 });
    // Twenty minutes of after in an outage: 60 and 40 minutes were watched, in which 100 of each were heard.
    const outages = [{ fromUs: 220 * MINUTE, toUs: 240 * MINUTE, restarted: null, open: false }];
    const unheard = [2, 3, 4].flatMap((life) => every(life, 40, 260, from(220, 239)));
    const out = sightOf(scene([...own, ...unheard], { missed: 99 }, { homes: [gateway({ outages })] }));
    expect(proportionIn(out, WITHIN)).toMatchObject({ expected: 3 * 100, heard: 3 * 100 });
    // Nobody watched before or after: nothing is expected.
    const unknown = {
      before: { fromUs: 100 * MINUTE, toUs: 100 * MINUTE },
      after: { fromUs: 200 * MINUTE, toUs: 200 * MINUTE },
    };
    expect(proportionIn(sightOf(scene([...own, ...three], {}, unknown)), WITHIN)).toEqual({
      expected: 0,
      heard: 0,
      nodes: 0,
      each: [],
    });
  });

  it("that came or went by themselves are left out, among more than three", () => {
    const counted = (...lives: SceneReception[][]) => {
      const sight = sightOf(scene([...own, ...lives.flat()], { missed: 99 }));
      return proportionIn(sight, WITHIN).each.map(({ lifeId }) => lifeId);
    };
    const steady = [2, 3, 4].map((life) => every(life, 40, 260));
    const gone = every(5, 40, 150);
    const came = every(6, 150, 260);
    expect(counted(...steady, gone)).toEqual([2, 3, 4]);
    expect(counted(...steady, came)).toEqual([2, 3, 4]);
    expect(counted(...steady.slice(0, 1), gone, came)).toEqual([2, 5, 6]);
    // While a gap goes on nobody knows who will come again: all count, one that came shortly before as well.
    const young = [2, 3, 4, 5].flatMap((life) => every(life, life === 5 ? 85 : 40, 199));
    const after = { fromUs: WITHIN.toUs, toUs: WITHIN.toUs };
    const open = sightOf(scene([...own, ...young], { missed: 99, open: true }, { after }));
    expect(proportionIn(open, WITHIN).each.map(({ lifeId }) => lifeId)).toEqual([2, 3, 4, 5]);
    // Most of those that had long been there are gone: they did not go by themselves.
    expect(counted(...steady.slice(0, 2), gone, every(7, 40, 150))).toEqual([2, 3, 5, 7]);
    // Two frames beside the gap are no rate.
    expect(counted(...steady, [...every(8, 99, 99), ...every(8, 101, 200)])).toEqual([2, 3, 4]);
  });
});

describe("losses of single nodes", () => {
  /** The node lost so many of 99, two others so many of a hundred each. */
  const alike = (missed: number, one: number, two = one) => {
    const some = (count: number) => from(101, 199).slice(0, count);
    const frames = [...every(2, 40, 260, some(one)), ...every(3, 40, 260, some(two))];
    return lossesAreAlike(sightOf(scene([...every(1, 40, 260, some(missed)), ...frames], { missed })));
  };

  it("are alike where they scatter about their common share by chance, and the node's is near it", () => {
    expect(alike(20, 20)).toBe(true);
    // Chi-square of two about a common share p, n = 100: 5 and 35 about 20 % are 2 × 15² / 16 = 28, more than 2 + 3 × 2.
    expect(alike(20, 5, 35)).toBe(false);
    // 13 and 27: 2 × 7² / 16 = 6.1, less than 8; 12 and 28: 8.
    expect([alike(20, 13, 27), alike(20, 11, 29)]).toEqual([true, false]);
    // Of 99 twenty are up to 29.2 % (Wilson), at three points more 32.2 %; from below 10.5 % as stretches of 221 counters go
    // (sightOf), at three points less 7.5 %.
    expect([7, 8, 32, 33].map((others) => alike(20, others))).toEqual([false, true, true, false]);
  });

  it("are not from a twentieth of all down, nor from nineteen twentieths up", () => {
    expect([alike(5, 5), alike(6, 6)]).toEqual([false, true]);
    expect([alike(94, 94), alike(96, 96)]).toEqual([true, false]);
  });
});

describe("the neighbours of a node that lost a part", () => {
  const own = every(1, 40, 260, tenMissed);
  const losses = (others: readonly SceneReception[], gap: Partial<SceneGap> = {}) =>
    told(neighbourEvidence(sightOf(scene([...own, ...others], { heard: 89, ...gap }))));

  it("went on: the gateway was there, and it is alone with it", () => {
    expect(losses([2, 3, 4].flatMap((life) => every(life, 40, 260)))).toEqual([
      {
        sentence:
          "The others were heard as usual: 297 frames of 3 other nodes were heard there meanwhile, 297 were to be expected.",
        lane: "neighbours",
        restsOn,
        weights: of(-1.5, ...OF_THE_GATEWAY),
      },
      {
        sentence: "It is alone with it: 3 other nodes lost 0 % of 300 counters meanwhile, 0 % before.",
        lane: "neighbours",
        restsOn,
        weights: { ...of(1, ...OF_ONE_NODE), ...of(-2, ...OF_THE_AIR), ...of(-2, ...OF_THE_GATEWAY) },
      },
    ]);
  });

  it("lost more than before, the less by chance the more it says: a tenth of the log odds beyond four", () => {
    const own = every(1, 40, 260, from(102, 198, 4));
    const sight = (missed: readonly number[]) =>
      sightOf(scene([...own, ...every(2, 40, 260, missed)], { missed: 25, heard: 74 }));
    const piece = (made: ReturnType<typeof sight>) =>
      told(neighbourEvidence(made)).find(({ sentence }) => sentence.startsWith("Others lost frames"));
    // Of a hundred eight, none before.
    const rose = sight(from(110, 194, 12));
    const surprise = surpriseOfOthers(rose);
    // Eight of a hundred lost at a tenth rather than at one in a hundred; three rises are looked at.
    expect(surprise).toBeCloseTo(8 * Math.log(0.1 / 0.01) + 92 * Math.log(0.9 / 0.99) - Math.log(3), 6);
    // Two lost of the 60 before, and half a one of 25 more: 2.5 of 85 are the usual.
    const usual = 2.5 / 85;
    expect(surpriseOfOthers(sight([60, 80, ...from(110, 194, 12)]))).toBeCloseTo(
      8 * Math.log(0.1 / usual) + 92 * Math.log(0.9 / (1 - usual)) - Math.log(3),
      6,
    );
    expect(piece(rose)?.sentence).toBe(
      "Others lost frames as well: 1 other node lost 8.0 % of 100 counters meanwhile, 0 % before.",
    );
    expect(piece(rose)?.weights).toMatchObject({
      interference: expect.closeTo(2.2 + (surprise - 4) / 10, 9),
      "channel-mismatch": expect.closeTo((surprise - 4) / 10 - 1, 9),
    });
    // A third all along: no rise, but much for a site, and near the node's own quarter.
    const third = sight(from(42, 258, 3));
    expect(piece(third)).toMatchObject({
      sentence: expect.stringMatching(
        /^Others lost frames as well, each the same share, weak or strong: 1 other node lost 33 % of 100 counters meanwhile, 3\d % before\.$/,
      ),
      weights: { interference: 1.6, "channel-mismatch": 1 },
    });
    // Heard within the gap alone: nothing is said of another time.
    const inside = sightOf(
      scene([...own, ...every(2, 101, 199, from(102, 198, 3))], {
        missed: 49,
        heard: 50,
      }),
    );
    expect(piece(inside)?.sentence).toMatch(
      /^Others lost frames as well, each the same share, weak or strong: 1 other node lost 33 % of 99 counters meanwhile\.$/,
    );
  });

  it("lost as well, each the same share: what a gateway takes from all", () => {
    const third = from(101, 198, 3);
    const alike = losses(
      [2, 3].flatMap((life) => every(life, 40, 260, third)),
      { missed: 10 },
    );
    // 33 of 100 each; none before. The node's own tenth is another share.
    expect(alike[1]).toMatchObject({
      sentence: "Others lost frames as well: 2 other nodes lost 33 % of 200 counters meanwhile, 0 % before.",
      weights: {
        ...of(-2, ...OF_ONE_NODE),
        "channel-mismatch": expect.closeTo(-0.2, 9),
        ...of(3, ...OF_THE_AIR),
      },
    });
    const same = neighbourEvidence(
      sightOf(
        scene(
          [1, 2, 3].flatMap((life) => every(life, 40, 260, third)),
          { missed: 33, heard: 66 },
        ),
      ),
    ).map(({ sentence, weights }) => ({ sentence: said({ sentence }), weights }));
    expect(same[1]).toEqual({
      sentence:
        "Others lost frames as well, each the same share, weak or strong: 2 other nodes lost 33 % of 200 counters meanwhile, 0 % before.",
      weights: {
        ...of(-2.5, ...OF_ONE_NODE),
        "channel-mismatch": 0.8,
        "gateway-transmitting": 3,
        interference: 3,
        congestion: 1.3,
      },
    });
  });
});

describe("the channels", () => {
  const EIGHT = from(867_100_000, 868_500_000, 200_000);
  const onEight = (frames: readonly SceneReception[], shift = 0) =>
    frames.map((one, i) => ({ ...one, frequencyHz: EIGHT[(3 * i + shift) % 8] ?? 0 }));

  it("are counted without strays: three in a hundred are one", () => {
    const heardOn = (strays: number) =>
      heardChannels([
        ...Array<number>(100 - strays).fill(868_100_000),
        ...Array<number>(strays).fill(868_300_000),
      ]);
    expect([heardOn(0), heardOn(2), heardOn(3)]).toEqual([1, 1, 2]);
    expect(heardChannels([null, null])).toBe(0);
  });

  it("on which a node alone is heard no more are not listened on, or not its gateway's", () => {
    // The node's frames on two of eight channels, 16 of 61 before, are lost in the gap; others are still heard there.
    const isOut = ({ frequencyHz, atUs }: SceneReception) =>
      (frequencyHz ?? 0) < 867_400_000 && atUs > WITHIN.fromUs && atUs < WITHIN.toUs;
    const node = onEight(every(1, 40, 260, [], { snrDb: 8 })).filter((one) => !isOut(one));
    const others = [2, 3].flatMap((life) => onEight(every(life, 40, 260), life));
    const pieces = told(
      channelEvidence(
        sightOf(
          scene([...node, ...others], {
            missed: 99 - node.filter(({ atUs }) => atUs > WITHIN.fromUs && atUs < WITHIN.toUs).length,
          }),
        ),
      ),
    );
    expect(pieces.at(-1)).toMatchObject({
      sentence: expect.stringMatching(
        /^This node alone is heard no more on 2 of its channels, which carried 26 % of its frames before; others are still heard there\.$/,
      ),
      lane: "channels",
      restsOn,
      weights: { interference: -1.5, "weak-link": -1, congestion: -1 },
    });
    expect(pieces.at(-1)?.weights["channel-mismatch"]).toBeGreaterThan(2.9);
  });

  it("are known to be heard no more by few frames where chance hardly leaves one out", () => {
    // On two channels in turn: of one nothing came in eleven frames, 2 x 0.5^11 = 0.001; in ten it may be chance.
    const alone = (count: number) => {
      const range = { fromUs: 100 * MINUTE, toUs: (101 + 2 * count) * MINUTE };
      const onTwo = (frames: readonly SceneReception[]) =>
        frames.map((one) => ({
          ...one,
          frequencyHz: (one.counter ?? 0) % 2 === 0 ? 868_100_000 : 868_300_000,
        }));
      const odd = from(101, 100 + 2 * count).filter((minute) => minute % 2 === 1);
      const others = [2, 3].flatMap((life) => onTwo(every(life, 41, 260)));
      return told(
        channelEvidence(
          sightOf(
            scene(
              [...onTwo(every(1, 41, 260, odd, { snrDb: 8 })), ...others],
              { ...range, missed: count },
              {
                within: range,
                before: { fromUs: 41 * MINUTE, toUs: range.fromUs },
                after: { fromUs: range.toUs, toUs: 260 * MINUTE },
              },
            ),
          ),
        ),
      ).find(({ sentence }) => sentence.startsWith("This node alone"));
    };
    expect(alone(11)).toMatchObject({
      sentence:
        "This node alone is heard no more on 1 of its channels, which carried 50 % of its frames before; others are still heard there.",
    });
    expect(alone(10)).toBeUndefined();
  });

  it("carry less than an even share where all hop evenly, from the beginning on", () => {
    // Three nodes over eight channels in turn; of every four frames on the first one comes, always. In the midst of the
    // gap 8 of 275 are of that one, which has an eighth of each node's frames if they hop evenly.
    const isLost = ({ frequencyHz }: SceneReception, i: number) => frequencyHz === EIGHT[0] && i % 4 !== 0;
    const nodes = [1, 2, 3].flatMap((life) =>
      onEight(every(life, 40, 260, [], { snrDb: 8 }), life).filter(
        (one, i) => !isLost(one, Math.floor(i / 8)),
      ),
    );
    const within = nodes.filter(
      ({ lifeId, atUs }) => lifeId === 1 && atUs > WITHIN.fromUs && atUs < WITHIN.toUs,
    );
    const [piece] = told(
      channelEvidence(
        sightOf(scene(nodes, { kind: "steady", missed: 99 - within.length, heard: within.length })),
      ),
    ).filter(({ sentence }) => sentence.includes("hop evenly"));
    expect(piece?.sentence).toMatch(
      /^One channel of 8 carried 2\.9 % of what all nodes were heard on, 13 % if they hop evenly\.$/,
    );
  });

  it("have an even share of each node by the channels that it uses itself", () => {
    // Four nodes on all eight, one on the last two: of the first an eighth of four fifths, a tenth.
    const isLost = ({ frequencyHz }: SceneReception, i: number) => frequencyHz === EIGHT[0] && i % 4 !== 0;
    const wide = [1, 2, 4, 5].flatMap((life) =>
      onEight(every(life, 40, 260, [], { snrDb: 8 }), life).filter(
        (one, i) => !isLost(one, Math.floor(i / 8)),
      ),
    );
    const narrow = every(3, 40, 260).map((one, i) => ({ ...one, frequencyHz: EIGHT[6 + (i % 2)] ?? 0 }));
    const within = wide.filter(
      ({ lifeId, atUs }) => lifeId === 1 && atUs > WITHIN.fromUs && atUs < WITHIN.toUs,
    );
    const gap = { kind: "steady", missed: 99 - within.length, heard: within.length } as const;
    const said = (more: readonly SceneReception[] = []) =>
      told(channelEvidence(sightOf(scene([...wide, ...narrow, ...more], gap))))
        .map(({ sentence }) => sentence)
        .find((sentence) => sentence.includes("hop evenly"));
    // A lost frame is not there to be counted: 90 of each of the four and 99 of the other are what was heard.
    expect(said()).toMatch(
      /^One channel of 8 carried 2\.\d % of what all nodes were heard on, 9\.\d % if they hop evenly\.$/,
    );
    // What another gateway heard on that channel says nothing of this one.
    const elsewhere = every(2, 101, 199, [], { gatewayId: 2, frequencyHz: EIGHT[0] ?? 0 });
    expect(said(elsewhere)).toBe(said());
  });

  it("that account for no share are no plan", () => {
    // Eight channels, and 89 of 99 heard: the share of 8 in 9 is 88 of 99.
    const [ninth] = told(channelEvidence(sightOf(scene(onEight(every(1, 40, 260, tenMissed)), {}))));
    expect(ninth).toMatchObject({
      sentence:
        "It was heard on 8 channels with 90 % of its counters, the share of 8 channels in 9; its losses are scattered as by hopping.",
      // Against any share being as likely: the mean chance of 89 of 99 with nine to sixteen in all, and 0.7 for scatter.
      weights: {
        "channel-mismatch": expect.closeTo(
          0.7 +
            Math.log((100 / 8) * from(9, 16).reduce((sum, used) => sum + binomialPmf(89, 99, 8 / used), 0)),
          6,
        ),
      },
      lane: "channels",
      restsOn: { ...restsOn, ofNode: true },
    });
    // 97 of 99: no number of channels from nine to sixteen.
    const [none] = told(
      channelEvidence(sightOf(scene(onEight(every(1, 40, 260, [120, 150])), { missed: 2 }))),
    );
    expect(none).toMatchObject({
      sentence:
        "It was heard on 8 channels with 98 % of its counters: no number of channels accounts for that share.",
      weights: { "channel-mismatch": -4 },
    });
  });

  it("say nothing of a silence, of nothing missed, or without a gateway", () => {
    const own = onEight(every(1, 40, 260, tenMissed));
    expect(channelEvidence(sightOf(scene(own, { kind: "silence" })))).toEqual([]);
    expect(channelEvidence(sightOf(scene(own, { missed: 0 })))).toEqual([]);
    expect(channelEvidence(sightOf(scene(own, {}, { homes: [] })))).toEqual([]);
  });
});

describe("losses of one node on three channels", () => {
  const THREE = [868_100_000, 868_300_000, 868_500_000];
  const lossy = (isMissed: (minute: number) => boolean) => {
    const missed = from(101, 199).filter(isMissed);
    const own = every(1, 40, 260, missed, { snrDb: 8 }).map((frame, i) => ({
      ...frame,
      frequencyHz: THREE[i % 3] ?? 0,
    }));
    const [piece] = channelEvidence(sightOf(scene(own, { missed: missed.length })));
    return {
      sentence: piece === undefined ? "" : said(piece),
      weight: piece?.weights["channel-mismatch"],
    };
  };

  it("that come in runs of eight are told so, and weigh far less than those scattered by halves", () => {
    const runs = lossy((minute) => Math.floor(minute / 8) % 2 === 0);
    const halves = lossy((minute) => minute % 2 === 0);
    expect(runs.sentence).toMatch(
      /the share of 3 channels in 6; its losses come in runs, which hopping does not explain\.$/,
    );
    expect(halves.sentence).toMatch(
      /the share of 3 channels in 6; its losses are scattered as by hopping\.$/,
    );
    // −3 against +0.7; of the counters 50 and 51 in a hundred were heard.
    expect((halves.weight ?? 0) - (runs.weight ?? 0)).toBeGreaterThan(3.5);
    expect((halves.weight ?? 0) - (runs.weight ?? 0)).toBeLessThan(3.8);
  });
});

describe("two channels that came back when the gap was over", () => {
  it("are told by the share that they carried then", () => {
    const EIGHT = from(867_100_000, 868_500_000, 200_000);
    // Silent from before anybody listened to the end of the gap: two of eight channels, 30 frames of 300 an hour.
    const frames = [1, 2, 3, 4, 5].flatMap((life) =>
      every(life, 40, 260, [], { snrDb: 8 })
        .map((frame, i) => ({ ...frame, frequencyHz: EIGHT[(3 * i + life) % 8] ?? 0 }))
        .filter(({ frequencyHz, atUs }) => (frequencyHz ?? 0) > 867_300_000 || atUs > 200 * MINUTE),
    );
    const told = channelEvidence(sightOf(scene(frames, { missed: 25 }))).map(said);
    expect(told.join(" ")).toMatch(
      /2 channels of 8 carried 0 % of what all nodes were heard on, 2[45](\.\d)? % when the gap was over/,
    );
  });
});

describe("counters of the others", () => {
  const counted = (...missed: readonly (readonly number[])[]) => {
    const others = missed.flatMap((one, i) => every(2 + i, 40, 260, one));
    const sight = sightOf(scene([...every(1, 40, 260, tenMissed), ...others]));
    return countedIn(sight.neighbours, WITHIN, sight);
  };

  it("are added up, from four nodes on without the one that lost most, wherever it stands", () => {
    const twenty = from(120, 139);
    // From the first frame heard in the gap to the last: 99 to 101 counters of each.
    const three = counted(twenty, [150], [160]);
    expect(three).toMatchObject({ missed: 22, nodes: 3, isTrimmed: false });
    for (const order of [
      [twenty, [150], [160], [170]],
      [[150], twenty, [160], [170]],
      [[150], [160], [170], twenty],
    ]) {
      const four = counted(...order);
      expect(four).toMatchObject({ missed: 3, nodes: 3, isTrimmed: true });
      expect(four.expected).toBe(three.expected);
    }
    expect(counted()).toEqual({ missed: 0, expected: 0, nodes: 0, isTrimmed: false });
  });
});

describe("two channels of which a quarter still came through", () => {
  it("speak for noise and against all that takes no channel of its own", () => {
    const EIGHT = from(867_100_000, 868_500_000, 200_000);
    const frames = [1, 2, 3, 4, 5].flatMap((life) =>
      every(life, 40, 260, [], { snrDb: 8 })
        .map((frame, i) => ({ ...frame, frequencyHz: EIGHT[(3 * i + life) % 8] ?? 0 }))
        .filter(
          ({ frequencyHz, atUs, counter }) =>
            frequencyHz > 867_300_000 ||
            atUs <= 100 * MINUTE ||
            atUs >= 200 * MINUTE ||
            Math.floor((counter ?? 0) / 8) % 4 === 0,
        ),
    );
    const [piece] = channelEvidence(sightOf(scene(frames, { missed: 19 })));
    expect(piece === undefined ? "" : said(piece)).toMatch(
      /^2 channels of 8 fell from 2[456](\.\d)? % to \d(\.\d)? % of what all nodes were heard on\.$/,
    );
    // Far beyond 4.5 standard errors: 3.5 at the most.
    expect(piece?.weights).toEqual({
      "weak-link": -1.5,
      "gateway-transmitting": -2,
      congestion: -1,
      interference: 3.5,
      "channel-mismatch": -3.5,
    });
  });
});
